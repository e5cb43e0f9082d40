//! Bodies of requests: each the least that is accepted, to be added to.

use serde_json::{Value, json};
use uuid::Uuid;

/// When the tests' readings were taken, unless one says otherwise.
pub const OBSERVED_AT: &str = "2026-03-01T05:10:00.000Z";

/// Adding to a body.
pub trait With {
    /// With a field.
    #[must_use]
    fn with(self, name: &str, value: impl Into<Value>) -> Value;
    /// Without a field.
    #[must_use]
    fn without(self, name: &str) -> Value;
    /// The text in a field.
    fn text(&self, name: &str) -> &str;
    /// The id in the field `id`.
    fn id(&self) -> Uuid;
}

impl With for Value {
    fn with(mut self, name: &str, value: impl Into<Value>) -> Value {
        self[name] = value.into();
        self
    }

    fn without(mut self, name: &str) -> Value {
        if let Value::Object(map) = &mut self {
            map.remove(name);
        }
        self
    }

    #[track_caller]
    fn text(&self, name: &str) -> &str {
        self[name].as_str().unwrap_or_else(|| panic!("no text in {name} of {self}"))
    }

    #[track_caller]
    fn id(&self) -> Uuid {
        Uuid::parse_str(self.text("id")).unwrap_or_else(|error| panic!("{error}: {self}"))
    }
}

/// A new id.
#[must_use]
pub fn new_id() -> Uuid {
    Uuid::now_v7()
}

/// An item.
#[must_use]
pub fn item(name: &str) -> Value {
    json!({"name": name, "kind": "shell_jacket"})
}

/// A scale that reads to 1 g up to 5 kg.
#[must_use]
pub fn scale() -> Value {
    json!({"name": "kitchen scale", "resolution_g": 1, "capacity_g": 5000})
}

/// A sitting at a scale.
#[must_use]
pub fn sitting(scale: Uuid) -> Value {
    json!({"scale_id": scale, "started_at": "2026-03-01T05:00:00.000Z"})
}

/// A reading of a 200 g weight of class M1: its maximum permissible error of 10 mg (OIML R 111-1, table 1) as the
/// half-width of a uniform distribution.
#[must_use]
pub fn check_reading(sitting: Uuid, reading_g: f64) -> Value {
    json!({"sitting_id": sitting, "weight_name": "200 g class M1", "known_g": 200, "known_u_g": 0.006,
        "reading_g": reading_g, "observed_at": OBSERVED_AT})
}

/// A weighing of an item on a scale without a name that reads to 1 g.
#[must_use]
pub fn weighing(item: Uuid, reading_g: f64) -> Value {
    json!({"item_id": item, "resolution_g": 1, "reading_g": reading_g, "observed_at": OBSERVED_AT})
}

/// A weighing of an item in a sitting.
#[must_use]
pub fn weighing_in(sitting: Uuid, item: Uuid, reading_g: f64) -> Value {
    weighing(item, reading_g).without("resolution_g").with("sitting_id", sitting.to_string())
}

/// A pocket of an item.
#[must_use]
pub fn pocket(item: Uuid) -> Value {
    json!({"item_id": item, "name": "front left", "reach": "moving", "volume_ml": 600})
}

/// A use of an item.
#[must_use]
pub fn log_entry(item: Uuid) -> Value {
    json!({"item_id": item, "event": "use", "worn_h": 5.5, "wet_h": 2, "observed_at": OBSERVED_AT})
}

/// A kind of like units.
#[must_use]
pub fn gels(name: &str) -> Value {
    json!({"name": name, "kind": "food", "per_unit": true, "label_mass_g": 40, "energy_kcal": 100})
}

/// Units bought of an item that is a kind of like units.
#[must_use]
pub fn stock_entry(item: Uuid) -> Value {
    json!({"item_id": item, "change": 24, "reason": "bought", "observed_at": OBSERVED_AT})
}

/// A season.
#[must_use]
pub fn season(name: &str) -> Value {
    json!({"name": name, "from_on": "2026-01-01", "to_on": "2026-12-31"})
}

/// A rule sheet that asks for a waterproof shell and a whistle.
#[must_use]
pub fn rule_sheet(name: &str) -> Value {
    json!({"name": name, "edition": "2026", "rules": [
        {"id": "shell", "title": "waterproof jacket", "need": "count", "kinds": ["shell_jacket"],
            "where": [{"attribute": "head_mm", "op": ">=", "value": 10000}]},
        {"id": "whistle", "title": "whistle", "need": "count", "kinds": ["whistle"]}]})
}

/// A race of two legs in the mountains, from the evening into the night.
#[must_use]
pub fn race(name: &str) -> Value {
    json!({"name": name, "starts_at": "2026-08-28T16:00:00.000Z", "time_zone": "Europe/Paris", "legs": [
        {"name": "pass", "distance_km": 21.5, "climb_m": 1400, "descent_m": 900, "expected_h": 4.5,
            "from": {"lat": 45.92, "lon": 6.87}, "to": {"lat": 45.80, "lon": 6.72}, "refill": {"water": true}},
        {"name": "village", "distance_km": 18, "climb_m": 800, "descent_m": 1300, "expected_h": 4,
            "from": {"lat": 45.80, "lon": 6.72}, "to": {"lat": 45.72, "lon": 6.72}}]})
}

/// A loadout without a race.
#[must_use]
pub fn loadout(name: &str) -> Value {
    json!({"name": name, "eat_kcal_per_h": 250, "drink_ml_per_h": 500})
}

/// A line of a loadout.
#[must_use]
pub fn loadout_entry(item: Uuid) -> Value {
    json!({"item_id": item, "carry_place": "stowed"})
}

/// A seal of a loadout with one thing in it.
#[must_use]
pub fn seal(loadout: Uuid) -> Value {
    let start = json!({"value_g": 412, "u_g": 0.5});
    json!({"loadout_id": loadout, "snapshot": {"taken_at": OBSERVED_AT,
        "entries": [{"entry_id": new_id(), "item_id": new_id(), "name": "shell", "kind": "shell_jacket", "quantity": 1,
            "carry_place": "stowed", "unit_mass_g": 412, "unit_mass_u_g": 0.5, "mass_basis": "measured", "mass_n": 3}],
        "carried": {"start_g": start, "max_g": start, "why_absent": "the loadout has no race"},
        "total_start_g": start}})
}
