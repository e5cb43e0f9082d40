//! The words of a verdict: which items serve, and why others do not.

use super::board::{Board, LeafCase};
use super::choices::Choices;
use super::report::Assigned;
use super::{Level, Measured};
use crate::rules::attributes::Attribute;
use crate::rules::candidate::{Unfit, Value};
use crate::rules::eligibility::{Eligibility, Eligible, Reason, asks, fact};
use crate::rules::model::{ALWAYS, Need, Op, Scope, TestValue};
use crate::rules::words::{limit_words, name_of, number, ranged, thing, with_unit};

/// Why a rule of the whole team is open.
pub const MATES: &str = "what the team mates carry is not known, and a team mate may carry it";

/// How many items a note names before it says how many more there are.
const NAMED: usize = 3;

fn names(board: &Board<'_>, offers: &[u16]) -> String {
    let mut named: Vec<String> = Vec::new();
    for offer in offers {
        let name = format!("\"{}\"", board.candidate(*offer).name);
        if !named.contains(&name) {
            named.push(name);
        }
    }
    let more = named.len().saturating_sub(NAMED);
    named.truncate(NAMED);
    let list = named.join(", ");
    if more > 0 { format!("{list} and {more} more") } else { list }
}

/// Why a rule does not apply.
pub fn not_applicable(board: &Board<'_>, rule: usize) -> String {
    let rule = &board.rules[rule];
    if rule.when != ALWAYS && !board.race.is_on(&rule.when) {
        format!("the organiser has not switched on `{}`", rule.when)
    } else if rule.scope == Some(Scope::Night) {
        "the race has no dark hours".to_owned()
    } else {
        "none of its options applies to this race".to_owned()
    }
}

/// One note from the notes of the parts of the reported alternative.
pub fn join<'n>(
    board: &Board<'_>,
    rule: usize,
    place: usize,
    level: Level,
    parts: impl Iterator<Item = (Level, &'n str)>,
) -> String {
    let mut notes: Vec<&str> = Vec::new();
    for (part, note) in parts {
        // What holds is not worth a word beside what does not.
        if (part <= level || level == Level::Met) && !note.is_empty() && !notes.contains(&note) {
            notes.push(note);
        }
    }
    let text = notes.join("; ");
    let choices = board.alternatives[rule].len();
    if choices < 2 {
        text
    } else if level == Level::NotMet {
        format!("none of {choices} ways holds; nearest: {text}")
    } else {
        format!("by way {} of {choices}: {text}", place + 1)
    }
}

/// The reason of an answer with the item's name.
pub fn reason(board: &Board<'_>, case: &LeafCase<'_>, offer: u16, answer: &Eligibility) -> String {
    let candidate = board.candidate(offer);
    let name = format!("\"{}\"", candidate.name);
    let known = |a: &Attribute| fact(a.name, candidate, board.entry(offer));
    let value = |a: &Attribute| known(a).map_or_else(|| "?".to_owned(), |f| words(&f.value, a));
    let tests = asks(&case.leaf.rule.need).map_or(&[][..], |(_, tests)| tests);
    match answer.reason {
        None => name,
        Some(Reason::Kind) => format!("{name} is of another kind"),
        Some(Reason::Unfit(Unfit::Expired)) => format!("{name} expires before the finish and does not count"),
        Some(Reason::Unfit(unfit)) => format!("{name} is {} and does not count", unfit.words()),
        Some(Reason::Fails { attribute, test }) => {
            let test = &tests[test.min(tests.len().saturating_sub(1))];
            failure(&name, attribute, &value(attribute), test.op, &test.value)
        }
        Some(Reason::NotKnown { attribute }) => format!("{name}: {} is not known", attribute.words),
        Some(Reason::Borderline { attribute, test }) => {
            let limit = limit_words(&tests[test.min(tests.len().saturating_sub(1))].value, attribute);
            let range = known(attribute).and_then(|f| f.interval);
            let range = match range {
                Some((low, high)) if high.is_infinite() => {
                    format!("at least {}", with_unit(low, attribute.unit))
                }
                Some((low, high)) if low.is_infinite() => {
                    format!("at most {}", with_unit(high, attribute.unit))
                }
                Some((low, high)) => match known(attribute).map(|fact| &fact.value) {
                    Some(Value::Number(best)) => ranged(*best, low, high, attribute.unit),
                    _ => format!("{} to {}", number(low), with_unit(high, attribute.unit)),
                },
                None => value(attribute),
            };
            format!("{name}: {} of {range} is too close to {limit} to show", attribute.words)
        }
        Some(Reason::TooOld { attribute, age_d, max_age_d }) => {
            let what = attribute.map_or("last examination", |a| a.words);
            match age_d {
                Some(age) => format!("{name}: {what} is {age} days old at the start, more than {max_age_d}"),
                None => format!("{name}: {what} has no date, and at most {max_age_d} days are allowed"),
            }
        }
        Some(Reason::TooWeak { attribute, evidence, wanted }) => {
            let what = attribute.map_or("it", |a| a.words);
            format!("{name}: {what} rests on {}, and {} is wanted", evidence.name(), wanted.name())
        }
        Some(Reason::RaceDay { attribute }) => {
            format!("{name}: the race has no date to compare the {} with", attribute.words)
        }
        Some(Reason::Stale) => format!("{name}: what is known of it is too old or may no longer be read"),
    }
}

