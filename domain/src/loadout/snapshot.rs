//! What a seal holds.

use super::demanded::{Demanded, demanded};
use super::facts::LoadoutFacts;
use super::layout::{Line, layout};
use super::masses::weigh;
use super::sources::Sources;
use super::verdicts::{Bench, judge};
use crate::provisions::Entry;
use crate::time::Timestamp;
use crate::wire::item::ItemKind;
use crate::wire::mass::MassBasis;
use crate::wire::seal::{Carried, SealedEntry, SealedSheet, SealedVerdict, Snapshot};
use crate::wire::shape::Object;

/// The loadout as it stands, for a seal: its lines with their masses and evidence, what is carried, and the verdicts with
/// the sheet that they are by.
#[must_use]
pub fn snapshot(facts: &LoadoutFacts, taken_at: Timestamp) -> Snapshot {
    let bench = Bench::of(facts);
    let lines = layout(facts);
    let judged = judge(&bench, &lines).0;
    let mut sources = Sources::default();
    let entries: Vec<Entry> = lines.iter().map(|line| sources.entry(line)).collect();
    let mass = weigh(&bench, &lines, &entries, Some(&judged));
    let asked = match &bench.sheet {
        Ok(sheet) => demanded(sheet, &judged.verdicts, &lines),
        Err(_) => vec![Demanded::default(); lines.len()],
    };
    let verdicts = judged.verdicts.iter().map(|verdict| SealedVerdict {
        rule_id: verdict.view.rule_id.clone(),
        verdict: verdict.view.verdict.name().to_owned(),
        note: (!verdict.view.note.is_empty()).then(|| verdict.view.note.clone()),
        more: Object::new(),
    });
    Snapshot {
        taken_at,
        entries: lines.iter().zip(asked).map(|(line, asked)| sealed(line, asked)).collect(),
        carried: Carried {
            start_g: mass.carried.start_g,
            mean_g: mass.carried.mean_g,
            max_g: mass.carried.max_g,
            max_leg: mass.carried.max_leg,
            finish_g: mass.carried.finish_g,
            why_absent: mass.carried.why_absent,
        },
        total_start_g: mass.total_start_g,
        rule_sheet: judged.rule_sheet.as_ref().map(|sheet| SealedSheet {
            id: sheet.id,
            edition: sheet.edition.clone(),
            version: sheet.version,
        }),
        verdicts: verdicts.collect(),
        more: Object::new(),
    }
}

fn sealed(line: &Line<'_>, asked: Demanded) -> SealedEntry {
    let thing = line.thing.as_ref();
    let mass = thing.map(|thing| thing.mass);
    SealedEntry {
        entry_id: line.id,
        item_id: line.body.item_id,
        item_kitroom_id: line.body.item_kitroom_id,
        name: thing.map_or("not here any more", |thing| thing.name()).to_owned(),
        kind: thing.map_or(ItemKind::Other, |thing| thing.body.kind),
        quantity: line.units(),
        carry_place: line.body.carry_place,
        unit_mass_g: mass.and_then(|mass| mass.mass_g),
        unit_mass_u_g: mass.and_then(|mass| mass.mass_u_g),
        mass_basis: mass.map_or(MassBasis::None, |mass| mass.mass_basis),
        mass_n: mass.map_or(0, |mass| mass.mass_n),
        last_weighed_at: mass.and_then(|mass| mass.last_weighed_at),
        fill_ml: line.body.fill_ml.map(|fill| fill.value()),
        reserve: line.reserve(),
        demanded: asked.own > 0.0 || asked.water > 0.0,
        more: Object::new(),
    }
}
