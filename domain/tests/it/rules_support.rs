//! Kits and races for the tests of the rules, written as JSON.

use std::collections::BTreeMap;

use domain::ids::ItemId;
use domain::rules::{
    Bounded, Candidate, Evidence, Fact, Offer, Race, RuleSheet, Unfit, Value, VerdictView, check, parse_json,
};
use serde_json::Value as Json;

/// Items and entries.
#[derive(Debug, Clone, Default)]
pub struct Kit {
    pub candidates: Vec<Candidate>,
    pub offers: Vec<Offer>,
}

/// The id of the item at a place, in the order of places.
pub fn item_id(place: usize) -> ItemId {
    format!("018f22e2-79b0-7cc3-98c4-{place:012x}").parse().unwrap()
}

fn fact(name: &str, json: &Json) -> Fact {
    let Json::Object(map) = json else {
        return Fact::from_map(name, json, Evidence::Label).unwrap_or_else(|| panic!("{name}: {json}"));
    };
    let evidence = serde_json::from_value(map["evidence"].clone()).unwrap();
    let mut fact = Fact::from_map(name, &map["value"], evidence).unwrap();
    let end = |key: &str, open: f64| map.get(key).map(|v| v.as_f64().unwrap_or(open));
    if let (Some(low), Some(high)) = (end("low", f64::NEG_INFINITY), end("high", f64::INFINITY)) {
        fact.interval = Some((low, high));
    }
    fact.on = map.get("on").map(|on| on.as_str().unwrap().parse().unwrap());
    fact
}

fn facts(json: Option<&Json>) -> BTreeMap<String, Fact> {
    let map = json.and_then(Json::as_object).cloned().unwrap_or_default();
    map.iter().map(|(name, value)| (name.clone(), fact(name, value))).collect()
}

/// One item and one entry for each element.
pub fn kit(json: &Json) -> Kit {
    let mut kit = Kit::default();
    for (place, one) in json.as_array().unwrap().iter().enumerate() {
        let name = one["name"].as_str().unwrap();
        let kind = serde_json::from_value(one["kind"].clone()).unwrap();
        let mut candidate = Candidate::new(item_id(place), name, kind);
        candidate.attributes = facts(one.get("attributes"));
        candidate.stale = one["stale"].as_bool().unwrap_or(false);
        candidate.unfit = one["state"].as_str().map(|state| match state {
            "retired" => Unfit::Retired,
            "quarantined" => Unfit::Quarantined,
            "lent_out" => Unfit::LentOut,
            "expired" => Unfit::Expired,
            other => panic!("{other}"),
        });
        candidate.stock = Some(one["stock"].as_u64().unwrap_or(1) as u32);
        candidate.also_serves =
            one.get("also_serves").map(|k| serde_json::from_value(k.clone()).unwrap()).unwrap_or_default();
        if let Some(others) = one.get("conflicts_with") {
            let ids = others.as_array().unwrap().iter().map(|p| item_id(p.as_u64().unwrap() as usize));
            candidate.conflicts_with = ids.collect();
        }
        candidate.checked_on = one["checked_on"].as_str().map(|d| d.parse().unwrap());
        kit.candidates.push(candidate);
        kit.offers.push(Offer {
            quantity: one["quantity"].as_u64().unwrap_or(1) as u32,
            reserve: one["reserve"].as_bool().unwrap_or(false),
            from_leg: one["from_leg"].as_u64().unwrap_or(0) as usize,
            to_leg: one["to_leg"].as_u64().map(|leg| leg as usize),
            by_mate: one["by_mate"].as_bool().unwrap_or(false),
            attributes: facts(one.get("entry")),
            ..Offer::new(place)
        });
    }
    kit
}

/// A race on 28 to 30 August 2026, asked about ten days before, with what the JSON says of it.
pub fn race(json: &[&Json]) -> Race {
    let mut race = Race::unknown("2026-08-18".parse().unwrap());
    race.starts_on = Some("2026-08-28".parse().unwrap());
    race.finish_on = Some("2026-08-30".parse().unwrap());
    race.mates_known = true;
    for (key, value) in json.iter().filter_map(|j| j.as_object()).flatten() {
        match key.as_str() {
            "dark_h" => race.dark_h = value.as_f64().map(Bounded::exact),
            "days" => race.days = value.as_u64().map(|d| d as u32),
            "active_sets" => race.active_sets = serde_json::from_value(value.clone()).unwrap(),
            "legs_dark" => race.legs_dark = serde_json::from_value(value.clone()).unwrap(),
            "mates_known" => race.mates_known = value.as_bool().unwrap(),
            "finish_on" => race.finish_on = value.as_str().map(|d| d.parse().unwrap()),
            other => panic!("{other}"),
        }
    }
    race
}

/// A sheet of those rules, read as a user's text would be.
pub fn sheet(rules: &Json) -> RuleSheet {
    let text = serde_json::json!({"name": "race A", "edition": "2026", "rules": rules}).to_string();
    parse_json(&text).unwrap_or_else(|problems| panic!("{problems:?}"))
}

/// The verdicts of rules on a kit, in a race of which only the days are known.
pub fn judge(rules: Json, items: Json) -> Vec<VerdictView> {
    let kit = kit(&items);
    check(&sheet(&rules), &kit.candidates, &kit.offers, &race(&[])).verdicts
}

/// The number of a fact.
pub fn number(fact: Option<&Fact>) -> Option<f64> {
    match fact?.value {
        Value::Number(n) => Some(n),
        _ => None,
    }
}
