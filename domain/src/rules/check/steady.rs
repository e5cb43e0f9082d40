//! Needs that use nothing up, so that they do not depend on the assignment: totals, light, and what is forbidden.
//!
//! Sums are of whole thousandths, so that a sum that equals its limit meets it.

use super::board::{Board, LeafCase};
use super::notes;
use super::{Level, Measured};
use crate::item_kind::ItemKind;
use crate::rules::attributes;
use crate::rules::candidate::{Bounded, Value};
use crate::rules::eligibility::{Eligible, fact, same_word};
use crate::rules::model::{Evidence, Need};

/// The answer to such a need.
#[derive(Debug, Clone)]
pub struct Steady {
    /// Met, not shown or not met.
    pub level: Level,
    /// What it rests on.
    pub used: Vec<(u16, u32)>,
    /// An entry of which something is not known that the answer leans on.
    pub leans_on: Option<u16>,
    /// The sum and its limit.
    pub measured: Option<Measured>,
    /// The weakest evidence of what is summed.
    pub evidence: Evidence,
    /// In words.
    pub note: String,
}

/// A sum over entries.
#[derive(Debug, Clone, Default)]
struct Sum {
    value: f64,
    low: f64,
    high: f64,
    evidence: Option<Evidence>,
    used: Vec<(u16, u32)>,
    /// The first entry that would add an unknown amount.
    unknown: Option<u16>,
}

fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round()
}

impl Sum {
    /// Adds `units` of a number; returns false when it is not known.
    fn add(&mut self, board: &Board<'_>, offer: u16, units: u32, name: &str) -> bool {
        let known = fact(name, board.candidate(offer), board.entry(offer));
        let Some((fact, Value::Number(value))) = known.map(|f| (f, &f.value)) else { return false };
        if !value.is_finite() || units == 0 {
            return value.is_finite();
        }
        let (low, high) = fact.interval.unwrap_or((*value, *value));
        if low.is_nan() || high.is_nan() {
            return false;
        }
        let times = f64::from(units);
        self.value += times * thousandths(*value);
        self.low += times * thousandths(low.min(*value).max(0.0));
        self.high += times * thousandths(high.max(*value));
        self.evidence = Some(self.evidence.map_or(fact.evidence, |e| e.min(fact.evidence)));
        self.used.push((offer, units));
        true
    }

    fn measured(&self, limit: f64, unit: &'static str, upper: bool) -> Measured {
        let back = |v: f64| if v.is_finite() { Some(v / 1000.0) } else { None };
        let ranged = self.low != self.value || self.high != self.value;
        Measured {
            value: self.value / 1000.0,
            limit,
            upper,
            unit,
            low: ranged.then(|| back(self.low)).flatten(),
            high: ranged.then(|| back(self.high)).flatten(),
        }
    }
}

/// Whether `low..=high` is at least `limit`, with `value` deciding what lies between unless it is a matter of safety
/// or has no end.
fn at_least(sum: &Sum, limit: Bounded, safety: bool) -> Level {
    if sum.low >= limit.high {
        Level::Met
    } else if sum.high < limit.low {
        Level::NotMet
    } else if safety || sum.high.is_infinite() || limit.high.is_infinite() {
        Level::NotShown
    } else if sum.value >= limit.value {
        Level::Met
    } else {
        Level::NotMet
    }
}

/// The answer to a need that uses nothing up; `None` for `count` and `pair`.
pub fn steady(board: &Board<'_>, leaf: usize, off: &[bool]) -> Option<Steady> {
    let case = &board.leaves[leaf];
    let (mut answer, upper) = match &case.leaf.rule.need {
        Need::Total { at_most, .. } => (total(board, case, off), at_most.is_some()),
        Need::Burn { margin } => (burn(board, case, *margin, off), false),
        Need::Forbid { .. } => (forbid(board, case), true),
        Need::Count { .. } | Need::Pair { .. } | Need::AnyOf { .. } => return None,
    };
    // What the team mates carry adds to a sum: it may reach a lower limit, and may break an upper one.
    let open = if upper { Level::Met } else { Level::NotMet };
    if board.mates_may_help(leaf) && answer.level == open {
        answer.level = Level::NotShown;
        answer.note = format!("{}; {}", answer.note, notes::MATES);
    }
    Some(answer)
}

