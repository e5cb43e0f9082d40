//! Light against the dark hours.

use std::collections::BTreeMap;

use crate::ids::ItemId;
use crate::light::{cold_factor, swaps};
use crate::loadout::burn::burn;
use crate::loadout::layout::{Known, Line, NEVER, Thing};
use crate::rules::Evidence;
use crate::rules::eligibility::same_word;
use crate::rules::words::number;
use crate::wire::item::{AttributeValue, ItemKind};
use crate::wire::loadout_answers::{LampPlan, LightSource};
use crate::wire::log_entry::ItemState;

/// The temperature at which a cell has its whole capacity, in degrees Celsius: what a label and a test without a
/// temperature are taken at.
const WARM_C: f64 = 27.0;

/// The lamps and cells of the lines against the dark hours.
///
/// The cold takes off `1 - 0.5 (27 - T)/45` of a cell's capacity ([`cold_factor`]), relative to the temperature of the
/// test where one is known. Cells count where their type is that of a lamp that is carried.
pub(super) fn lamp(lines: &[Line<'_>], dark_h: Option<f64>, margin: f64, cell_c: f64) -> LampPlan {
    let mut units: BTreeMap<ItemId, (&Thing<'_>, u32)> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.from_leg != NEVER) {
        if let Some(thing) = &line.thing
            && (is(thing, ItemKind::HeadLamp) || is(thing, ItemKind::SpareCell))
        {
            let one = units.entry(thing.id).or_insert((thing, 0));
            one.1 = one.1.saturating_add(line.units());
        }
    }
    let types: Vec<&str> = units
        .values()
        .filter(|(t, _)| is(t, ItemKind::HeadLamp) && fit(t))
        .filter_map(|(t, _)| cell_type(t))
        .collect();
    let mut sources: Vec<LightSource> =
        units.values().map(|(thing, units)| source(thing, *units, &types, cell_c)).collect();
    // Lamps first, then cells, the longer burning ones before.
    sources.sort_by(|a, b| {
        let burn = |one: &LightSource| one.cold_burn_h.unwrap_or(0.0);
        a.spare_cell.cmp(&b.spare_cell).then(burn(b).total_cmp(&burn(a))).then(a.item_id.cmp(&b.item_id))
    });
    let counts = |one: &&LightSource| one.note.as_deref().is_none_or(|note| note == FL1);
    let sum = |hours: fn(&LightSource) -> Option<f64>| -> f64 {
        sources.iter().filter(counts).filter_map(|one| Some(hours(one)? * f64::from(one.quantity))).sum()
    };
    let (burn_h, cold_burn_h) = (sum(|one| one.burn_h), sum(|one| one.cold_burn_h));
    let needed_h = dark_h.map(|dark| dark * (1.0 + margin));
    let first = sources.iter().filter(counts).find(|one| !one.spare_cell).and_then(|one| one.cold_burn_h);
    let unknown = sources.iter().any(|one| one.burn_h.is_none());
    let short = needed_h.map(|needed| (needed - cold_burn_h).max(0.0));
    let short_h = short.filter(|short| *short == 0.0 || !unknown).map(rounded);
    LampPlan {
        needed_h: needed_h.map(rounded),
        margin,
        cell_c,
        burn_h: rounded(burn_h),
        cold_burn_h: rounded(cold_burn_h),
        swaps: dark_h.zip(first).and_then(|(dark, first)| swaps(dark, margin, first).ok()),
        short_h,
        text: words(dark_h, needed_h, cold_burn_h, short, unknown, sources.is_empty()),
        sources,
    }
}

/// What a label's hours mean.
const FL1: &str =
    "a label's hours run until a tenth of the first output (ANSI/PLATO FL 1), not at the label's lumens";

fn rounded(hours: f64) -> f64 {
    (hours * 100.0).round() / 100.0
}

fn words(
    dark: Option<f64>,
    needed: Option<f64>,
    cold: f64,
    short: Option<f64>,
    unknown: bool,
    none: bool,
) -> String {
    let (Some(dark), Some(needed), Some(short)) = (dark, needed, short) else {
        return "the dark hours are not known, so light cannot be planned".into();
    };
    let h = |value: f64| number(rounded(value));
    if dark == 0.0 {
        return "no dark hours on the course as planned; a slower day may have some".into();
    }
    if none {
        return format!("{} h are dark and the loadout has no lamp", h(dark));
    }
    let ask = format!("{} h are dark; with the margin {} h of light are wanted", h(dark), h(needed));
    if short == 0.0 {
        format!("{ask}, and {} h are carried in the cold", h(cold))
    } else if unknown {
        format!("{ask}; {} h are known to be carried in the cold, and one burn time is not known", h(cold))
    } else {
        format!("{ask}, and {} h are carried in the cold: {} h are missing", h(cold), h(short))
    }
}

fn is(thing: &Thing<'_>, kind: ItemKind) -> bool {
    thing.body.kind == kind || thing.body.also_serves.as_ref().is_some_and(|kinds| kinds.contains(&kind))
}

fn fit(thing: &Thing<'_>) -> bool {
    thing.state < ItemState::Quarantined
}

fn cell_type<'a>(thing: &Thing<'a>) -> Option<&'a str> {
    match thing.body.attributes.as_ref()?.get("cell_type")? {
        AttributeValue::Text(word) => Some(word),
        _ => None,
    }
}

fn source(thing: &Thing<'_>, quantity: u32, types: &[&str], cell_c: f64) -> LightSource {
    let spare_cell = !is(thing, ItemKind::HeadLamp);
    let (tested, at_c) = match thing.known {
        Known::Own(item) => burn(&item.log).map_or((None, None), |b| (Some(b.burn_h), b.temperature_c)),
        Known::Seen { seen, .. } => (seen.burn.map(|burn| burn.burn_h), None),
    };
    let burn_h = tested.or(thing.body.burn_h.map(|hours| hours.value()));
    let cold = cold_factor(cell_c).ok().zip(cold_factor(at_c.unwrap_or(WARM_C)).ok());
    let factor = cold.and_then(|(now, then)| (then > 0.0).then(|| (now / then).min(1.0)));
    let fits = types.iter().any(|lamp| cell_type(thing).is_some_and(|cell| same_word(lamp, cell)));
    let note = if !fit(thing) {
        Some(format!("it is {} and does not count", thing.state.name()))
    } else if spare_cell && !fits {
        Some("it fits no lamp that is carried, as far as the cell types say".to_owned())
    } else {
        (tested.is_none() && burn_h.is_some()).then(|| FL1.to_owned())
    };
    LightSource {
        item_id: thing.id,
        name: thing.name().to_owned(),
        quantity,
        spare_cell,
        burn_h,
        cold_burn_h: burn_h.zip(factor).map(|(hours, factor)| rounded(hours * factor)),
        evidence: match (tested, burn_h) {
            (Some(_), _) => Evidence::Measured,
            (None, Some(_)) => Evidence::Label,
            (None, None) => Evidence::None,
        },
        note,
    }
}
