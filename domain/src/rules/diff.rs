//! What changed between two editions of a sheet, in plain words.

use std::collections::HashMap;

use serde::Serialize;

use super::model::{Need, Rule, RuleSheet, Test};
use super::words::{name_of, need_words, scope_words, test_words};

/// How a rule changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ChangeKind {
    /// It is new.
    Added,
    /// It is gone.
    Removed,
    /// It asks for something else.
    Changed,
    /// Only its wording or title is different.
    Reworded,
    /// It stands elsewhere in the order, which settles ties.
    Moved,
}

/// One change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    /// The rule.
    pub rule_id: String,
    /// How it changed.
    pub change: ChangeKind,
    /// A sentence.
    pub words: String,
}

/// The changes from `old` to `new`: rules are the same when their ids are. Removed ones come first, then the others
/// in the order of the new sheet.
#[must_use]
pub fn diff(old: &RuleSheet, new: &RuleSheet) -> Vec<Change> {
    let before: HashMap<&str, &Rule> = old.rules.iter().map(|r| (r.id.as_str(), r)).collect();
    let after: HashMap<&str, &Rule> = new.rules.iter().map(|r| (r.id.as_str(), r)).collect();
    let mut changes = Vec::new();
    for rule in old.rules.iter().filter(|r| !after.contains_key(r.id.as_str())) {
        let words = format!("\"{}\" is no longer asked for: {}", name_of(rule), asked(rule));
        changes.push(Change { rule_id: rule.id.clone(), change: ChangeKind::Removed, words });
    }
    for rule in &new.rules {
        let Some(was) = before.get(rule.id.as_str()) else {
            let words = format!("\"{}\" is new: {}", name_of(rule), asked(rule));
            changes.push(Change { rule_id: rule.id.clone(), change: ChangeKind::Added, words });
            continue;
        };
        let mut found = Vec::new();
        compare(was, rule, &mut found);
        if !found.is_empty() {
            let words = format!("\"{}\": {}", name_of(rule), found.join("; "));
            changes.push(Change { rule_id: rule.id.clone(), change: ChangeKind::Changed, words });
        } else if was.title != rule.title || was.wording != rule.wording {
            let words = format!("\"{}\" is worded differently and asks for the same", name_of(rule));
            changes.push(Change { rule_id: rule.id.clone(), change: ChangeKind::Reworded, words });
        }
    }
    moved(old, new, &before, &after, &mut changes);
    changes
}

/// Rules of both sheets whose order among themselves changed: those outside the longest run that kept its order.
fn moved(
    old: &RuleSheet,
    new: &RuleSheet,
    before: &HashMap<&str, &Rule>,
    after: &HashMap<&str, &Rule>,
    changes: &mut Vec<Change>,
) {
    let kept: Vec<&Rule> = old.rules.iter().filter(|r| after.contains_key(r.id.as_str())).collect();
    let place: HashMap<&str, usize> = kept.iter().enumerate().map(|(at, r)| (r.id.as_str(), at)).collect();
    let now: Vec<&Rule> = new.rules.iter().filter(|r| before.contains_key(r.id.as_str())).collect();
    let order: Vec<usize> = now.iter().map(|r| place[r.id.as_str()]).collect();
    // The longest increasing run ending at each place, and what it follows.
    let mut best: Vec<(usize, Option<usize>)> = Vec::with_capacity(order.len());
    for at in 0..order.len() {
        let follows = (0..at).filter(|b| order[*b] < order[at]).max_by_key(|b| (best[*b].0, usize::MAX - b));
        best.push((follows.map_or(1, |b| best[b].0 + 1), follows));
    }
    let mut stays = vec![false; order.len()];
    let mut at = (0..order.len()).max_by_key(|b| (best[*b].0, usize::MAX - b));
    while let Some(here) = at {
        stays[here] = true;
        at = best[here].1;
    }
    for (rule, _) in now.iter().zip(stays).filter(|(_, stays)| !stays) {
        let words = format!("\"{}\" stands elsewhere in the order, which settles ties", name_of(rule));
        changes.push(Change { rule_id: rule.id.clone(), change: ChangeKind::Moved, words });
    }
}

fn asked(rule: &Rule) -> String {
    let scope = scope_words(rule);
    let need = need_words(&rule.need);
    if scope.is_empty() { need } else { format!("{need} ({scope})") }
}

fn compare(was: &Rule, now: &Rule, found: &mut Vec<String>) {
    match (&was.need, &now.need) {
        (Need::Count { kinds: a, count: m, tests: s }, Need::Count { kinds: b, count: n, tests: t })
            if a == b =>
        {
            if m != n {
                found.push(format!("now {n} instead of {m}"));
            }
            tests(s, t, found);
        }
        (Need::Forbid { kinds: a, tests: s }, Need::Forbid { kinds: b, tests: t }) if a == b => {
            tests(s, t, found)
        }
        (Need::AnyOf { options: a }, Need::AnyOf { options: b }) if shape(a) == shape(b) => {
            for (was, now) in a.iter().flatten().zip(b.iter().flatten()) {
                let mut inside = Vec::new();
                compare(was, now, &mut inside);
                found.extend(inside.into_iter().map(|c| format!("in \"{}\": {c}", name_of(now))));
            }
        }
        (a, b) if a == b => {}
        (a, b) => found.push(format!("now {} instead of {}", need_words(b), need_words(a))),
    }
    let (before, after) = (scope_words(was), scope_words(now));
    if before != after {
        let plain = |s: String| if s.is_empty() { "at the start for each runner".to_owned() } else { s };
        found.push(format!("now {} instead of {}", plain(after), plain(before)));
    }
    if was.shareable != now.shareable {
        found.push(
            if now.shareable {
                "an item that serves it may now serve other rules"
            } else {
                "an item that serves it may no longer serve other rules"
            }
            .to_owned(),
        );
    }
    let days = |d: Option<u32>| d.map_or("of any age".to_owned(), |d| format!("at most {d} days old"));
    if was.max_age_d != now.max_age_d {
        found.push(format!("evidence now {} instead of {}", days(now.max_age_d), days(was.max_age_d)));
    }
    let wanted = |e: Option<super::Evidence>| e.map_or("any", |e| e.name());
    if was.evidence_wanted != now.evidence_wanted {
        found.push(format!(
            "now wants {} evidence instead of {}",
            wanted(now.evidence_wanted),
            wanted(was.evidence_wanted)
        ));
    }
    if was.safety != now.safety {
        let words = |s: Option<bool>| match s {
            Some(true) => "a value too close to the limit is not shown",
            Some(false) => "the best value decides close to the limit",
            None => "the attribute decides what is close to the limit",
        };
        found.push(format!("now {}", words(now.safety)));
    }
}

fn shape(options: &[Vec<Rule>]) -> Vec<Vec<&str>> {
    options.iter().map(|o| o.iter().map(|r| r.id.as_str()).collect()).collect()
}

fn tests(was: &[Test], now: &[Test], found: &mut Vec<String>) {
    let same = |a: &Test, b: &Test| a.attribute == b.attribute && a.op == b.op;
    for test in was {
        match now.iter().find(|t| same(t, test)) {
            None => found.push(format!("no longer {}", test_words(test))),
            Some(t) if t.value != test.value => {
                found.push(format!("now {} instead of {}", test_words(t), test_words(test)));
            }
            Some(_) => {}
        }
    }
    let added = now.iter().filter(|t| !was.iter().any(|w| same(w, t)));
    found.extend(added.map(|t| format!("now also {}", test_words(t))));
}
