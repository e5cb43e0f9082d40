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
