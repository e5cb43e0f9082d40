//! `tare loadout verdicts`.

use domain::loadout::verdicts;
use domain::rules::words::{ranged, with_unit};
use domain::rules::{Evidence, Verdict};
use domain::wire::loadout_answers::{LoadoutVerdicts, RuleVerdict, VerdictCounts};
use serde_json::json;

use super::after::{head, title};
use super::packed::{Line, Packed, counted};
use super::{LoadoutVerdictsArgs, open};
use crate::app::App;
use crate::error::Result;
use crate::local::loadouts::Reach;
use crate::render::{cell, count, wrapped};

/// Shows the verdict on each rule with what it rests on, and the caution.
///
/// # Errors
/// When no loadout or more than one matches.
pub fn cmd_loadout_verdicts(app: &mut App<'_>, args: &LoadoutVerdictsArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    let judged = verdicts(&facts);
    if app.ui.json {
        let mut document = json!(judged);
        document["loadout"] = head(&open);
        return app.ui.json(&document);
    }
    let packed = Packed::of(&store, &open)?;
    let mut text = heading(open.name(), &judged);
    for (at, rule) in judged.verdicts.iter().enumerate() {
        if args.open && !is_open(rule) {
            continue;
        }
        text.push('\n');
        text.push_str(&rule_lines(at + 1, rule, &packed));
    }
    for finding in &judged.findings {
        text.push_str(&format!("\n! {}\n", wrapped(2, &finding.text)));
    }
    text.push_str(&format!("\n{}\n", wrapped(0, &judged.caution)));
    app.ui.data(&text)
}

/// Whose verdicts, by which sheet, and how many of each.
#[must_use]
pub fn heading(name: &str, judged: &LoadoutVerdicts) -> String {
    match &judged.rule_sheet {
        None => format!("{name}: no rule was checked\n"),
        Some(sheet) => {
            let edition = sheet.edition.as_ref().map_or(String::new(), |edition| format!(", {edition}"));
            let line = format!("{name} by {}{edition}: {}", sheet.name, summary(&judged.counts));
            format!("{}\n", wrapped(0, &line))
        }
    }
}

/// "21 met, 1 not met, 1 not shown".
#[must_use]
pub fn summary(counts: &VerdictCounts) -> String {
    let parts = [
        (counts.met, "met"),
        (counts.not_met, "not met"),
        (counts.not_shown, "not shown"),
        (counts.not_applicable, "not applicable"),
    ];
    let said: Vec<String> =
        parts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
    let all = counts.met + counts.not_met + counts.not_shown + counts.not_applicable;
    match said.as_slice() {
        [] => "no rules".to_owned(),
        [one] if counts.met == all => format!("every rule is met ({one})"),
        said => format!("of {}: {}", count(all, "rule"), said.join(", ")),
    }
}

fn is_open(rule: &RuleVerdict) -> bool {
    matches!(rule.view.verdict, Verdict::NotMet | Verdict::NotShown)
}

/// The first rule that is not met, else the first that is not shown.
#[must_use]
pub fn first_open(judged: &LoadoutVerdicts) -> Option<&RuleVerdict> {
    let first = |verdict| judged.verdicts.iter().find(|rule| rule.view.verdict == verdict);
    first(Verdict::NotMet).or_else(|| first(Verdict::NotShown))
}

/// A rule with its verdict, the items behind it and where they are, value and limit, evidence, and the note.
#[must_use]
pub fn rule_lines(place: usize, rule: &RuleVerdict, packed: &Packed) -> String {
    let view = &rule.view;
    let mut text = format!("{:<14} {place:>2}  {}\n", view.verdict.words(), wrapped(19, &cell(title(rule))));
    let mut line = |words: &str| text.push_str(&format!("{:19}{}\n", "", wrapped(19, words)));
    let used = used_words(rule, packed);
    if !used.is_empty() {
        line(&used.join("; "));
    }
    if let Some(words) = value_words(rule) {
        line(&words);
    }
    if !view.note.is_empty() && !names_only(rule, packed) {
        line(&view.note);
    }
    text
}

/// The items that serve a rule, each with where it is: "shell, in back", "4 gel: 4 in back, 6 in front-left".
#[must_use]
pub fn used_words(rule: &RuleVerdict, packed: &Packed) -> Vec<String> {
    rule.view
        .used
        .iter()
        .map(|used| {
            let name = packed.name_of(used.item_id).unwrap_or("an item that is not here");
            let name = counted(used.quantity, name);
            let lines: Vec<_> = packed.lines_of(used.item_id).collect();
            match lines.as_slice() {
                [] => name,
                [line] => format!("{name}, {}", packed.whereabouts(&line.entry.body)),
                several => {
                    let place = |line: &&Line| {
                        let body = &line.entry.body;
                        let kept = if body.reserve == Some(true) { ", kept to the finish" } else { "" };
                        format!("{} {}{kept}", body.units(), packed.whereabouts(body))
                    };
                    format!("{name}: {}", several.iter().map(place).collect::<Vec<_>>().join("; "))
                }
            }
        })
        .collect()
}

/// Whether a note says no more than which item serves the rule.
fn names_only(rule: &RuleVerdict, packed: &Packed) -> bool {
    let name =
        |used: &domain::rules::Used| format!("\"{}\"", packed.name_of(used.item_id).unwrap_or_default());
    let names: Vec<String> = rule.view.used.iter().map(name).collect();
    rule.view.verdict == Verdict::Met && rule.view.note.trim() == names.join(", ")
}

/// Value, limit and evidence: "14,200 mm, limit 10,000 mm (measured)".
#[must_use]
pub fn value_words(rule: &RuleVerdict) -> Option<String> {
    let view = &rule.view;
    let unit = view.unit.as_deref().unwrap_or_default();
    let evidence = match view.evidence {
        Evidence::None => String::new(),
        evidence => format!(" ({})", evidence.name()),
    };
    let (value, limit) = (view.value?, view.limit);
    // A bare count of things says no more than the things themselves.
    if ["", "units"].contains(&unit) && view.low.is_none() && limit.is_none_or(|limit| limit <= value) {
        return (!evidence.is_empty()).then(|| format!("evidence: {}", view.evidence.name()));
    }
    let mut words = with_unit(value, unit);
    if let (Some(low), Some(high)) = (view.low, view.high)
        && high > low
        && high.is_finite()
    {
        words = ranged(value, low, high, unit);
    }
    if let Some(limit) = limit {
        words.push_str(&format!(", limit {}", with_unit(limit, unit)));
    }
    words.push_str(&evidence);
    Some(words)
}
