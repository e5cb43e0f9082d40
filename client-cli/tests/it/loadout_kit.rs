//! A runner's kit, a race and its rules, for the tests of loadouts. All of it is invented.

use std::path::PathBuf;

use crate::devices::Device;

/// The rules of the invented race.
pub const SHEET: &str = r#"
name = "Race A"
edition = "2026"

[[rules]]
id = "shell"
title = "Waterproof jacket"
wording = "A jacket with at least 10,000 mm, taped seams and a hood."
need = "count"
kinds = ["shell_jacket"]
count = 1
where = [
  { attribute = "head_mm", op = ">=", value = 10000 },
  { attribute = "seams_taped", op = "=", value = true },
  { attribute = "hood", op = "=", value = true },
]

[[rules]]
id = "gloves"
title = "Gloves"
wording = "One pair of gloves."
need = "count"
kinds = ["gloves"]
count = 1

[[rules]]
id = "lamp"
title = "Head lamp"
wording = "A head lamp of at least 200 lumens."
need = "count"
kinds = ["head_lamp"]
count = 1
where = [{ attribute = "lumens", op = ">=", value = 200 }]

[[rules]]
id = "food"
title = "Food in reserve"
wording = "400 kcal, kept to the finish."
need = "total"
scope = "at_all_times"
kinds = ["food"]
measure = "energy_kcal"
at_least = 400
reserve = true

[[rules]]
id = "goggles"
title = "Goggles"
need = "count"
when = "cold"
kinds = ["other"]
count = 1
where = [{ attribute = "thing", op = "=", value = "goggles" }]
"#;

/// The race, three days after the devices' clocks start.
pub const RACE: &str = r#"
name = "Race A 2026"
time_zone = "Europe/Paris"
starts_at = 2026-03-04T06:00:00
rule_sheet = "Race A"

[[legs]]
name = "Hut"
distance_km = 20
climb_m = 1200
expected_h = 4
refill = { water = true }
from = { lat = 45.9, lon = 6.9 }
to = { lat = 46.0, lon = 7.0 }

[[legs]]
name = "Finish"
distance_km = 30
climb_m = 1500
expected_h = 6
from = { lat = 46.0, lon = 7.0 }
to = { lat = 45.9, lon = 6.9 }
"#;

/// Checks that a text holds each part.
#[track_caller]
pub fn has(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "{part:?} is not in:\n{text}");
    }
}

impl Device {
    /// Writes a file beside the device's folder.
    pub fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.home().parent().unwrap().join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    /// A device with kit, a vest with pockets, a race with its sheet; no loadout yet.
    pub fn with_race() -> Self {
        let device = Self::with_kit();
        let shell =
            ["--head-mm", "20000", "--head-basis", "label", "--seams-taped", "true", "--hood", "true"];
        device.run(&[&["item", "edit", "shell jacket A", "--volume-ml", "700"][..], &shell].concat()).well();
        device.run(&["item", "edit", "gloves", "--volume-ml", "200"]).well();
        device.run(&["item", "edit", "cup", "--volume-ml", "50"]).well();
        for (name, reading, fields) in [
            ("vest", "280", &["--capacity-ml", "8000"][..]),
            ("head lamp", "90", &["--lumens", "300", "--burn-h", "8", "--volume-ml", "150"]),
            (
                "heavy shell",
                "520",
                &["--head-mm", "20000", "--seams-taped", "true", "--hood", "true", "--volume-ml", "900"],
            ),
            ("soft flask", "40", &["--capacity-ml", "500", "--volume-ml", "500"]),
            ("gel", "45", &["--per-unit", "--energy-kcal", "100", "--volume-ml", "40"]),
        ] {
            device.run(&["weigh", name, reading, "--new"]).well();
            device.run(&[&["item", "edit", name][..], fields].concat()).well();
        }
        device.run(&["stock", "count", "20 gel"]).well();
        for (pocket, reach, volume) in [("front-left", "moving", "1000"), ("back", "vest_off", "6000")] {
            device.run(&["item", "pocket", "vest", pocket, "--reach", reach, "--volume-ml", volume]).well();
        }
        let sheet = device.file("sheet.toml", SHEET);
        device.run(&["sheet", "import", sheet.to_str().unwrap()]).well();
        let race = device.file("race.toml", RACE);
        device.run(&["race", "add", race.to_str().unwrap()]).well();
        device
    }

    /// The same with a loadout that meets every rule.
    pub fn with_loadout() -> Self {
        let device = Self::with_race();
        device.run(&["loadout", "new", "Race A", "--eat", "200", "--drink", "400"]).well();
        device
            .run(&["loadout", "put", "vest @body, shell jacket @back, gloves @front-left, head lamp @back"])
            .well();
        device.run(&["loadout", "put", "soft flask @front-left", "--fill", "500"]).well();
        device.run(&["loadout", "put", "4 gel @back", "--reserve"]).well();
        device.run(&["loadout", "put", "6 gel @front-left", "--reserve=false"]).well();
        device
    }
}
