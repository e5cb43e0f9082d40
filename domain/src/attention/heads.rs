//! Garments that a rule asks a head of, on race day.

use super::kit::{AttentionInput, ItemSeen, Upcoming};
use crate::rules::words::number;
use crate::rules::{Evidence, Need, Op, Rule, TestValue};
use crate::time::Timestamp;
use crate::wear::HEAD_LEVEL;
use crate::wear_history::head_on;
use crate::wire::attention::{AttentionLine, AttentionReason};
use crate::wire::item::ItemKind;
use crate::wire::log_entry::ItemState;

/// A head that a rule asks for.
struct HeadRule<'a> {
    kinds: &'a [ItemKind],
    limit_mm: f64,
    max_age_d: Option<u32>,
    wants_test: bool,
    title: &'a str,
}

fn head_rules<'a>(rules: &'a [Rule], out: &mut Vec<HeadRule<'a>>) {
    for rule in rules {
        match &rule.need {
            Need::Count { kinds, tests, .. } => {
                for test in tests.iter().filter(|test| test.attribute == "head_mm" && test.op == Op::AtLeast)
                {
                    if let TestValue::Number(limit_mm) = test.value {
                        out.push(HeadRule {
                            kinds,
                            limit_mm,
                            max_age_d: rule.max_age_d,
                            wants_test: rule.evidence_wanted.is_some_and(|wanted| wanted > Evidence::Label),
                            title: if rule.title.is_empty() { &rule.id } else { &rule.title },
                        });
                    }
                }
            }
            Need::AnyOf { options } => options.iter().for_each(|option| head_rules(option, out)),
            _ => {}
        }
    }
}

/// Those in the race's loadouts; without a loadout all that could be taken and have a head at all.
pub(super) fn heads(
    input: &AttentionInput,
    upcoming: &Upcoming<'_>,
    now: Timestamp,
    lines: &mut Vec<AttentionLine>,
) {
    let Some(sheet) = &upcoming.race.rules else { return };
    let mut rules = Vec::new();
    head_rules(&sheet.rules, &mut rules);
    for item in &input.items {
        let taken = if upcoming.loadouts.is_empty() {
            item.state.state < ItemState::Quarantined
        } else {
            upcoming.takes(item.id)
        };
        let body = &item.body;
        let serves = |rule: &&HeadRule<'_>| {
            let mut kinds = std::iter::once(body.kind).chain(body.also_serves.iter().flatten().copied());
            kinds.any(|kind| rule.kinds.contains(&kind))
        };
        // The strictest limit that it may be held to.
        let strictest = rules.iter().filter(serves).max_by(|a, b| a.limit_mm.total_cmp(&b.limit_mm));
        if let Some(rule) = strictest.filter(|_| taken) {
            lines.extend(head_line(item, rule, upcoming, now));
        }
    }
}

fn head_line(
    item: &ItemSeen,
    rule: &HeadRule<'_>,
    upcoming: &Upcoming<'_>,
    now: Timestamp,
) -> Option<AttentionLine> {
    let limit = number(rule.limit_mm);
    let line = |reason, text: String, next: &str| AttentionLine {
        reason,
        about: item.about(),
        by: Some(upcoming.starts_on()),
        race: Some(upcoming.named()),
        text,
        next: next.to_owned(),
    };
    let below = AttentionReason::HeadBelowLimit;
    // The day by which verdicts judge it too.
    let head = head_on(&item.body, &item.log, now, upcoming.starts_at);
    // A lower bound below the limit says nothing about it; one above shows that it is met.
    let known = head.known().filter(|known| known.high_mm.is_finite() || known.low_mm >= rule.limit_mm);
    let Some(seen) = known.map(|known| known.seen()) else {
        let tests: usize = head.series.iter().map(|series| series.tests.len()).sum();
        let claimed = item.body.head_mm.map(|head| head.value());
        let unshown = if tests > 0 { "its tests say too little" } else { "no head test is logged" };
        return match claimed {
            Some(claimed) if claimed < rule.limit_mm => Some(line(
                below,
                format!(
                    "{} mm are claimed for it, and the rule \"{}\" asks for {limit} mm.",
                    number(claimed),
                    rule.title
                ),
                "Take another, or test it.",
            )),
            Some(_) if !rule.wants_test && tests == 0 => None,
            _ => Some(line(
                AttentionReason::HeadNotTested,
                format!("The rule \"{}\" asks for {limit} mm, and {unshown}.", rule.title),
                "Test it and log the test.",
            )),
        };
    };
    if seen.low_mm < rule.limit_mm {
        let p = head.against(rule.limit_mm).map(|answer| answer.p_at_least).ok();
        let sure = p.map_or(String::new(), |p| format!(", {:.0} % sure to hold {limit} mm", p * 100.0));
        return Some(line(
            below,
            format!(
                "On race day its head is {} mm ({} to {} mm, {:.0} %){sure}, by {} test{}; the rule \"{}\" asks for \
                 {limit} mm.",
                number(seen.median_mm),
                number(seen.low_mm),
                seen.high_mm.map_or_else(|| "more".to_owned(), number),
                100.0 * HEAD_LEVEL,
                seen.n,
                if seen.n == 1 { "" } else { "s" },
                rule.title
            ),
            "Test it again, or take another.",
        ));
    }
    let age_d = upcoming.starts_at.days_since(seen.tested_at);
    let most = f64::from(rule.max_age_d?);
    (age_d > most).then(|| {
        line(
            AttentionReason::HeadNotTested,
            format!(
                "Its newest head test will be {} days old; the rule \"{}\" takes {} days.",
                number(age_d.floor()),
                rule.title,
                number(most)
            ),
            "Test it again and log the test.",
        )
    })
}
