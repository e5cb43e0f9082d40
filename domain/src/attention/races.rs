//! What an upcoming race makes urgent, heads aside.

use std::collections::BTreeMap;

use super::kit::{AttentionInput, ItemSeen, Upcoming};
use super::list::words;
use crate::ids::ItemId;
use crate::rules::words::number;
use crate::rules::{Need, Rule};
use crate::time::Timestamp;
use crate::wire::attention::{AttentionLine, AttentionReason, AttentionSubject};
use crate::wire::item::ItemKind;
use crate::wire::log_entry::{ItemState, LogEvent};
use crate::wire::race::SEEN_MAX_AGE_D;

/// The age of a burn test above which it is looked at again, in days, when no rule says it.
const BURN_TEST_D: u32 = 365;

fn line(
    upcoming: &Upcoming<'_>,
    reason: AttentionReason,
    about: AttentionSubject,
    text: String,
    next: &str,
) -> AttentionLine {
    AttentionLine {
        reason,
        about,
        by: Some(upcoming.starts_on()),
        race: Some(upcoming.named()),
        text,
        next: next.to_owned(),
    }
}

fn taken<'a>(input: &'a AttentionInput, upcoming: &'a Upcoming<'_>) -> impl Iterator<Item = &'a ItemSeen> {
    input.items.iter().filter(|item| upcoming.takes(item.id))
}

/// Things in the set that may not be used.
pub(super) fn states(input: &AttentionInput, upcoming: &Upcoming<'_>, lines: &mut Vec<AttentionLine>) {
    for item in taken(input, upcoming).filter(|item| item.state.state >= ItemState::Quarantined) {
        let text = format!("It is {}, and is in the set.", words(item.state.state));
        let next = "Take another, or look at it and clear it.";
        lines.push(line(upcoming, AttentionReason::NotUsable, item.about(), text, next));
    }
}

/// Things in the set that run out before the race ends.
pub(super) fn expiries(input: &AttentionInput, upcoming: &Upcoming<'_>, lines: &mut Vec<AttentionLine>) {
    let ends = upcoming.ends_on();
    for item in taken(input, upcoming) {
        if let Some(expires) = item.body.expires_on.filter(|expires| *expires < ends) {
            let text = format!("Its last day is {expires}; the race ends on {ends}.");
            let about = item.about();
            lines.push(line(upcoming, AttentionReason::ExpiresBeforeRace, about, text, "Replace it."));
        }
    }
}

/// Copies of a club's items that are too old on the day of the start.
pub(super) fn copies(upcoming: &Upcoming<'_>, now: Timestamp, lines: &mut Vec<AttentionLine>) {
    let most_d = upcoming.race.body.seen_max_age_d.unwrap_or(SEEN_MAX_AGE_D);
    // Looking again before this would not last to the start.
    if upcoming.starts_at.days_since(now) > f64::from(most_d) {
        return;
    }
    for entry in &upcoming.entries {
        let Some(seen) = &entry.seen else { continue };
        let age_d = upcoming.starts_at.days_since(seen.seen_at);
        if age_d > f64::from(most_d) {
            let about = AttentionSubject {
                kind: "item".into(),
                id: entry.item_id.into(),
                name: seen.item.name.as_str().into(),
            };
            let text = format!(
                "It is the club's, seen on {}: at the start that is {} days ago, and the race takes {most_d}.",
                seen.seen_at.utc().date_naive(),
                number(age_d.floor())
            );
            lines.push(line(
                upcoming,
                AttentionReason::CopyTooOld,
                about,
                text,
                "Sync, which looks at it again.",
            ));
        }
    }
}

/// The greatest age that a rule for light sets, if there is such a rule.
fn burn_age(rules: &[Rule]) -> Option<Option<u32>> {
    let mut found = None;
    for rule in rules {
        match &rule.need {
            Need::Burn { .. } => found = Some(rule.max_age_d),
            Need::AnyOf { options } => {
                found = found.or_else(|| options.iter().find_map(|option| burn_age(option)));
            }
            _ => {}
        }
    }
    found
}

/// Lamps in the set, when the rules ask for light, whose burn test is too old or missing.
pub(super) fn burn_tests(
    input: &AttentionInput,
    upcoming: &Upcoming<'_>,
    now: Timestamp,
    lines: &mut Vec<AttentionLine>,
) {
    let Some(age) = upcoming.race.rules.as_ref().and_then(|sheet| burn_age(&sheet.rules)) else { return };
    let most_d = age.unwrap_or(BURN_TEST_D);
    for item in taken(input, upcoming).filter(|item| item.body.kind == ItemKind::HeadLamp) {
        let tests =
            item.log.iter().filter(|fact| fact.counts_at(now) && fact.body.event == LogEvent::BurnTest);
        let newest = tests.map(|fact| fact.body.observed_at).max();
        let text = match newest {
            None => "The race asks for light, and no burn test of this lamp is logged.".to_owned(),
            Some(at) if upcoming.starts_at.days_since(at) > f64::from(most_d) => format!(
                "Its newest burn test is of {}: {} days before the start, and {most_d} are taken.",
                at.utc().date_naive(),
                number(upcoming.starts_at.days_since(at).floor())
            ),
            Some(_) => continue,
        };
        let next = "Let it burn until it is done, as cold as the race may be, and log the hours.";
        lines.push(line(upcoming, AttentionReason::BurnTestOld, item.about(), text, next));
    }
}

/// Stocks that do not reach: race after race, each with the loadout that takes the most.
pub(super) fn stocks(input: &AttentionInput, upcoming: &[Upcoming<'_>], lines: &mut Vec<AttentionLine>) {
    let mut taken: BTreeMap<ItemId, i64> = BTreeMap::new();
    for one in upcoming {
        let mut here: BTreeMap<ItemId, i64> = BTreeMap::new();
        for loadout in &one.loadouts {
            let mut sums: BTreeMap<ItemId, i64> = BTreeMap::new();
            for entry in &loadout.entries {
                *sums.entry(entry.item_id).or_default() += i64::from(entry.units());
            }
            for (item, units) in sums {
                let most = here.entry(item).or_default();
                *most = units.max(*most);
            }
        }
        for item in input.items.iter().filter(|item| item.body.per_unit == Some(true)) {
            let Some(units) = here.get(&item.id) else { continue };
            let total = taken.entry(item.id).or_default();
            *total += units;
            let text = match item.stock {
                None => format!("The set takes {units}, and it was never counted."),
                Some(stock) if stock < *total && *total > *units => format!(
                    "The set takes {units}, {total} with the races before; {} are left.",
                    number(stock as f64)
                ),
                Some(stock) if stock < *total => {
                    format!("The set takes {units}; {} are left.", number(stock as f64))
                }
                Some(_) => continue,
            };
            lines.push(line(one, AttentionReason::StockShort, item.about(), text, "Count it, or buy more."));
        }
    }
}