fn failure(name: &str, attribute: &Attribute, value: &str, op: Op, limit: &TestValue) -> String {
    let limit = limit_words(limit, attribute);
    match op {
        Op::AtLeast => format!("{name} fails: {} {value} < {limit}", attribute.words),
        Op::AtMost => format!("{name} fails: {} {value} > {limit}", attribute.words),
        Op::Equal => format!("{name} fails: {} is {value}, not {limit}", attribute.words),
        Op::NotEqual => format!("{name} fails: {} is {value}", attribute.words),
        Op::In => format!("{name} fails: {} is {value}, none of {limit}", attribute.words),
    }
}

fn words(value: &Value, attribute: &Attribute) -> String {
    match value {
        Value::Number(n) => with_unit(*n, attribute.unit),
        Value::Bool(b) => if *b { "yes" } else { "no" }.to_owned(),
        Value::Text(t) => format!("\"{t}\""),
        Value::Date(d) => d.to_string(),
        Value::Size(a, b) => format!("{} x {} mm", number(a.min(*b)), number(a.max(*b))),
    }
}

/// The note of a need for units.
pub fn count(
    board: &Board<'_>,
    choices: &Choices,
    assigned: &Assigned,
    leaf: usize,
    level: Level,
    used: &[(u16, u32)],
) -> String {
    let case = &board.leaves[leaf];
    let Need::Count { count, .. } = case.leaf.rule.need else { return String::new() };
    let of = |wanted: Eligible| case.answers.iter().filter(move |(_, e)| e.eligible == wanted);
    let own: Vec<u16> = used.iter().map(|(o, _)| *o).collect();
    if level == Level::Met {
        return names(board, &own);
    }
    if level == Level::NotShown {
        let have: u32 = used.iter().map(|(_, units)| *units).sum();
        if have < count {
            return MATES.to_owned();
        }
        let open = of(Eligible::Unknown).filter(|(o, _)| own.contains(o));
        return open.take(NAMED).map(|(o, e)| reason(board, case, *o, e)).collect::<Vec<_>>().join("; ");
    }
    let have: u32 = used.iter().map(|(_, units)| *units).sum();
    let mut notes = Vec::new();
    if count > 1 {
        notes.push(format!("{have} of {count}"));
    }
    let missing: Vec<u16> = of(Eligible::Yes).map(|(o, _)| *o).filter(|o| !own.contains(o)).collect();
    notes.extend(elsewhere(board, choices, assigned, leaf, &missing));
    // What is short although entries fit: the stock does not reach.
    for (offer, _) in of(Eligible::Yes) {
        let offered = board.offers[usize::from(*offer)];
        let stock = board.candidate(*offer).stock.unwrap_or(u32::MAX);
        if offered.quantity > stock {
            let name = &board.candidate(*offer).name;
            notes.push(format!("\"{name}\": {} in the loadout, {stock} in stock", offered.quantity));
        }
    }
    let failing: Vec<String> =
        of(Eligible::No).take(NAMED).map(|(o, e)| reason(board, case, *o, e)).collect();
    notes.extend(failing);
    let more = of(Eligible::No).count().saturating_sub(NAMED);
    if more > 0 {
        notes.push(format!("{more} more fail"));
    }
    if have < count {
        let open = of(Eligible::Unknown).take(NAMED).map(|(o, e)| reason(board, case, *o, e));
        notes.extend(open);
    }
    if notes.is_empty() || (notes.len() == 1 && count > 1 && case.answers.is_empty()) {
        notes.push(format!("no {} in the loadout", thing(&case.leaf.rule.need)));
    }
    notes.join("; ")
}

/// Where fitting items are instead: serving another rule, or left out because another item excludes them.
fn elsewhere(
    board: &Board<'_>,
    choices: &Choices,
    assigned: &Assigned,
    leaf: usize,
    missing: &[u16],
) -> Vec<String> {
    let mut notes = Vec::new();
    let fitting = board.leaves[leaf].answers.iter().filter(|(_, e)| e.eligible == Eligible::Yes).count();
    for offer in missing.iter().take(NAMED) {
        let name = &board.candidate(*offer).name;
        if choices.off[board.offers[usize::from(*offer)].candidate] {
            notes.push(format!("\"{name}\" does not count beside an item that it excludes"));
            continue;
        }
        let holds = |l: &usize| *l != leaf && assigned.by_leaf[*l].iter().any(|(o, _)| o == offer);
        let Some(holder) = (0..board.leaves.len()).find(holds) else { continue };
        let other = &board.leaves[holder];
        let title = if other.rule == board.leaves[leaf].rule {
            name_of(other.leaf.rule)
        } else {
            name_of(&board.rules[other.rule])
        };
        let what = thing(&board.leaves[leaf].leaf.rule.need);
        notes.push(if fitting == 1 {
            format!("the only fitting {what}, \"{name}\", already serves \"{title}\"")
        } else {
            format!("\"{name}\" already serves \"{title}\"")
        });
    }
    notes
}

