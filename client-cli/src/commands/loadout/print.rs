//! `tare loadout print`: a plain sheet for the desk of the kit check.

use std::fs;
use std::path::Path;

use domain::loadout::{LoadoutFacts, mass, verdicts};
use domain::wire::loadout_answers::{LoadoutMass, LoadoutVerdicts, RuleVerdict};
use serde_json::json;

use super::after::{head, title};
use super::packed::{Packed, reach_words};
use super::verdicts::{summary, used_words, value_words};
use super::{LoadoutPrintArgs, Open, figures, html, open, show};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Store;
use crate::local::loadouts::Reach;
use crate::render::{cell, long_day, wrapped, wrapped_lines};

/// Columns of a line.
const WIDTH: usize = 80;

/// What a sheet says, however it is printed.
pub struct Sheet {
    /// Whose, for which race, when.
    pub title: Vec<String>,
    /// Each rule: number, title, wording, what shows it, where, verdict.
    pub rules: Vec<SheetRule>,
    /// Masses, each with its name.
    pub masses: Vec<(String, String)>,
    /// What else is in it: no rule counts on it.
    pub besides: Vec<String>,
    /// What must stand beside it.
    pub caution: String,
}

/// One rule of a sheet.
pub struct SheetRule {
    /// A few words.
    pub title: String,
    /// As the organiser wrote it.
    pub wording: String,
    /// The items, each with where it is.
    pub used: Vec<String>,
    /// Value, limit, evidence.
    pub value: Option<String>,
    /// The verdict.
    pub verdict: &'static str,
    /// What a person reads about a rule that is not met.
    pub note: String,
}

/// Prints it.
///
/// # Errors
/// When no loadout or more than one matches, or the file cannot be written.
pub fn cmd_loadout_print(app: &mut App<'_>, args: &LoadoutPrintArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    let packed = Packed::of(&store, &open)?;
    let (masses, judged) = (mass(&facts), verdicts(&facts));
    let sheet = sheet(&store, &open, &facts, &packed, &masses, &judged)?;
    if let Some(file) = &args.html {
        write(file, &html::page(&sheet))?;
        return app.done(
            &format!("written to {}", file.display()),
            || json!({ "file": file.display().to_string() }),
        );
    }
    if app.ui.json {
        return app.ui.json(&json!({ "loadout": head(&open), "mass": masses, "verdicts": judged }));
    }
    app.ui.data(&text(&sheet))
}

fn write(file: &Path, page: &str) -> Result<()> {
    fs::write(file, page).map_err(|error| {
        Error::refused(format!("{} cannot be written", file.display()))
            .because(error)
            .hint("name another file")
    })
}

fn sheet(
    store: &Store,
    open: &Open,
    facts: &LoadoutFacts,
    packed: &Packed,
    masses: &LoadoutMass,
    judged: &LoadoutVerdicts,
) -> Result<Sheet> {
    let mut title: Vec<String> = vec![format!("Kit of {}", open.room.name)];
    title.extend(show::heading(store, open)?.lines().next().map(str::to_owned));
    if let Some(sheet) = &judged.rule_sheet {
        let edition = sheet.edition.as_ref().map_or(String::new(), |edition| format!(", {edition}"));
        title.push(format!("by {}{edition}: {}", sheet.name, summary(&judged.counts)));
    }
    title.push(format!("printed {}", long_day(facts.as_of)));
    let used: Vec<_> =
        judged.verdicts.iter().flat_map(|rule| &rule.view.used).map(|used| used.item_id).collect();
    let besides = packed
        .lines
        .iter()
        .filter(|line| !used.contains(&line.entry.body.item_id))
        .map(|line| format!("{}, {}", line.counted(), packed.whereabouts(&line.entry.body)))
        .collect();
    let mut lines = vec![
        ("carried at the start".to_owned(), figures::mass(&masses.carried.start_g)),
        ("with what is worn".to_owned(), figures::mass(&masses.total_start_g)),
    ];
    if !masses.without_mass.is_empty() {
        lines.push((
            "without a mass".to_owned(),
            crate::render::count(masses.without_mass.len() as i64, "item"),
        ));
    }
    Ok(Sheet {
        title,
        rules: judged.verdicts.iter().map(|rule| rule_of(rule, packed)).collect(),
        masses: lines,
        besides,
        caution: judged.caution.clone(),
    })
}

fn rule_of(rule: &RuleVerdict, packed: &Packed) -> SheetRule {
    let used = rule.view.used.iter().zip(used_words(rule, packed)).map(|(used, words)| {
        let reach = packed.lines_of(used.item_id).find_map(|line| packed.reach(&line.entry.body));
        // On the body and in the hand go without saying.
        match reach.filter(|_| words.contains(", in ") && !words.ends_with("in the hand")) {
            Some(reach) => format!("{words} ({})", reach_words(reach)),
            None => words,
        }
    });
    SheetRule {
        title: title(rule).to_owned(),
        wording: rule.wording.clone(),
        used: used.collect(),
        value: value_words(rule),
        verdict: rule.view.verdict.words(),
        note: rule.view.note.clone(),
    }
}

/// As plain text: a box to tick for each rule.
fn text(sheet: &Sheet) -> String {
    let mut text = String::new();
    for line in &sheet.title {
        text.push_str(&format!("{}\n", wrapped(0, &cell(line))));
    }
    text.push_str(&format!("{}\n", "-".repeat(WIDTH)));
    for (at, rule) in sheet.rules.iter().enumerate() {
        let heads = wrapped_lines(WIDTH - 24, &cell(&rule.title));
        for (line, head) in heads.iter().enumerate() {
            text.push_str(&match line {
                0 => format!("[ ] {:>2}  {head:<57}{}\n", at + 1, rule.verdict),
                _ => format!("        {head}\n"),
            });
        }
        let mut say = |words: &str| text.push_str(&format!("        {}\n", wrapped(8, &cell(words))));
        rule.used.iter().for_each(|used| say(used));
        if let Some(value) = &rule.value {
            say(value);
        }
        if rule.verdict != "MET" && !rule.note.is_empty() {
            say(&rule.note);
        }
    }
    text.push_str(&format!("{}\n", "-".repeat(WIDTH)));
    if !sheet.besides.is_empty() {
        text.push_str(&format!("besides: {}\n", wrapped(9, &cell(&sheet.besides.join("; ")))));
    }
    for (name, mass) in &sheet.masses {
        text.push_str(&format!("{name}: {mass}\n"));
    }
    text.push_str(&format!("\n{}\n", wrapped(0, &sheet.caution)));
    text
}
