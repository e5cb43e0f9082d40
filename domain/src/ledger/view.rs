//! The ledger as it is shown.

use std::collections::BTreeMap;

use super::composition::{Composition, SealedSet, Side};
use super::round::{apportion, rounded};
use super::split::{RawLine, Split, split};
use super::statistics::{statistics, totals_mg};
use super::words;
use crate::no_estimate::NoEstimate;
use crate::wire::ledger::{
    LedgerLine, LedgerPart, LedgerPartKind, LedgerScope, LedgerSide, LedgerSideKind, LedgerView, RaceTotal,
    SharedErrors,
};

fn g(mg: i64) -> f64 {
    mg as f64 / 1000.0
}

/// Uncertainties to a tenth of a milligram, as masses have them.
fn u(grams: f64) -> f64 {
    (grams * 1e4).round() / 1e4
}

/// The ledger from one side to another. The order of a side's sets and of their entries does not matter.
///
/// # Errors
/// `TooFew` for a side without a sealed set, or when neither side holds anything in scope.
pub fn ledger(from: &Side<'_>, to: &Side<'_>, scope: LedgerScope) -> Result<LedgerView, NoEstimate> {
    let (from_sets, to_sets) = (ordered(from)?, ordered(to)?);
    let (before, after) = (Composition::of(&from_sets, scope), Composition::of(&to_sets, scope));
    if before.is_empty() && after.is_empty() {
        return Err(NoEstimate::TooFew { what: "things carried", needed: 1, got: 0 });
    }
    let split = split(&before, &after)?;
    let from_side = side(from, &from_sets, &before, &split);
    let to_side = side(to, &to_sets, &after, &split);
    let change_mg = to_side.1 - from_side.1;
    let lines = lines(&split.known, &split, change_mg, &before, &after);
    let parts = parts(lines);
    let sum: i64 = parts.iter().map(|(mg, _)| mg).sum();
    let lines_known = split.known.len() as u32;
    let lines_without_u = split.known.iter().filter(|line| line.u_g.is_none()).count() as u32;
    let (change_u_g, change_u_by) = if split.u_independent_g == 0.0 && split.u_one_scale_g == 0.0 {
        (None, None)
    } else if split.u_independent_g >= split.u_one_scale_g {
        (Some(u(split.u_independent_g)), Some(SharedErrors::Independent))
    } else {
        (Some(u(split.u_one_scale_g)), Some(SharedErrors::OneScale))
    };
    let unknown = split.unknown.iter().map(|raw| line(raw, None, &split, &before, &after)).collect();
    let seasons = from.kind == LedgerSideKind::Season || to.kind == LedgerSideKind::Season;
    let mut view = LedgerView {
        from: from_side.0,
        to: to_side.0,
        scope,
        change_g: g(change_mg),
        change_u_g,
        change_u_by,
        parts: parts.into_iter().map(|(_, part)| part).collect(),
        unexplained_g: g(change_mg - sum),
        lines_known,
        unchanged: split.unchanged,
        lines_without_u,
        unknown,
        statistics: seasons.then(|| statistics(&before, &after, &split)),
        sentences: Vec::new(),
        assumptions: Vec::new(),
    };
    view.sentences = words::sentences(&view);
    view.assumptions = words::assumptions(&view, &before, &after);
    Ok(view)
}

fn ordered<'a>(side: &Side<'a>) -> Result<Vec<SealedSet<'a>>, NoEstimate> {
    if side.sets.is_empty() {
        return Err(NoEstimate::TooFew { what: "sealed loadouts on each side", needed: 1, got: 0 });
    }
    let mut sets = side.sets.clone();
    sets.sort_by_key(|set| (set.sealed_at, set.loadout_id));
    Ok(sets)
}