fn total(board: &Board<'_>, case: &LeafCase<'_>, off: &[bool]) -> Steady {
    let Need::Total { measure, at_least: least, at_most: most, reserve, .. } = &case.leaf.rule.need else {
        return unanswerable();
    };
    let Some(attribute) = attributes::find(measure) else { return unanswerable() };
    let days = if case.leaf.rule.times_days { board.race.days } else { Some(1) };
    let times = f64::from(days.unwrap_or(1));
    let safety = case.leaf.safety.unwrap_or(attribute.safety);
    let legs = board.scope_legs(case.leaf.scope);
    // What is eaten and drunk on the way is there later only if it is kept in reserve.
    let kept = *reserve || (attribute.expendable && case.leaf.scope != crate::rules::model::Scope::Start);
    let mut worst: Option<Steady> = None;
    let steps = distinct(board, &legs);
    for leg in steps {
        let here = |offer: u16| board.offers[usize::from(offer)].on_leg(leg);
        for upper in [false, true] {
            let Some(limit) = (if upper { *most } else { *least }) else { continue };
            let limit = limit * times;
            let mut answer = if upper {
                upper_total(board, case, limit, safety, attribute, here)
            } else {
                let here = |o: u16| here(o) && (!kept || board.offers[usize::from(o)].reserve);
                lower_total(board, case, limit, safety, attribute, off, here)
            };
            if days.is_none() && answer.level == Level::Met {
                answer.level = Level::NotShown;
                answer.note = "the race does not say how many days it has".to_owned();
            }
            if worst.as_ref().is_none_or(|w| answer.level < w.level) {
                worst = Some(answer);
            }
        }
    }
    worst.unwrap_or_else(unanswerable)
}

/// One leg for each set of entries that differs: all legs are alike when nothing is picked up or handed off.
fn distinct(board: &Board<'_>, legs: &[usize]) -> Vec<usize> {
    let whole = |o: &&crate::rules::Offer| o.from_leg == 0 && o.to_leg.is_none();
    if board.offers.iter().all(whole) { legs.iter().copied().take(1).collect() } else { legs.to_vec() }
}

fn lower_total(
    board: &Board<'_>,
    case: &LeafCase<'_>,
    limit: f64,
    safety: bool,
    attribute: &'static attributes::Attribute,
    off: &[bool],
    here: impl Fn(u16) -> bool,
) -> Steady {
    let counts = |o: u16| here(o) && !off[board.offers[usize::from(o)].candidate];
    let list = |wanted: Eligible| -> Vec<u16> {
        case.answers.iter().filter(|(o, e)| e.eligible == wanted && counts(*o)).map(|(o, _)| *o).collect()
    };
    let mut sum = Sum::default();
    let yes = list(Eligible::Yes);
    for (offer, units) in board.spread(&yes) {
        if !sum.add(board, offer, units, attribute.name) {
            sum.unknown.get_or_insert(offer);
        }
    }
    if let Some(first) = list(Eligible::Unknown).first() {
        sum.unknown.get_or_insert(*first);
    }
    let bound = thousandths(limit);
    let mut level = at_least(&sum, Bounded::exact(bound), safety);
    let close = level == Level::NotShown;
    if level == Level::NotMet && sum.unknown.is_some() {
        level = Level::NotShown;
    }
    let measured = sum.measured(limit, attribute.unit, false);
    let note = notes::total(board, case, &measured, level, close, sum.unknown, attribute);
    let evidence = sum.evidence.unwrap_or(Evidence::None);
    let leans_on = sum.unknown.filter(|_| level == Level::NotShown && !close);
    Steady { level, used: sum.used, leans_on, measured: Some(measured), evidence, note }
}

fn upper_total(
    board: &Board<'_>,
    case: &LeafCase<'_>,
    limit: f64,
    safety: bool,
    attribute: &'static attributes::Attribute,
    here: impl Fn(u16) -> bool,
) -> Steady {
    let mut sure = Sum::default();
    let mut most = Sum::default();
    for (offer, answer) in case.carried.iter().filter(|(o, _)| here(*o)) {
        let units = board.offers[usize::from(*offer)].quantity;
        let known = answer.eligible == Eligible::No || most.add(board, *offer, units, attribute.name);
        if answer.eligible == Eligible::Yes {
            sure.add(board, *offer, units, attribute.name);
        }
        if !known {
            most.unknown.get_or_insert(*offer);
        }
    }
    let bound = thousandths(limit);
    let level = if sure.low > bound {
        Level::NotMet
    } else if most.unknown.is_some() {
        Level::NotShown
    } else if most.high <= bound {
        Level::Met
    } else if safety || most.high.is_infinite() || most.value != sure.value {
        if sure.value > bound && !safety { Level::NotMet } else { Level::NotShown }
    } else if most.value <= bound {
        Level::Met
    } else {
        Level::NotMet
    };
    let close = level == Level::NotShown && most.unknown.is_none();
    let measured = most.measured(limit, attribute.unit, true);
    let note = notes::total(board, case, &measured, level, close, most.unknown, attribute);
    let evidence = most.evidence.unwrap_or(Evidence::None);
    Steady { level, used: most.used, leans_on: None, measured: Some(measured), evidence, note }
}

