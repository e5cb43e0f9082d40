//! An entry in words.

use domain::wire::log_entry::{DropRule, HeadRelation, LogEntryBody, LogEvent};

use super::state::reason_words;

/// What happened, without the item and the time: "washed, program 30".
#[must_use]
pub fn did(entry: &LogEntryBody) -> String {
    let (verb, details) = parts(entry);
    if details.is_empty() { verb.to_owned() } else { format!("{verb}, {}", details.join(", ")) }
}

fn parts(entry: &LogEntryBody) -> (&'static str, Vec<String>) {
    let part = || entry.part.iter().map(ToString::to_string).collect::<Vec<_>>();
    match entry.event {
        LogEvent::Use => {
            let mut details: Vec<String> = Vec::new();
            details.extend(entry.worn_h.map(|hours| format!("worn {hours}")));
            details.extend(entry.carried_h.map(|hours| format!("carried {hours}")));
            details.extend(entry.wet_h.map(|hours| format!("{hours} of it wet")));
            details.extend(entry.distance_km.map(|km| km.to_string()));
            ("used", details)
        }
        LogEvent::Wash => {
            let mut details: Vec<String> = Vec::new();
            details.extend(entry.program.as_ref().map(|program| format!("program {program}")));
            details.extend(entry.detergent.as_ref().map(|detergent| format!("with {detergent}")));
            ("washed", details)
        }
        LogEvent::Reproof => {
            ("reproofed", entry.detergent.iter().map(|agent| format!("with {agent}")).collect())
        }
        LogEvent::Repair => ("repaired", part()),
        LogEvent::Inspection => ("inspected", graded(entry, part())),
        LogEvent::SprayTest => ("spray test", graded(entry, part())),
        LogEvent::HeadTest => ("head test", tested(entry)),
        LogEvent::BurnTest => {
            let mut details: Vec<String> = entry.burn_h.iter().map(ToString::to_string).collect();
            details.extend(entry.mode.as_ref().map(|mode| format!("mode {mode}")));
            details.extend(entry.temperature_c.map(|c| c.to_string()));
            ("burn test", details)
        }
        LogEvent::Opened => ("opened", Vec::new()),
        LogEvent::Damage => ("damaged", part()),
        LogEvent::Quarantine => ("quarantined", Vec::new()),
        LogEvent::Clear => ("cleared", Vec::new()),
        LogEvent::Watch => ("put on watch", Vec::new()),
        LogEvent::Retire => {
            ("retired", entry.reason.iter().map(|reason| reason_words(*reason).to_owned()).collect())
        }
        LogEvent::Reinstate => ("reinstated", Vec::new()),
    }
}

fn graded(entry: &LogEntryBody, part: Vec<String>) -> Vec<String> {
    entry.grade.iter().map(|grade| format!("grade {grade} of 5")).chain(part).collect()
}

fn tested(entry: &LogEntryBody) -> Vec<String> {
    let mut details = Vec::new();
    if let Some(head) = entry.head_mm {
        details.push(match entry.relation {
            Some(HeadRelation::AtLeast) => format!("at least {head}"),
            Some(HeadRelation::Below) => format!("below {head}"),
            _ => head.to_string(),
        });
    }
    details.extend(entry.part.as_ref().map(ToString::to_string));
    details.extend(entry.rate_cm_min.map(|rate| format!("{rate} cm/min")));
    details.extend(entry.drops.map(|drops| match drops {
        DropRule::First => "first drop".to_owned(),
        DropRule::Third => "third drop".to_owned(),
    }));
    details.extend(entry.face.map(|face| format!("{} face", face.name())));
    details.extend(entry.places.map(|places| crate::render::count(places, "place")));
    details.extend(entry.rig.map(|rig| rig.name().to_owned()));
    details.extend(entry.temperature_c.map(|c| c.to_string()));
    details
}
