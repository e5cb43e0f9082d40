//! How each change of a loadout ends: what is carried at the start, and the first rule that is not met.

use domain::ids::{ItemId, PocketId};
use domain::kinds::loadout::KIND;
use domain::loadout::{mass, verdicts};
use domain::wire::loadout_answers::{FindingCode, LoadoutFinding, LoadoutMass, LoadoutVerdicts};
use serde_json::{Value, json};

use super::verdicts::{first_open, summary};
use super::{Open, figures, of_record};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Store;
use crate::local::loadouts::Reach;
use crate::render::{count, wrapped};

/// Says what was changed and where that leads.
///
/// # Errors
/// When the store cannot be read.
pub fn changed(
    app: &mut App<'_>,
    store: &mut Store,
    open: &Open,
    words: &[String],
    touched: &[ItemId],
) -> Result<()> {
    let record = store
        .record(open.room.id, &KIND, open.record.id)?
        .ok_or_else(|| Error::internal("the loadout was saved and cannot be found"))?;
    let facts = store.loadout_facts(&open.room, &record, Reach::Lines)?;
    let (masses, judged) = (mass(&facts), verdicts(&facts));
    if app.ui.json {
        let open = of_record(store, open.room.clone(), record)?;
        return app.ui.json(&to_json(&open, &masses, &judged, words));
    }
    for line in words {
        app.ui.say(&wrapped(2, line));
    }
    let pockets: Vec<PocketId> = facts
        .entries
        .iter()
        .filter(|(_, body)| touched.contains(&body.item_id))
        .filter_map(|(_, body)| body.pocket_id)
        .collect();
    for finding in findings(&masses, &judged, touched, &pockets) {
        app.ui.say(&format!("  ! {}", wrapped(4, &finding.text)));
    }
    app.ui.say(&start_line(open.name(), &masses));
    app.ui.say(&wrapped(0, &rules_line(&judged)));
    Ok(())
}

/// What is to be told about the items that were touched. That one is not weighed yet is said with the sum.
fn findings<'f>(
    masses: &'f LoadoutMass,
    judged: &'f LoadoutVerdicts,
    touched: &[ItemId],
    pockets: &[PocketId],
) -> Vec<&'f LoadoutFinding> {
    let mut found: Vec<&LoadoutFinding> = Vec::new();
    let silent = [FindingCode::MassUnknown, FindingCode::MassFromLabel, FindingCode::EnergyUnknown];
    for finding in masses.findings.iter().chain(&judged.findings) {
        let about = match (finding.item_id, finding.pocket_id) {
            (Some(item), _) => touched.contains(&item),
            (None, Some(pocket)) => pockets.contains(&pocket),
            (None, None) => false,
        };
        if about && !silent.contains(&finding.code) && found.iter().all(|known| known.text != finding.text) {
            found.push(finding);
        }
    }
    found
}

/// "carried at the start 3412 +- 12 g".
#[must_use]
pub fn start_line(name: &str, masses: &LoadoutMass) -> String {
    let without = masses.without_mass.len();
    let more = match without {
        0 => String::new(),
        n => format!("; more in fact: {} without a mass", count(n as i64, "item")),
    };
    format!("{name}: carried at the start {}{more}", figures::mass(&masses.carried.start_g))
}

/// The first rule that is not met, else what is not shown yet.
#[must_use]
pub fn rules_line(judged: &LoadoutVerdicts) -> String {
    if judged.rule_sheet.is_none() {
        let why = judged.findings.first().map_or("no rule sheet", |finding| finding.text.as_str());
        return format!("no rule was checked: {why}");
    }
    match first_open(judged) {
        None => format!("{}; seal it on race day: tare loadout seal", summary(&judged.counts)),
        Some(rule) => {
            let verdict = rule.view.verdict.words();
            format!("{}; first {verdict}: {}: {}", summary(&judged.counts), title(rule), rule.view.note)
        }
    }
}

/// A rule by its title, else its id.
#[must_use]
pub fn title(rule: &domain::wire::loadout_answers::RuleVerdict) -> &str {
    if rule.title.trim().is_empty() { &rule.view.rule_id } else { &rule.title }
}

/// A change of a loadout as JSON.
#[must_use]
pub fn to_json(open: &Open, masses: &LoadoutMass, judged: &LoadoutVerdicts, words: &[String]) -> Value {
    json!({
        "loadout": head(open),
        "entries": open.entries.iter().map(entry).collect::<Vec<_>>(),
        "carried_start_g": masses.carried.start_g,
        "without_mass": masses.without_mass,
        "counts": judged.counts,
        "first_not_met": first_open(judged).map(|rule| json!({
            "rule_id": rule.view.rule_id, "title": rule.title, "verdict": rule.view.verdict, "note": rule.view.note,
        })),
        "findings": masses.findings,
        "changed": words,
    })
}

/// A loadout without its lines.
#[must_use]
pub fn head(open: &Open) -> Value {
    let mut document = Value::Object(open.record.to_wire());
    document["state"] = json!(open.state.state);
    document["sealed_at"] = json!(open.state.sealed_at);
    document
}

/// A line as JSON.
#[must_use]
pub fn entry(entry: &crate::local::loadouts::Entry) -> Value {
    let mut document = json!(entry.body);
    document["id"] = json!(entry.id);
    document
}
