//! After a sitting: every mass with its uncertainty, what changed by more than the scale explains, which readings stand
//! apart, and whether the scale itself has drifted. Nothing is dropped.

use std::collections::{BTreeMap, HashSet};

use domain::kinds;
use domain::mass::WeighingFact;
use domain::metrology::adjustment::{AdjustmentModel, Load, SittingReading, adjust};
use domain::metrology::outliers::modified_z;
use domain::time::Timestamp;
use domain::wire::item::ItemKind;
use domain::wire::mass::{ItemMass, MassChanged};
use uuid::Uuid;

use super::pick::SEASON_D;
use super::session::{Saved, Session};
use crate::commands::scale::offsets::{history, signed};
use crate::error::Result;
use crate::local::Store;
use crate::render;

/// How many items two sittings must share before they tell of the scale without a check weight (judgement).
const SHARED: usize = 3;

/// The lines that a sitting ends with.
///
/// # Errors
/// When the store cannot be read.
pub fn summary(session: &Session<'_>) -> Result<Vec<String>> {
    let mut lines = Vec::new();
    let mut seen = HashSet::new();
    let mut last: Vec<&Saved> = Vec::new();
    for saved in session.saved().iter().rev() {
        if seen.insert(saved.item) && !saved.is_undone() {
            last.push(saved);
        }
    }
    last.reverse();
    let mut remarks = Vec::new();
    let mut rows = Vec::new();
    for saved in last {
        // Later readings of the same sitting may have moved it: what stands now is told.
        let line = session.store.item(session.room.id, saved.item)?;
        let mass = line.as_ref().and_then(|line| line.mass.as_ref());
        let (words, evidence) = render::mass(mass);
        let mut marks = Vec::new();
        if let (Some(change), Some(mass)) = (saved.change(), mass) {
            marks.push("changed");
            remarks.push(changed(session.store, session.room.id, saved.item, &saved.name, change, mass)?);
        }
        let kind = line.as_ref().and_then(|line| ItemKind::from_name(&line.kind)).unwrap_or(ItemKind::Other);
        if let Some(words) = stands_apart(session, saved, kind)? {
            marks.push("stands apart");
            remarks.push(words);
        }
        let marks = if marks.is_empty() { evidence } else { format!("{evidence}; {}", marks.join(", ")) };
        rows.push(vec![render::cell(&saved.name), words, marks]);
    }
    if !rows.is_empty() {
        lines.extend(render::table(&["weighed", "mass +- u", "evidence"], &rows).lines().map(str::to_owned));
    }
    if let Some(sitting) = session.sitting() {
        remarks.extend(scale_sentences(session, sitting)?);
    }
    lines.extend(remarks.iter().map(|words| format!("* {}", render::wrapped(2, words))));
    Ok(lines)
}

/// A change of mass in words: "was 412.3 +- 0.7 g on 3 March 2026, now 431.0 +- 0.7 g: 18.7 g more than before, more than
/// the scale explains".
///
/// # Errors
/// When the store cannot be read.
pub fn changed(
    store: &Store,
    room: Uuid,
    item: Uuid,
    name: &str,
    change: &MassChanged,
    mass: &ItemMass,
) -> Result<String> {
    let before = store.mass_until(room, item, change.from_at)?;
    let (then, was_g) = match before.as_ref().map(|before| (before.mass_g, before.mass_u_g)) {
        Some((Some(value), Some(u))) => (render::with_uncertainty(value, u), value),
        _ => (render::grams(change.from_g), change.from_g),
    };
    let now_g = mass.mass_g.unwrap_or(change.to_g);
    let (now, _) = render::mass(Some(mass));
    let (difference, more) = (now_g - was_g, if now_g >= was_g { "more" } else { "less" });
    let difference = render::with_uncertainty(difference.abs(), change.u_difference_g);
    let difference = difference.split(" +- ").next().unwrap_or_default();
    Ok(format!(
        "{name} was {then} on {}, now {now}: {difference} g {more} than before, more than the scale explains",
        render::long_day(change.from_at)
    ))
}

/// A new reading far from the item's other ones.
fn stands_apart(session: &Session<'_>, saved: &Saved, kind: ItemKind) -> Result<Option<String>> {
    let (store, room) = (&session.store, session.room.id);
    let records =
        store.referring(room, &kinds::weighing::KIND, "item_id", (kinds::item::KIND.name, saved.item))?;
    let replaced = store.replaced(room, &kinds::weighing::KIND, &records)?;
    let facts: Vec<WeighingFact> = records
        .iter()
        .filter_map(|record| WeighingFact::from_record(record, &replaced))
        .filter(|fact| fact.is_usable(kind))
        .collect();
    let values: Vec<f64> = facts.iter().map(|fact| fact.body.net_g()).collect();
    let Ok(judged) = modified_z(&values, session.scale.resolution.value()) else { return Ok(None) };
    let at = facts.iter().position(|fact| fact.id == saved.weighing());
    Ok(at.filter(|at| judged.flagged.contains(at)).map(|at| {
        format!(
            "{}: {} stands apart from its other {} (median {}, modified z {:.1}). It is kept and counts; another item, \
             wet, or something in its pockets? tare weigh correct, or tare weigh undo",
            saved.name,
            render::grams(values[at]),
            render::count(values.len() as i64 - 1, "reading"),
            render::grams(judged.median),
            judged.z[at]
        )
    }))
}

