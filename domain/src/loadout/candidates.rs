//! Items and lines as the rules see them.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;

use super::burn::burn;
use super::head::{When, head};
use super::layout::{Known, Line, NEVER, Thing};
use crate::ids::ItemId;
use crate::rules::attributes::{self, Source};
use crate::rules::{Candidate, Evidence, Fact, Offer, Unfit, Value};
use crate::time::Timestamp;
use crate::time_zone::day;
use crate::wear_history::LogFact;
use crate::wire::item::{AttributeValue, HeadBasis, ItemBody, VapourMethod};
use crate::wire::log_entry::{ItemState, LogEntryBody, LogEvent};
use crate::wire::mass::{ItemMass, MassBasis};

/// When a candidate is judged.
#[derive(Debug, Clone, Copy)]
pub(super) struct Judged<'a> {
    /// What expires before this day does not count.
    pub last_day: NaiveDate,
    /// The time zone of days.
    pub zone: Option<&'a str>,
    /// What was observed by when, and the day of the race.
    pub when: When,
}

/// An item as the rules see it.
pub(super) fn candidate(thing: &Thing<'_>, judged: Judged<'_>) -> Candidate {
    let body = thing.body;
    let mut attributes = fields(body);
    map(body, &mut attributes);
    mass(thing.mass, judged.zone, &mut attributes);
    let checked_at = match thing.known {
        Known::Own(item) => {
            tested(body, &item.log, judged, &mut attributes);
            checked_at(&item.log)
        }
        Known::Seen { seen, .. } => {
            if let Some(head) = &seen.head {
                let high = head.high_mm.unwrap_or(f64::INFINITY);
                put_head(
                    &mut attributes,
                    head.median_mm,
                    (head.low_mm, high),
                    head.evidence,
                    day(head.tested_at, judged.zone),
                );
            }
            if let Some(burn) = &seen.burn {
                put_burn(
                    &mut attributes,
                    burn.burn_h,
                    (burn.low_h, burn.high_h),
                    day(burn.tested_at, judged.zone),
                );
            }
            if let Some(opened) = seen.opened {
                attributes.insert("opened".into(), Fact::new(Value::Bool(opened), Evidence::Declared));
            }
            seen.checked_at
        }
    };
    Candidate {
        item_id: thing.id,
        name: thing.name().to_owned(),
        kind: body.kind,
        also_serves: body.also_serves.clone().unwrap_or_default(),
        conflicts_with: body.conflicts_with.clone().unwrap_or_default(),
        unfit: unfit(thing, judged.last_day),
        stock: if thing.per_unit() {
            thing.stock.map(|stock| u32::try_from(stock.max(0)).unwrap_or(u32::MAX))
        } else {
            Some(1)
        },
        attributes,
        checked_on: checked_at.map(|at| day(at, judged.zone)),
        stale: thing.is_stale(),
    }
}

/// Why an item does not count.
pub(super) fn unfit(thing: &Thing<'_>, last_day: NaiveDate) -> Option<Unfit> {
    match thing.state {
        ItemState::Retired => Some(Unfit::Retired),
        ItemState::Quarantined => Some(Unfit::Quarantined),
        ItemState::Serviceable | ItemState::OnWatch => {
            thing.body.expires_on.filter(|day| *day < last_day).map(|_| Unfit::Expired)
        }
    }
}

/// When somebody last examined an item: an inspection, a test, a repair, or a judgement of its state.
pub(super) fn checked_at(log: &[LogFact]) -> Option<Timestamp> {
    let examined = |entry: &&LogEntryBody| {
        matches!(
            entry.event,
            LogEvent::Inspection
                | LogEvent::SprayTest
                | LogEvent::HeadTest
                | LogEvent::BurnTest
                | LogEvent::Repair
                | LogEvent::Clear
                | LogEvent::Watch
                | LogEvent::Reinstate
        )
    };
    log.iter().map(|fact| &fact.body).filter(examined).map(|entry| entry.observed_at).max()
}

/// Whether the seal of a pack was opened, as far as the log says.
pub(super) fn opened(log: &[LogFact]) -> bool {
    log.iter().any(|fact| fact.body.event == LogEvent::Opened)
}

/// The item's own fields: what a label says, what the owner sees.
fn fields(body: &ItemBody) -> BTreeMap<String, Fact> {
    let mut facts = BTreeMap::new();
    let mut put = |name: &str, value: Value, evidence| {
        facts.insert(name.to_owned(), Fact::new(value, evidence));
    };
    let numbers = [
        ("burn_h", body.burn_h.map(|v| v.value()), Evidence::Label),
        ("capacity_ml", body.capacity_ml.map(|v| v.value()), Evidence::Label),
        ("energy_kcal", body.energy_kcal.map(|v| v.value()), Evidence::Label),
        ("lumens", body.lumens.map(|v| v.value()), Evidence::Label),
        ("volume_ml", body.volume_ml.map(|v| v.value()), Evidence::Declared),
    ];
    for (name, value, evidence) in numbers {
        if let Some(value) = value {
            put(name, Value::Number(value), evidence);
        }
    }
    if let Some(head) = body.head_mm {
        let evidence = match body.head_basis {
            Some(HeadBasis::Label | HeadBasis::Certificate) => Evidence::Label,
            Some(HeadBasis::Declared) | None => Evidence::Declared,
        };
        put("head_mm", Value::Number(head.value()), evidence);
    }
    if let Some(breathability) = &body.breathability {
        let name = match breathability.method {
            VapourMethod::RetIso11092 => Some("ret_m2pa_w"),
            VapourMethod::JisL1099A1 => Some("jis_l1099_a1_g_m2_24h"),
            VapourMethod::JisL1099B1 => Some("jis_l1099_b1_g_m2_24h"),
            VapourMethod::JisL1099B2 => Some("jis_l1099_b2_g_m2_24h"),
            VapourMethod::AstmE96Bw => Some("astm_e96_bw_g_m2_24h"),
            VapourMethod::Other => None,
        };
        if let Some(name) = name {
            put(name, Value::Number(breathability.value), Evidence::Label);
        }
    }
    for (name, value) in [("hood", body.hood), ("seams_taped", body.seams_taped)] {
        if let Some(value) = value {
            put(name, Value::Bool(value), Evidence::Declared);
        }
    }
    for (name, value) in [("acquired_on", body.acquired_on), ("expires_on", body.expires_on)] {
        if let Some(value) = value {
            put(
                name,
                Value::Date(value),
                if name == "expires_on" { Evidence::Label } else { Evidence::Declared },
            );
        }
    }
    if let Some(size) = &body.size {
        put("size", Value::Text(size.as_str().to_owned()), Evidence::Label);
    }
    facts
}

