//! Loadouts for the tests, written as JSON and read the way both ends read them: from stored records.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use domain::loadout::{LoadoutFacts, LoadoutRecords};
use domain::sync::record::Stored;
use domain::wire::mass::ItemMass;
use serde_json::{Value as Json, json};
use uuid::Uuid;

fn uuid(group: u16, place: usize) -> Uuid {
    format!("018f22e2-79b0-7cc3-9{group:03x}-{place:012x}").parse().unwrap()
}

/// The id of an item at a place.
pub fn item(place: usize) -> Uuid {
    uuid(1, place)
}

/// The id of an entry at a place.
pub fn entry(place: usize) -> Uuid {
    uuid(2, place)
}

/// The id of a pocket at a place.
pub fn pocket(place: usize) -> Uuid {
    uuid(3, place)
}

/// The id of the club's kitroom.
pub fn club() -> Uuid {
    uuid(9, 1)
}

pub fn stored(id: Uuid, body: Json) -> Stored {
    let Json::Object(body) = body else { panic!("{body}") };
    Stored {
        id,
        version: 7,
        units: BTreeMap::new(),
        created_by: uuid(8, 0),
        recorded_at: "2026-08-01T00:00:00Z".parse().unwrap(),
        deleted: false,
        voided: None,
        time_suspect: false,
        body,
    }
}

/// A measured mass with an own part only.
pub fn weighed(grams: f64, u: f64) -> Json {
    json!({"mass_g": grams, "mass_u_g": u, "mass_parts": {"own_u_g": u}, "mass_basis": "measured", "mass_n": 1,
        "last_weighed_at": "2026-08-01T08:00:00Z"})
}

/// Records of one loadout. Items carry their `mass` beside their fields; log and stock entries and pockets name the item
/// by place (`item`), entries too (`item`, `pocket`, `inside`).
#[derive(Debug, Clone, Default)]
pub struct Scene {
    pub loadout: Json,
    pub entries: Vec<Json>,
    pub items: Vec<Json>,
    pub log: Vec<Json>,
    pub stock: Vec<Json>,
    pub pockets: Vec<Json>,
    pub race: Option<Json>,
    pub rules: Option<Json>,
    pub member: bool,
    pub as_of: Option<&'static str>,
}

fn named(mut body: Json) -> Json {
    let map = body.as_object_mut().unwrap();
    for (place, field, id) in [
        ("item", "item_id", item as fn(usize) -> Uuid),
        ("pocket", "pocket_id", pocket),
        ("inside", "inside_entry_id", entry),
    ] {
        if let Some(at) = map.remove(place) {
            map.insert(field.into(), json!(id(at.as_u64().unwrap() as usize)));
        }
    }
    body
}

impl Scene {
    pub fn facts(&self) -> LoadoutFacts {
        let mut loadout = self.loadout.clone();
        if loadout.is_null() {
            loadout = json!({});
        }
        loadout["name"] = json!("long one");
        if self.race.is_some() {
            loadout["race_id"] = json!(uuid(4, 0));
        }
        let records = |group: u16, bodies: Vec<Json>| -> Vec<Stored> {
            bodies.into_iter().enumerate().map(|(at, body)| stored(uuid(group, at), named(body))).collect()
        };
        let mut masses = HashMap::new();
        let mut bodies = Vec::new();
        for (at, one) in self.items.iter().enumerate() {
            let mut body = one.clone();
            if let Some(mass) = body.as_object_mut().unwrap().remove("mass") {
                let mass: ItemMass = serde_json::from_value(mass).unwrap();
                masses.insert(item(at), mass);
            }
            bodies.push(body);
        }
        let mut items = records(1, bodies);
        for record in &mut items {
            record.deleted = record.body.remove("deleted") == Some(json!(true));
        }
        let entries = self.entries.iter().map(|one| {
            let mut one = one.clone();
            one["loadout_id"] = json!(uuid(5, 0));
            one
        });
        let entries = records(2, entries.collect());
        let (log, stock) = (records(6, self.log.clone()), records(7, self.stock.clone()));
        let pockets = records(3, self.pockets.clone());
        let race = self.race.clone().map(|mut race| {
            race["name"] = json!("race A");
            if self.rules.is_some() {
                race["rule_sheet_id"] = json!(uuid(10, 0));
            }
            stored(uuid(4, 0), race)
        });
        let sheet = self.rules.clone().map(|rules| {
            stored(uuid(10, 0), json!({"name": "kit of race A", "edition": "2026", "rules": rules}))
        });
        LoadoutRecords {
            loadout: &stored(uuid(5, 0), loadout),
            entries: &entries,
            items: &items,
            masses: &masses,
            log_entries: &log,
            stock_entries: &stock,
            pockets: &pockets,
            race: race.as_ref(),
            sheet: sheet.as_ref(),
            member_of: if self.member {
                BTreeSet::from([club().try_into().unwrap()])
            } else {
                BTreeSet::new()
            },
            as_of: self.as_of.unwrap_or("2026-08-20T08:00:00Z").parse().unwrap(),
        }
        .facts()
        .unwrap()
    }
}

/// Three days in August, without legs.
pub fn race() -> Json {
    json!({"starts_at": "2026-08-28T16:00:00Z", "time_zone": "Europe/Paris", "expected_h": 40})
}

/// A count rule.
pub fn count(id: &str, kinds: &[&str], tests: Json) -> Json {
    json!({"id": id, "title": id, "wording": format!("as the organiser says of {id}"), "need": "count", "kinds": kinds,
        "count": 1, "where": tests})
}