/// A side, and its rounded mean in milligrams.
fn side(side: &Side<'_>, sets: &[SealedSet<'_>], held: &Composition, split: &Split) -> (LedgerSide, i64) {
    let totals = totals_mg(held, split);
    let mean_mg = rounded(totals.iter().map(|mg| i128::from(*mg)).sum(), held.n.into());
    let races = sets.iter().zip(&totals).map(|(set, mg)| RaceTotal {
        loadout_id: set.loadout_id,
        name: set.name.to_owned(),
        sealed_at: set.sealed_at,
        known_g: g(*mg),
    });
    let day = |set: &SealedSet<'_>| set.sealed_at.utc().date_naive();
    let view = LedgerSide {
        kind: side.kind,
        id: side.id,
        name: side.name.to_owned(),
        n: sets.len() as u32,
        known_g: g(mean_mg),
        first_on: day(&sets[0]),
        last_on: day(&sets[sets.len() - 1]),
        races: races.collect(),
    };
    (view, mean_mg)
}

/// The known lines, rounded so that they add up to the change.
fn lines(
    raw: &[RawLine],
    split: &Split,
    change_mg: i64,
    before: &Composition,
    after: &Composition,
) -> Vec<(i64, LedgerLine)> {
    let changes: Vec<i64> = raw.iter().map(|line| line.change_num().unwrap_or(0)).collect();
    let whole = apportion(&changes, split.denominator, change_mg);
    raw.iter().zip(whole).map(|(raw, mg)| (mg, line(raw, Some(mg), split, before, after))).collect()
}

fn line(
    raw: &RawLine,
    mg: Option<i64>,
    split: &Split,
    before: &Composition,
    after: &Composition,
) -> LedgerLine {
    let old = raw.before.and_then(|id| before.items.get(&id));
    let new = raw.after.and_then(|id| after.items.get(&id));
    let mass = |num: Option<i64>| num.map(|num| g(rounded(num.into(), split.denominator.into())));
    let units = |held: Option<&super::composition::Held>, n: i64| {
        held.map_or(0.0, |held| (held.units as f64 / n as f64 * 1000.0).round() / 1000.0)
    };
    let water = old.is_none() && new.is_none();
    let name = match (old, new) {
        (Some(old), Some(new)) if raw.before != raw.after => format!("{} -> {}", old.name, new.name),
        (_, Some(one)) | (Some(one), None) => one.name.clone(),
        (None, None) => "water".to_owned(),
    };
    // A thing that is not there weighs nothing; one of unknown mass weighs something.
    let known = |num: Option<i64>, there: bool| if there || water { mass(num) } else { None };
    LedgerLine {
        part: raw.part,
        before_item_id: raw.before,
        after_item_id: raw.after,
        kind: new.or(old).map(|held| held.kind),
        name,
        before_units: (!water).then(|| units(old, before.n)),
        after_units: (!water).then(|| units(new, after.n)),
        before_g: known(raw.before_num, old.is_some()),
        after_g: known(raw.after_num, new.is_some()),
        change_g: mg.map(g),
        change_u_g: raw.u_g.map(u),
        note: raw.note.clone(),
    }
}

/// The lines by part, in the order of the parts, the greatest change first; each with its sum in milligrams.
fn parts(lines: Vec<(i64, LedgerLine)>) -> Vec<(i64, LedgerPart)> {
    let mut by_part: BTreeMap<LedgerPartKind, Vec<(i64, LedgerLine)>> = BTreeMap::new();
    for line in lines {
        by_part.entry(line.1.part).or_default().push(line);
    }
    let part = |(part, mut lines): (LedgerPartKind, Vec<(i64, LedgerLine)>)| {
        lines.sort_by(|a, b| {
            let ids = |line: &LedgerLine| (line.before_item_id, line.after_item_id);
            b.0.abs().cmp(&a.0.abs()).then_with(|| ids(&a.1).cmp(&ids(&b.1)))
        });
        let sum: i64 = lines.iter().map(|(mg, _)| mg).sum();
        (sum, LedgerPart { part, change_g: g(sum), lines: lines.into_iter().map(|(_, line)| line).collect() })
    };
    by_part.into_iter().map(part).collect()
}