fn burn(board: &Board<'_>, case: &LeafCase<'_>, margin: f64, off: &[bool]) -> Steady {
    let Some(dark) = board.race.dark_h else {
        return Steady { note: "the dark hours of the course are not known".to_owned(), ..unanswerable() };
    };
    let factor = 1000.0 * (1.0 + margin);
    let need = Bounded {
        value: (dark.value * factor).round(),
        low: (dark.low.min(dark.value).max(0.0) * factor).round(),
        high: (dark.high.max(dark.value) * factor).round(),
    };
    let counts = |o: &u16, kind: ItemKind| {
        board.candidate(*o).serves(&[kind]) && !off[board.offers[usize::from(*o)].candidate]
    };
    let pick = |kind: ItemKind, wanted: Eligible| -> Vec<u16> {
        let fits = case.answers.iter().filter(|(o, e)| e.eligible == wanted && counts(o, kind));
        fits.map(|(o, _)| *o).collect()
    };
    let mut sum = Sum::default();
    let lamps = pick(ItemKind::HeadLamp, Eligible::Yes);
    let doubtful = pick(ItemKind::HeadLamp, Eligible::Unknown);
    for (offer, units) in board.spread(&lamps) {
        if !sum.add(board, offer, units, "burn_h") {
            sum.unknown.get_or_insert(offer);
        }
    }
    // A spare cell gives light only in a lamp that it fits.
    let cell_type = |o: u16| match fact("cell_type", board.candidate(o), board.entry(o)).map(|f| &f.value) {
        Some(Value::Text(word)) => Some(word.as_str()),
        _ => None,
    };
    let fits = |cell: u16, lamps: &[u16]| -> Eligible {
        let of = |lamp: &u16| match (cell_type(*lamp), cell_type(cell)) {
            (Some(a), Some(b)) if same_word(a, b) => Eligible::Yes,
            (Some(_), Some(_)) => Eligible::No,
            _ => Eligible::Unknown,
        };
        lamps.iter().map(of).max().unwrap_or(Eligible::No)
    };
    let cells: Vec<u16> = pick(ItemKind::SpareCell, Eligible::Yes)
        .into_iter()
        .filter(|o| !board.candidate(*o).serves(&[ItemKind::HeadLamp]))
        .collect();
    for (offer, units) in board.spread(&cells) {
        match (fits(offer, &lamps), fits(offer, &doubtful)) {
            (Eligible::Yes, _) => {
                if !sum.add(board, offer, units, "burn_h") {
                    sum.unknown.get_or_insert(offer);
                }
            }
            (Eligible::No, Eligible::No) => {}
            _ => {
                sum.unknown.get_or_insert(offer);
            }
        }
    }
    let late = doubtful.first().or(pick(ItemKind::SpareCell, Eligible::Unknown).first()).copied();
    sum.unknown = sum.unknown.or(late);
    let safety = case.leaf.safety.unwrap_or(true);
    let mut level = at_least(&sum, need, safety);
    let close = level == Level::NotShown;
    if level == Level::NotMet && sum.unknown.is_some() && !(lamps.is_empty() && doubtful.is_empty()) {
        level = Level::NotShown;
    }
    let measured = sum.measured(need.value / 1000.0, "h", false);
    let note = notes::burn(board, &measured, level, close, sum.unknown, lamps.is_empty());
    let evidence = sum.evidence.unwrap_or(Evidence::None);
    let leans_on = sum.unknown.filter(|_| level == Level::NotShown && !close);
    Steady { level, used: sum.used, leans_on, measured: Some(measured), evidence, note }
}

fn forbid(board: &Board<'_>, case: &LeafCase<'_>) -> Steady {
    let legs = board.scope_legs(case.leaf.scope);
    let carried = |o: u16| legs.iter().any(|leg| board.offers[usize::from(o)].on_leg(*leg));
    let found = |wanted: Eligible| {
        let mut all = case.carried.iter().filter(move |(o, e)| e.eligible == wanted && carried(*o));
        all.next().map(|(o, e)| (*o, *e))
    };
    let (level, hit) = match (found(Eligible::Yes), found(Eligible::Unknown)) {
        (Some(hit), _) => (Level::NotMet, Some(hit)),
        (None, Some(hit)) => (Level::NotShown, Some(hit)),
        (None, None) => (Level::Met, None),
    };
    let used: Vec<(u16, u32)> =
        hit.iter().map(|(o, _)| (*o, board.offers[usize::from(*o)].quantity)).collect();
    let note = notes::forbid(board, case, level, hit);
    let evidence = match hit {
        Some((_, answer)) if level == Level::NotMet => answer.evidence,
        Some(_) => Evidence::None,
        None => Evidence::Declared,
    };
    Steady { level, used, leans_on: None, measured: None, evidence, note }
}

fn unanswerable() -> Steady {
    Steady {
        level: Level::NotShown,
        used: Vec::new(),
        leans_on: None,
        measured: None,
        evidence: Evidence::None,
        note: String::new(),
    }
}
