//! `tare loadout compare`.

use domain::loadout::compare;
use domain::rules::Verdict;
use domain::wire::loadout_answers::ComparisonLine;
use serde_json::json;

use super::{LoadoutCompareArgs, figures, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::loadouts::Reach;
use crate::render::{cell, table, wrapped};

/// Shows what differs: masses, things, verdicts.
///
/// # Errors
/// When a loadout is not clear, or both are the same.
pub fn cmd_loadout_compare(app: &mut App<'_>, args: &LoadoutCompareArgs) -> Result<()> {
    let mut store = app.store()?;
    let from = open(app, &store, Some(&args.from))?;
    let to = open(app, &store, args.to.as_deref())?;
    if from.record.id == to.record.id {
        return Err(Error::usage(format!("{} cannot be compared with itself", from.name()))
            .hint("name two: tare loadout compare A B; see: tare loadout list"));
    }
    let before = store.loadout_facts(&from.room, &from.record, Reach::Lines)?;
    let after = store.loadout_facts(&to.room, &to.record, Reach::Lines)?;
    let comparison = compare(&before, &after);
    if app.ui.json {
        return app.ui.json(&json!(comparison));
    }
    let (a, b) = (&comparison.from, &comparison.to);
    let mut text =
        format!("{}\n\n", wrapped(0, &format!("from {} to {}, with the masses of today", a.name, b.name)));
    let masses = [
        ("carried at the start", &a.carried_start_g, &b.carried_start_g, &comparison.carried_change_g),
        ("with what is worn", &a.total_start_g, &b.total_start_g, &comparison.total_change_g),
    ];
    let rows: Vec<Vec<String>> = masses
        .iter()
        .map(|(what, a, b, change)| {
            vec![(*what).to_owned(), figures::column(a), figures::column(b), signed(change)]
        })
        .collect();
    text.push_str(&table(&["", "from", "to", "change"], &rows));
    text.push('\n');
    if comparison.lines.is_empty() {
        text.push_str("the same things in both\n");
    } else {
        let rows: Vec<Vec<String>> = comparison.lines.iter().map(line).collect();
        text.push_str(&table(&["what", "from", "to", "change"], &rows));
    }
    if !comparison.verdicts.is_empty() {
        let words = |verdict: Option<Verdict>| verdict.map_or("no such rule", Verdict::words).to_owned();
        let rows: Vec<Vec<String>> = comparison
            .verdicts
            .iter()
            .map(|verdict| {
                let title = if verdict.title.is_empty() { &verdict.rule_id } else { &verdict.title };
                vec![cell(title), words(verdict.from), words(verdict.to)]
            })
            .collect();
        text.push('\n');
        text.push_str(&table(&["rule", "from", "to"], &rows));
        text.push_str(&format!("\n{}\n", wrapped(0, domain::rules::CAUTION)));
    }
    app.ui.data(&text)
}

fn signed(change: &domain::wire::seal::MassWithU) -> String {
    let sign = if change.value_g > 0.0 { "+" } else { "" };
    format!("{sign}{}", figures::column(change))
}

fn line(line: &ComparisonLine) -> Vec<String> {
    let units = |n: u32| if n == 0 { "-".to_owned() } else { n.to_string() };
    let change = match line.change_g {
        Some(grams) if grams > 0.0 => format!("+{} g", figures::rounded(grams)),
        Some(grams) => format!("{} g", figures::rounded(grams)),
        None => "not known".to_owned(),
    };
    vec![cell(&line.name), units(line.from_quantity), units(line.to_quantity), change]
}