/// Whether the scale has drifted: by its check weights, else by the items that two sittings share.
fn scale_sentences(session: &Session<'_>, sitting: Uuid) -> Result<Vec<String>> {
    let history = history(session.store, session.room.id, session.scale.id)?;
    let by_weights =
        history.map(|history| history.sentences(&session.scale.name, sitting)).unwrap_or_default();
    if !by_weights.is_empty() {
        return Ok(by_weights);
    }
    let no_check = format!(
        "no check weight was read: an error of {} of twice class III (OIML R 76) is assumed",
        session.scale.name
    );
    Ok(vec![match by_items(session, sitting)? {
        Some(words) => format!("{no_check}. {words}"),
        None => no_check,
    }])
}

/// One reading of an item in a sitting.
type Net = (Uuid, Uuid, f64, Timestamp);

/// The readings that two sittings of the scale have in common, adjusted together: what all items moved by is the scale's.
fn by_items(session: &Session<'_>, sitting: Uuid) -> Result<Option<String>> {
    let (store, room) = (&session.store, session.room.id);
    let mut nets: BTreeMap<Uuid, Vec<Net>> = BTreeMap::new();
    let mut of_scale = store.referring(
        room,
        &kinds::sitting::KIND,
        "scale_id",
        (kinds::scale::KIND.name, session.scale.id),
    )?;
    of_scale.retain(|record| record.is_live());
    let since = session.store.env().now();
    for record in &of_scale {
        let target = (kinds::sitting::KIND.name, record.id);
        let weighings = store.referring(room, &kinds::weighing::KIND, "sitting_id", target)?;
        let replaced = store.replaced(room, &kinds::weighing::KIND, &weighings)?;
        for fact in weighings.iter().filter_map(|record| WeighingFact::from_record(record, &replaced)) {
            let body = &fact.body;
            // Other kinds than vessels: how full one was need not be asked.
            let plain =
                body.units.unwrap_or(1) == 1 && body.fill.is_none() && fact.is_usable(ItemKind::Other);
            if plain && since.days_since(body.observed_at) <= SEASON_D as f64 {
                let net = (record.id, body.item_id.into(), body.net_g(), body.observed_at);
                nets.entry(record.id).or_default().push(net);
            }
        }
    }
    let Some(now) = nets.remove(&sitting) else { return Ok(None) };
    let items: HashSet<Uuid> = now.iter().map(|net| net.1).collect();
    let shared =
        |of: &[Net]| of.iter().map(|net| net.1).filter(|id| items.contains(id)).collect::<HashSet<_>>();
    let Some(before) = nets
        .values()
        .filter(|nets| shared(nets).len() >= SHARED)
        .max_by_key(|nets| nets.iter().map(|net| net.3).max())
    else {
        return Ok(None);
    };
    let both = shared(before);
    let readings: Vec<SittingReading<bool, Uuid>> = now
        .iter()
        .chain(before)
        .filter(|net| both.contains(&net.1))
        .map(|net| SittingReading {
            sitting: net.0 == sitting,
            load: Load::Item(net.1),
            reading_g: net.2,
            time: 0.0,
        })
        .collect();
    let model = AdjustmentModel {
        resolution_g: Some(session.scale.resolution.value()),
        ..AdjustmentModel::default()
    };
    let Ok(adjusted) = adjust(&readings, &model) else { return Ok(None) };
    // Without a known mass the two offsets sum to zero, so that their difference is twice either, and so is its
    // uncertainty.
    let Some(offset) = adjusted.sittings.iter().find(|offset| offset.sitting) else { return Ok(None) };
    let (change, u) = (2.0 * offset.offset_g, 2.0 * offset.u_g);
    let day = before.iter().map(|net| net.3).max().map(render::long_day).unwrap_or_default();
    let count = both.len();
    let critical = domain::distributions::student_t_two_sided(0.95, adjusted.scatter_dof.value());
    Ok(Some(if change.abs() > critical * u {
        format!(
            "The {count} items that were weighed on {day} too all read {} today: rather the scale has drifted or was \
             moved than they have changed. Read a check weight.",
            signed(change, u)
        )
    } else {
        format!(
            "The {count} items that were weighed on {day} too read {} today: no drift is seen.",
            signed(change, u)
        )
    }))
}
