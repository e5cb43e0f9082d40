//! `tare sheet show`.

use domain::kinds::rule_sheet::KIND;
use domain::rules::words::{name_of, need_words, scope_words};
use domain::rules::{Need, Rule};
use serde_json::Value;

use super::{SheetShowArgs, body};
use crate::app::App;
use crate::error::Result;
use crate::local::named;
use crate::render::{cell, count, wrapped};

/// Shows each rule: what it asks for in words, and the organiser's own wording, which alone counts.
///
/// # Errors
/// When no sheet or more than one matches.
pub fn cmd_sheet_show(app: &mut App<'_>, args: &SheetShowArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let record = app.named_or_only(&store, room.id, &KIND, args.sheet.as_deref())?;
    if app.ui.json {
        return app.ui.json(&Value::Object(record.to_wire()));
    }
    let sheet = body(&record)?;
    let mut text = format!("{}: {}\n", named::label(&record), count(sheet.rules.len() as i64, "rule"));
    if let Some(from) = &sheet.copied_from {
        let whose = store.kitroom(from.kitroom_id).map_or("another kitroom".to_owned(), |room| room.name);
        text.push_str(&format!("copied from {whose} on {}\n", crate::render::long_day(from.at)));
    }
    if let Some(notes) = &sheet.notes {
        text.push_str(&format!("{}\n", wrapped(0, notes.as_str())));
    }
    for (at, rule) in sheet.rules.iter().enumerate() {
        text.push('\n');
        lines(rule, at + 1, &mut text);
    }
    text.push_str("\nThe organiser's wording alone counts.\n");
    app.ui.data(&text)
}

fn lines(rule: &Rule, number: usize, text: &mut String) {
    let scope = scope_words(rule);
    let when = if scope.is_empty() { String::new() } else { format!(" ({scope})") };
    text.push_str(&format!("{number:>3}  {}{when}\n", cell(name_of(rule))));
    match &rule.need {
        Need::AnyOf { options } => {
            text.push_str("     one of:\n");
            for option in options {
                let words: Vec<String> = option.iter().map(|rule| need_words(&rule.need)).collect();
                text.push_str(&format!("     - {}\n", wrapped(7, &words.join(" and "))));
            }
        }
        need => text.push_str(&format!("     {}\n", wrapped(5, &need_words(need)))),
    }
    let mut terms = Vec::new();
    if let Some(days) = rule.max_age_d {
        terms.push(format!("evidence at most {days} days old"));
    }
    if let Some(wanted) = rule.evidence_wanted {
        terms.push(format!("evidence at least: {}", wanted.name()));
    }
    if rule.shareable {
        terms.push("may be served by what serves another rule".to_owned());
    }
    if !terms.is_empty() {
        text.push_str(&format!("     {}\n", wrapped(5, &terms.join("; "))));
    }
    if !rule.wording.trim().is_empty() {
        text.push_str(&format!("     \"{}\"\n", wrapped(6, &cell(&rule.wording))));
    }
}
