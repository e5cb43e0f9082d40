//! `tare kit-check`: race morning in the hall, rule by rule, with each thing and its pocket. Lines are only ever appended.

use clap::Args;
use domain::kinds::loadout::KIND;
use domain::loadout::verdicts;
use domain::rules::Verdict;
use domain::sync::op::Action;
use domain::wire::loadout_answers::RuleVerdict;
use serde_json::json;

use crate::app::App;
use crate::commands::loadout::packed::{Packed, reach_words};
use crate::commands::loadout::{open, rule_title, summary, used_words, value_words};
use crate::error::{Error, Result};
use crate::local::Draft;
use crate::local::loadouts::Reach;
use crate::render::{cell, count, wrapped};

/// Which loadout, and what is kept.
#[derive(Debug, Args)]
pub struct KitCheckArgs {
    /// A part of the loadout's name; left out, the current one.
    pub loadout: Option<String>,
    /// Only the rules that are not met, or not shown, on paper.
    #[arg(long)]
    pub open: bool,
    /// Keep how it went as the loadout's note; otherwise nothing is kept.
    #[arg(long)]
    pub keep: bool,
}

/// How the check of one rule ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    Yes,
    No,
    Skipped,
}

impl Shown {
    fn name(self) -> &'static str {
        match self {
            Shown::Yes => "shown",
            Shown::No => "not_shown",
            Shown::Skipped => "skipped",
        }
    }
}

/// Goes through the rules one by one and says at the end what is still not shown.
///
/// # Errors
/// When there is no rule sheet, or nobody is there to answer.
pub fn cmd_kit_check(app: &mut App<'_>, args: &KitCheckArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    if args.keep {
        open.refuse_sealed()?;
    }
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    let judged = verdicts(&facts);
    let Some(sheet) = &judged.rule_sheet else {
        let why = judged.findings.first().map_or("no rule sheet".to_owned(), |finding| finding.text.clone());
        return Err(Error::refused("there is nothing to go through")
            .because(why)
            .hint("give the race its rule sheet: tare race edit RACE --sheet SHEET"));
    };
    if !app.ui.can_ask {
        return Err(Error::usage("nobody is here to answer")
            .hint("for a list: tare loadout verdicts, or tare loadout print"));
    }
    let packed = Packed::of(&store, &open)?;
    let rules: Vec<&RuleVerdict> = judged
        .verdicts
        .iter()
        .filter(|rule| rule.view.verdict != Verdict::NotApplicable)
        .filter(|rule| !args.open || rule.view.verdict != Verdict::Met)
        .collect();
    app.ui.say(&wrapped(0, &format!("{}, {}: {}", open.name(), sheet.name, summary(&judged.counts))));
    app.ui.say("y it was shown   n it was not   s skip   b back   q end");
    let mut answers: Vec<Option<Shown>> = vec![None; rules.len()];
    let mut at = 0;
    while let Some(rule) = rules.get(at) {
        app.ui.say("");
        say_rule(app, rule, (at + 1, rules.len()), &packed);
        match key(app)? {
            Key::End => break,
            Key::Back => at = at.saturating_sub(1),
            Key::Is(shown) => {
                answers[at] = Some(shown);
                at += 1;
            }
        }
    }
    let named = |shown: Option<Shown>| -> Vec<String> {
        let which = rules.iter().zip(&answers).filter(|(_, answer)| **answer == shown);
        which.map(|(rule, _)| cell(rule_title(rule))).collect()
    };
    let end = ending(rules.len(), &named(Some(Shown::No)), &named(Some(Shown::Skipped)), &named(None));
    app.ui.say("");
    if app.ui.json {
        let rules = rules.iter().zip(&answers).map(|(rule, answer)| {
            json!({ "rule_id": rule.view.rule_id, "verdict": rule.view.verdict, "answer": answer.map(Shown::name) })
        });
        app.ui.json(&json!({ "loadout_id": open.record.id, "rules": rules.collect::<Vec<_>>(), "caution": judged.caution }))?;
    } else {
        app.ui.data(&end.iter().map(|line| format!("{}\n", wrapped(2, line))).collect::<String>())?;
        app.ui.data(&format!("\n{}\n", wrapped(0, &judged.caution)))?;
    }
    if args.keep {
        let day = crate::render::long_day(facts.as_of);
        let note = format!("kit check gone through on {day}: {}", end.join("; "));
        let payload = json!({ "notes": note }).as_object().cloned().unwrap_or_default();
        store.act(
            open.room.id,
            &[Draft { kind: &KIND, record_id: open.record.id, action: Action::Patch, payload }],
        )?;
        app.ui.say("kept as the loadout's note");
    }
    Ok(())
}

fn ending(all: usize, not_shown: &[String], skipped: &[String], open: &[String]) -> Vec<String> {
    let shown = all - not_shown.len() - skipped.len() - open.len();
    let mut lines = vec![format!("{shown} of {} shown", count(all as i64, "rule"))];
    let named = [("still not shown", not_shown), ("skipped", skipped), ("not reached", open)];
    for (what, rules) in named.iter().filter(|(_, rules)| !rules.is_empty()) {
        lines.push(format!("{what}: {}", rules.join("; ")));
    }
    lines
}

fn say_rule(app: &mut App<'_>, rule: &RuleVerdict, (at, of): (usize, usize), packed: &Packed) {
    app.ui.say(&wrapped(2, &format!("{at} of {of}: {}", cell(rule_title(rule)))));
    if !rule.wording.trim().is_empty() {
        app.ui.say(&format!("  \"{}\"", wrapped(3, &cell(&rule.wording))));
    }
    for (used, words) in rule.view.used.iter().zip(used_words(rule, packed)) {
        let reach = packed.lines_of(used.item_id).find_map(|line| packed.reach(&line.entry.body));
        let reach = reach
            .filter(|_| words.contains(", in "))
            .map_or(String::new(), |r| format!("; {}", reach_words(r)));
        app.ui.say(&format!("  {}", wrapped(2, &cell(&format!("{words}{reach}")))));
    }
    if let Some(value) = value_words(rule) {
        app.ui.say(&format!("  {}", wrapped(2, &value)));
    }
    if rule.view.verdict != Verdict::Met {
        let words = format!("{}: {}", rule.view.verdict.words(), rule.view.note);
        app.ui.say(&format!("  {}", wrapped(2, &cell(&words))));
    }
}

enum Key {
    Is(Shown),
    Back,
    End,
}

fn key(app: &mut App<'_>) -> Result<Key> {
    loop {
        let Some(answer) = app.ui.ask("> ")? else { return Ok(Key::End) };
        match answer.trim().to_lowercase().as_str() {
            "y" | "yes" => return Ok(Key::Is(Shown::Yes)),
            "n" | "no" => return Ok(Key::Is(Shown::No)),
            "s" | "skip" => return Ok(Key::Is(Shown::Skipped)),
            "b" | "back" => return Ok(Key::Back),
            "q" | "quit" | "end" => return Ok(Key::End),
            _ => app.ui.say("  y, n, s, b or q"),
        }
    }
}
