//! The list.

use std::collections::BTreeSet;

use chrono::NaiveDate;

use super::heads::heads;
use super::kit::{AttentionInput, ItemSeen, Upcoming};
use super::races::{burn_tests, copies, expiries, states, stocks};
use super::scales::scales;
use crate::rules::words::number;
use crate::time::Timestamp;
use crate::wire::attention::{AttentionLine, AttentionReason, AttentionView};
use crate::wire::log_entry::ItemState;

/// After how many days a mass is of another season.
const SEASON_D: f64 = 365.0;
/// How many days ahead an expiry is shown without a race.
const AHEAD_D: i64 = 30;

/// What deserves a look, most urgent first: by day, then by reason, then by name. Lines without a day come last. Each
/// reason is given once a thing, for the soonest race.
///
/// The order of the input does not matter.
#[must_use]
pub fn attention(input: &AttentionInput, now: Timestamp) -> AttentionView {
    let upcoming = Upcoming::all(input, now);
    let today = now.utc().date_naive();
    let mut lines = Vec::new();
    for one in &upcoming {
        states(input, one, &mut lines);
        heads(input, one, now, &mut lines);
        expiries(input, one, &mut lines);
        copies(one, now, &mut lines);
        burn_tests(input, one, now, &mut lines);
    }
    stocks(input, &upcoming, &mut lines);
    for item in &input.items {
        by_itself(item, &upcoming, now, today, &mut lines);
    }
    scales(input, &mut lines);
    let key = |line: &AttentionLine| {
        (line.by.unwrap_or(NaiveDate::MAX), line.reason, line.about.name.clone(), line.about.id)
    };
    lines.sort_by_cached_key(key);
    let mut seen = BTreeSet::new();
    lines.retain(|line| seen.insert((line.reason, line.about.id)));
    // A thing that runs out before a race is not told again that it runs out.
    let before_race: BTreeSet<_> = lines
        .iter()
        .filter(|line| line.reason == AttentionReason::ExpiresBeforeRace)
        .map(|line| line.about.id)
        .collect();
    lines.retain(|line| line.reason != AttentionReason::Expires || !before_race.contains(&line.about.id));
    AttentionView { on: today, lines, not_looked_at: not_looked_at(input, &upcoming) }
}

fn not_looked_at(input: &AttentionInput, upcoming: &[Upcoming<'_>]) -> Vec<String> {
    let mut undated: Vec<&str> = input
        .races
        .iter()
        .filter(|race| race.body.starts_at.is_none())
        .map(|race| race.body.name.as_str())
        .collect();
    undated.sort_unstable();
    let mut out: Vec<String> =
        undated.iter().map(|name| format!("{name} has no start: say when it starts.")).collect();
    for one in upcoming {
        let name = one.race.body.name.as_str();
        if one.race.rules.is_none() {
            out.push(format!("{name} has no rule sheet: heads and light were not looked at for it."));
        }
        if one.loadouts.is_empty() {
            out.push(format!("{name} has no loadout: only heads were looked at for it."));
        }
    }
    out
}

/// What deserves a look whatever is coming.
fn by_itself(
    item: &ItemSeen,
    upcoming: &[Upcoming<'_>],
    now: Timestamp,
    today: NaiveDate,
    lines: &mut Vec<AttentionLine>,
) {
    let state = item.state.state;
    if item.state.state_contested {
        lines.push(AttentionLine {
            reason: AttentionReason::StateContested,
            about: item.about(),
            by: None,
            race: None,
            text: format!("Two people judged it apart; until somebody looks it counts as {}.", words(state)),
            next: "Look at it, then log what it is: clear, watch, quarantine or retire.".to_owned(),
        });
    }
    if state == ItemState::Retired {
        return;
    }
    if matches!(state, ItemState::Quarantined | ItemState::OnWatch)
        && !upcoming.iter().any(|one| one.takes(item.id) && state == ItemState::Quarantined)
    {
        lines.push(AttentionLine {
            reason: AttentionReason::State,
            about: item.about(),
            by: None,
            race: None,
            text: format!("It is {}.", words(state)),
            next: "Look at it, then clear or retire it.".to_owned(),
        });
    }
    if let Some(expires) = item.body.expires_on
        && (expires - today).num_days() <= AHEAD_D
        && item.stock != Some(0)
    {
        let text = match (expires - today).num_days() {
            0.. => format!("Its last day is {expires}."),
            _ => format!("It expired: its last day was {expires}."),
        };
        lines.push(AttentionLine {
            reason: AttentionReason::Expires,
            about: item.about(),
            by: Some(expires),
            race: None,
            text,
            next: "Replace it, or correct its date.".to_owned(),
        });
    }
    let soonest = upcoming.iter().find(|one| one.takes(item.id));
    let text = match item.last_weighed_at {
        Some(at) if now.days_since(at) > SEASON_D => Some(format!(
            "It was last weighed on {}, {} days ago.",
            at.utc().date_naive(),
            number(now.days_since(at).floor())
        )),
        None if soonest.is_some() => Some("It was never weighed, and is in the set.".to_owned()),
        _ => None,
    };
    if let Some(text) = text {
        lines.push(AttentionLine {
            reason: AttentionReason::NotWeighed,
            about: item.about(),
            by: soonest.map(Upcoming::starts_on),
            race: soonest.map(Upcoming::named),
            text,
            next: "Weigh it, dry and empty.".to_owned(),
        });
    }
}

/// A state in a sentence.
pub(super) fn words(state: ItemState) -> &'static str {
    match state {
        ItemState::Serviceable => "serviceable",
        ItemState::OnWatch => "on watch",
        ItemState::Quarantined => "quarantined",
        ItemState::Retired => "retired",
    }
}
