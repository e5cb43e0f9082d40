//! A kitroom with a race, its sheet and a loadout, to be filled.

use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout, loadout_entry, race, rule_sheet, weighing};
use uuid::Uuid;

pub struct Scene {
    pub kit: Kitroom,
    pub race: Uuid,
    pub loadout: Uuid,
}

impl Scene {
    pub async fn new(app: &TestApp) -> Self {
        Self::with_sheet(app, &rule_sheet("mandatory kit")).await
    }

    pub async fn with_sheet(app: &TestApp, sheet: &Value) -> Self {
        let kit = app.kitroom().await;
        let sheet = kit.keeper.post(&kit.path("rule-sheets"), sheet).await.expect(201).id();
        let body = race("long one").with("rule_sheet_id", sheet.to_string());
        let race = kit.keeper.post(&kit.path("races"), &body).await.expect(201).id();
        let body = loadout("light").with("race_id", race.to_string());
        let loadout = kit.member.post(&kit.path("loadouts"), &body).await.expect(201).id();
        Self { kit, race, loadout }
    }

    /// An item with more fields than its name and its kind.
    pub async fn item(&self, name: &str, kind: &str, more: Value) -> Uuid {
        let mut body = json!({"name": name, "kind": kind});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        self.kit.keeper.post(&self.kit.path("items"), &body).await.expect(201).id()
    }

    pub async fn weigh(&self, item: Uuid, grams: f64, at: &str) {
        let body = weighing(item, grams).with("observed_at", at);
        let _ = self.kit.member.post(&self.kit.path("weighings"), &body).await.expect(201);
    }

    /// A line of the loadout.
    pub async fn put(&self, item: Uuid, more: Value) -> Uuid {
        let mut body = loadout_entry(item);
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let path = self.kit.path(&format!("loadouts/{}/entries", self.loadout));
        self.kit.member.post(&path, &body).await.expect(201).id()
    }

    /// What is computed of the loadout.
    pub async fn of_loadout(&self, what: &str) -> Value {
        let path = self.kit.path(&format!("loadouts/{}/{what}", self.loadout));
        self.kit.viewer.get(&path).await.expect(200)
    }
}

/// The mass in a field.
pub fn grams(value: &Value) -> f64 {
    value["value_g"].as_f64().unwrap_or_else(|| panic!("no mass: {value}"))
}

pub fn assert_close(is: f64, wanted: f64) {
    assert!((is - wanted).abs() < 1e-6 * wanted.abs().max(1.0), "{is} is not {wanted}");
}
