//! The stored masses, kept up to date change by change, are those that the whole kitroom gives when computed at once:
//! the same pure function, two ways of feeding it.

use client_cli::local::{Draft, Store};
use domain::kinds::{self, Kind};
use proptest::prelude::*;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::devices::Device;
use crate::model::Line;
use crate::syncing::sync_well;

/// One step; the numbers choose among what there is.
#[derive(Debug, Clone)]
enum Step {
    Scale { step_g: usize },
    Sitting { scale: usize },
    Check { sitting: usize, off_mg: i64 },
    Weigh { item: usize, sitting: Option<usize>, off_mg: i64, wet: bool, units: u32 },
    Correct { weighing: usize, item: usize, off_mg: i64 },
    CorrectCheck { check: usize, sitting: usize, off_mg: i64 },
    Void { weighing: usize },
    VoidCheck { check: usize },
    Label { item: usize, mass_g: Option<u32> },
    Wait { days: i64 },
}

fn step() -> impl Strategy<Value = Step> {
    let off = -3000..3000_i64;
    prop_oneof![
        1 => (0..3_usize).prop_map(|step_g| Step::Scale { step_g }),
        2 => any::<usize>().prop_map(|scale| Step::Sitting { scale }),
        3 => (any::<usize>(), off.clone()).prop_map(|(sitting, off_mg)| Step::Check { sitting, off_mg }),
        8 => (any::<usize>(), any::<Option<usize>>(), off.clone(), prop::bool::weighted(0.1), 1..4_u32)
            .prop_map(|(item, sitting, off_mg, wet, units)| Step::Weigh { item, sitting, off_mg, wet, units }),
        2 => (any::<usize>(), any::<usize>(), off.clone())
            .prop_map(|(weighing, item, off_mg)| Step::Correct { weighing, item, off_mg }),
        1 => (any::<usize>(), any::<usize>(), off)
            .prop_map(|(check, sitting, off_mg)| Step::CorrectCheck { check, sitting, off_mg }),
        2 => any::<usize>().prop_map(|weighing| Step::Void { weighing }),
        1 => any::<usize>().prop_map(|check| Step::VoidCheck { check }),
        1 => (any::<usize>(), any::<Option<u8>>())
            .prop_map(|(item, mass)| Step::Label { item, mass_g: mass.map(u32::from) }),
        1 => (1..200_i64).prop_map(|days| Step::Wait { days }),
    ]
}

struct Bench<'d> {
    device: &'d Device,
    store: Store,
    room: Uuid,
    items: Vec<Uuid>,
    scales: Vec<Uuid>,
    sittings: Vec<Uuid>,
    weighings: Vec<Uuid>,
    checks: Vec<Uuid>,
}

impl<'d> Bench<'d> {
    fn new(device: &'d Device) -> Self {
        device.run(&["kitroom", "new", "Runner A"]).well();
        let room = device.room().id;
        let mut bench = Self {
            device,
            store: device.store(),
            room,
            items: vec![],
            scales: vec![],
            sittings: vec![],
            weighings: vec![],
            checks: vec![],
        };
        for name in ["shell jacket A", "cup", "vest"] {
            let id = bench.make(&kinds::item::KIND, json!({ "name": name, "kind": "other" }));
            bench.items.push(id);
        }
        bench.step(&Step::Scale { step_g: 1 });
        bench.step(&Step::Sitting { scale: 0 });
        bench
    }

    fn make(&mut self, kind: &'static Kind, body: Value) -> Uuid {
        let id = self.store.new_id();
        self.store.act(self.room, &[Draft::make(kind, id, &body).unwrap()]).unwrap();
        id
    }

    fn reading(at: usize, off_mg: i64) -> f64 {
        ((at as i64 * 100 + 200) * 1000 + off_mg) as f64 / 1000.0
    }