/// The open map: its owner's word.
fn map(body: &ItemBody, facts: &mut BTreeMap<String, Fact>) {
    for (name, value) in body.attributes.iter().flatten() {
        if attributes::find(name).is_none_or(|attribute| attribute.from != Source::Map) {
            continue;
        }
        let json = match value {
            AttributeValue::Bool(value) => serde_json::Value::from(*value),
            AttributeValue::Number(value) => serde_json::Value::from(*value),
            AttributeValue::Text(value) => serde_json::Value::from(value.as_str()),
        };
        if let Some(fact) = Fact::from_map(name, &json, Evidence::Declared) {
            facts.insert(name.clone(), fact);
        }
    }
}

fn mass(mass: &ItemMass, zone: Option<&str>, facts: &mut BTreeMap<String, Fact>) {
    let Some(grams) = mass.mass_g else { return };
    let fact = match (mass.mass_basis, mass.mass_u_g) {
        (MassBasis::Measured, Some(u)) => {
            Fact::with_u(grams, u, Evidence::Measured, mass.last_weighed_at.map(|at| day(at, zone)))
        }
        (MassBasis::Measured, None) => Fact::number(grams, Evidence::Declared),
        _ => Fact::number(grams, Evidence::Label),
    };
    facts.insert("mass_g".into(), fact);
}

/// What the log says beyond the claims.
fn tested(body: &ItemBody, log: &[LogFact], judged: Judged<'_>, facts: &mut BTreeMap<String, Fact>) {
    facts.insert("opened".into(), Fact::new(Value::Bool(opened(log)), Evidence::Declared));
    if log.is_empty() {
        return;
    }
    let zone = judged.zone;
    if let Some(head) = head(body, log, judged.when) {
        put_head(
            facts,
            head.median_mm,
            (head.low_mm, head.high_mm),
            head.evidence,
            day(head.tested_at, zone),
        );
    }
    if let Some(burn) = burn(log) {
        put_burn(facts, burn.burn_h, (burn.low_h, burn.high_h), day(burn.tested_at, zone));
    }
    let spray = log.iter().rev().map(|fact| &fact.body).find(|entry| entry.event == LogEvent::SprayTest);
    if let Some((entry, grade)) = spray.and_then(|entry| Some((entry, entry.grade?))) {
        let on = Some(day(entry.observed_at, zone));
        let fact = Fact { on, ..Fact::number(f64::from(grade), Evidence::Measured) };
        facts.insert("spray_grade".into(), fact);
    }
}

fn put_head(
    facts: &mut BTreeMap<String, Fact>,
    median_mm: f64,
    ends: (f64, f64),
    evidence: Evidence,
    on: NaiveDate,
) {
    let fact = Fact { value: Value::Number(median_mm), interval: Some(ends), evidence, on: Some(on) };
    facts.insert("head_mm".into(), fact);
}

fn put_burn(facts: &mut BTreeMap<String, Fact>, burn_h: f64, ends: (f64, f64), on: NaiveDate) {
    let evidence = Evidence::Measured;
    let fact = Fact { value: Value::Number(burn_h), interval: Some(ends), evidence, on: Some(on) };
    facts.insert("burn_h".into(), fact);
}

/// The candidates of the lines, by item id, and what the lines offer. What has no item and what is never picked up
/// offers nothing.
pub(super) fn offered(lines: &[Line<'_>], judged: Judged<'_>) -> (Vec<Candidate>, Vec<Offer>) {
    let mut things: BTreeMap<ItemId, &Thing<'_>> = BTreeMap::new();
    for thing in lines.iter().filter_map(|line| line.thing.as_ref()) {
        things.insert(thing.id, thing);
    }
    let candidates: Vec<Candidate> = things.values().map(|thing| candidate(thing, judged)).collect();
    let place: HashMap<ItemId, usize> = things.keys().enumerate().map(|(at, id)| (*id, at)).collect();
    let offer = |line: &Line<'_>| {
        let thing = line.thing.as_ref().filter(|_| line.from_leg != NEVER)?;
        Some(Offer {
            quantity: line.units(),
            reserve: line.reserve(),
            from_leg: line.from_leg,
            to_leg: line.to_leg,
            attributes: entry_facts(line),
            ..Offer::new(*place.get(&thing.id)?)
        })
    };
    (candidates, lines.iter().filter_map(offer).collect())
}

fn entry_facts(line: &Line<'_>) -> BTreeMap<String, Fact> {
    let mut facts = BTreeMap::new();
    if let Some(fill) = line.body.fill_ml {
        facts.insert("fill_ml".into(), Fact::number(fill.value(), Evidence::Declared));
    }
    if let Some(dry) = line.dry {
        facts.insert("kept_dry".into(), Fact::new(Value::Bool(dry), Evidence::Declared));
    }
    facts
}