/// The note of a pair.
pub fn pair(
    board: &Board<'_>,
    leaf: usize,
    level: Level,
    wanting: &[(u16, u32)],
    used: &[(u16, u32)],
) -> String {
    let case = &board.leaves[leaf];
    let Need::Pair { for_rule, same_attribute, .. } = &case.leaf.rule.need else { return String::new() };
    let own: Vec<u16> = used.iter().map(|(o, _)| *o).collect();
    if level == Level::Met {
        return names(board, &own);
    }
    let words = crate::rules::attributes::find(same_attribute).map_or(same_attribute.as_str(), |a| a.words);
    if wanting.is_empty() {
        return format!("nothing serves the rule `{for_rule}` that partners are wanted for");
    }
    let mut notes = Vec::new();
    for (offer, _) in wanting.iter().take(NAMED) {
        let candidate = board.candidate(*offer);
        match fact(same_attribute, candidate, board.entry(*offer)) {
            None => notes.push(format!("\"{}\": {words} is not known", candidate.name)),
            Some(fact) => {
                let value = crate::rules::attributes::find(same_attribute)
                    .map_or_else(String::new, |a| self::words(&fact.value, a));
                notes.push(format!(
                    "\"{}\" wants a {} of {words} {value}",
                    candidate.name,
                    thing(&case.leaf.rule.need)
                ));
            }
        }
    }
    let unknown = |o: &u16| fact(same_attribute, board.candidate(*o), board.entry(*o)).is_none();
    let open: Vec<u16> = case.answers.iter().map(|(o, _)| *o).filter(unknown).collect();
    if !open.is_empty() {
        notes.push(format!("{words} of {} is not known", names(board, &open)));
    }
    let no = case.answers.iter().filter(|(_, e)| e.eligible == Eligible::No);
    notes.extend(no.take(NAMED).map(|(o, e)| reason(board, case, *o, e)));
    notes.join("; ")
}

/// The note of a sum.
pub fn total(
    board: &Board<'_>,
    case: &LeafCase<'_>,
    measured: &Measured,
    level: Level,
    close: bool,
    unknown: Option<u16>,
    attribute: &Attribute,
) -> String {
    let sign = match (measured.upper, measured.margin() >= 0.0) {
        (false, true) => ">=",
        (false, false) => "<",
        (true, true) => "<=",
        (true, false) => ">",
    };
    let sum = format!(
        "{}: {} {sign} {}",
        attribute.words,
        with_unit(measured.value, attribute.unit),
        with_unit(measured.limit, attribute.unit)
    );
    let mut notes = vec![sum];
    if level == Level::NotShown {
        if close {
            notes.push("too close to the limit to show".to_owned());
        }
        if let Some(offer) = unknown {
            let answer = case.answers.iter().chain(&case.carried).find(|(o, _)| *o == offer);
            notes.push(match answer {
                Some((_, answer)) if answer.reason.is_some() => reason(board, case, offer, answer),
                _ => format!("\"{}\": {} is not known", board.candidate(offer).name, attribute.words),
            });
        }
    }
    if level != Level::Met && !measured.upper {
        let unfit = case.answers.iter().filter(|(_, e)| matches!(e.reason, Some(Reason::Unfit(_))));
        notes.extend(unfit.take(NAMED).map(|(o, e)| reason(board, case, *o, e)));
    }
    notes.join("; ")
}

/// The note of a need for light.
pub fn burn(
    board: &Board<'_>,
    measured: &Measured,
    level: Level,
    close: bool,
    unknown: Option<u16>,
    no_lamp: bool,
) -> String {
    let sign = if measured.margin() >= 0.0 { ">=" } else { "<" };
    let mut notes =
        vec![format!("burn time: {} h {sign} {} h", number(measured.value), number(measured.limit))];
    if level != Level::Met {
        if no_lamp {
            notes.push("no head lamp counts".to_owned());
        }
        if close {
            notes.push("too close to the dark hours to show".to_owned());
        } else if let Some(offer) = unknown.filter(|_| level == Level::NotShown) {
            notes.push(format!(
                "\"{}\": burn time, or the cell type that fits, is not known",
                board.candidate(offer).name
            ));
        }
    }
    notes.join("; ")
}

/// The note of a ban.
pub fn forbid(
    board: &Board<'_>,
    case: &LeafCase<'_>,
    level: Level,
    hit: Option<(u16, Eligibility)>,
) -> String {
    match (level, hit) {
        (Level::NotMet, Some((offer, _))) => {
            format!("\"{}\" is carried and forbidden", board.candidate(offer).name)
        }
        (Level::NotShown, Some((offer, answer))) => reason(board, case, offer, &answer),
        _ => "nothing forbidden is carried".to_owned(),
    }
}