    fn step(&mut self, step: &Step) {
        let now = (self.store.env().clock)();
        let pick = |all: &[Uuid], n: usize| all.get(n % all.len().max(1)).copied();
        match *step {
            Step::Scale { step_g } => {
                let resolution: f64 = [0.1, 1.0, 5.0][step_g];
                let body = json!({ "name": "scale", "resolution_g": resolution });
                let id = self.make(&kinds::scale::KIND, body);
                self.scales.push(id);
            }
            Step::Sitting { scale } => {
                let scale = pick(&self.scales, scale);
                let id = self.make(&kinds::sitting::KIND, json!({ "scale_id": scale, "started_at": now }));
                self.sittings.push(id);
            }
            Step::Check { sitting, off_mg } => {
                let body = json!({
                    "sitting_id": pick(&self.sittings, sitting), "weight_name": "check weight", "known_g": 200,
                    "known_u_g": 0.058, "reading_g": Self::reading(0, off_mg), "observed_at": now,
                });
                let id = self.make(&kinds::check_reading::KIND, body);
                self.checks.push(id);
            }
            Step::Weigh { item, sitting, off_mg, wet, units } => {
                let at = item % self.items.len();
                let mut body = json!({
                    "item_id": self.items[at], "reading_g": Self::reading(at, off_mg) * f64::from(units),
                    "observed_at": now, "units": units,
                });
                match sitting {
                    Some(sitting) => body["sitting_id"] = json!(pick(&self.sittings, sitting)),
                    None => body["scale_id"] = json!(pick(&self.scales, at)),
                }
                if wet {
                    body["wetness"] = json!("wet");
                }
                let id = self.make(&kinds::weighing::KIND, body);
                self.weighings.push(id);
            }
            Step::Correct { weighing, item, off_mg } => {
                let Some(old) = pick(&self.weighings, weighing) else { return };
                let at = item % self.items.len();
                let body = json!({
                    "item_id": self.items[at], "reading_g": Self::reading(at, off_mg), "observed_at": now,
                    "resolution_g": 1, "supersedes_id": old,
                });
                let id = self.make(&kinds::weighing::KIND, body);
                self.weighings.push(id);
            }
            Step::CorrectCheck { check, sitting, off_mg } => {
                let Some(old) = pick(&self.checks, check) else { return };
                let body = json!({
                    "sitting_id": pick(&self.sittings, sitting), "weight_name": "check weight", "known_g": 200,
                    "known_u_g": 0.058, "reading_g": Self::reading(0, off_mg), "observed_at": now,
                    "supersedes_id": old,
                });
                let id = self.make(&kinds::check_reading::KIND, body);
                self.checks.push(id);
            }
            Step::Void { weighing } => self.void(&kinds::weighing::KIND, pick(&self.weighings, weighing)),
            Step::VoidCheck { check } => self.void(&kinds::check_reading::KIND, pick(&self.checks, check)),
            Step::Label { item, mass_g } => {
                let id = self.items[item % self.items.len()];
                let payload = json!({ "label_mass_g": mass_g }).as_object().unwrap().clone();
                let action = domain::sync::op::Action::Patch;
                let draft = Draft { kind: &kinds::item::KIND, record_id: id, action, payload };
                self.store.act(self.room, &[draft]).unwrap();
            }
            Step::Wait { days } => self.device.wait_days(days),
        }
    }

    fn void(&mut self, kind: &'static Kind, id: Option<Uuid>) {
        if let Some(id) = id {
            self.store.act(self.room, &[Draft::void(kind, id, "a slip")]).unwrap();
        }
    }
}

fn lines(store: &Store, room: Uuid) -> Vec<(String, Value)> {
    let items = store.items(room).unwrap();
    items.into_iter().map(|line| (line.name, json!(line.mass))).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn stored_masses_any_history_are_those_of_the_whole_kitroom(
        steps in prop::collection::vec(step(), 1..30),
        page in 1..8_i64,
        cut in 1..12_usize,
    ) {
        let (device, other, line) = (Device::new(), Device::new(), Line::new());
        let mut bench = Bench::new(&device);
        for step in &steps {
            bench.step(step);
            prop_assert_eq!(bench.store.masses_out_of_step(bench.room).unwrap(), Vec::<String>::new());
        }
        let room = bench.room;
        let before = lines(&bench.store, room);
        drop(bench);
        sync_well(&device, &line);
        prop_assert_eq!(&lines(&device.store(), room), &before);

        // Elsewhere it arrives in small pages, and the line is cut once on the way.
        line.model().page = page;
        line.model().faults.pages_left = Some(cut);
        let _ = crate::syncing::sync(&other, &line);
        prop_assert_eq!(other.store().masses_out_of_step(room).unwrap_or_default(), Vec::<String>::new());
        line.model().faults.pages_left = None;
        sync_well(&other, &line);
        prop_assert_eq!(other.store().masses_out_of_step(room).unwrap(), Vec::<String>::new());
        prop_assert_eq!(lines(&other.store(), room), before);
    }
}
