use std::collections::BTreeMap;

use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{
    With, check_reading, item, new_id, scale, sitting, weighing, weighing_in,
};
use system_tests::harness::device::Device;
use system_tests::harness::masses::{mass_fields, masses_of};
use uuid::Uuid;

async fn shown(kit: &Kitroom) -> BTreeMap<String, Value> {
    let page = kit.viewer.get(&format!("{}?limit=500", kit.path("items"))).await.expect(200);
    page["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| (item.text("id").to_owned(), mass_fields(item)))
        .collect()
}

/// A fixed stream of numbers (SplitMix64, Steele et al. 2014), so that a failure can be seen again.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % n as u64) as usize
    }

    fn one<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())]
    }
}

/// A kitroom's things: two scales, a sitting of each and one more, three items.
struct Things {
    items: Vec<Uuid>,
    scales: Vec<Uuid>,
    sittings: Vec<Uuid>,
}

fn begin(device: &mut Device) -> (Things, Vec<Value>) {
    let ids = |n: usize| (0..n).map(|_| new_id()).collect::<Vec<_>>();
    let things = Things { items: ids(3), scales: ids(2), sittings: ids(3) };
    let mut ops = Vec::new();
    for (n, id) in things.items.iter().enumerate() {
        let kind = ["shell_jacket", "soft_flask", "food"][n];
        let body = item("thing").with("kind", kind).with("label_mass_g", 40);
        ops.push(device.op("create", "item", *id, 0, body));
    }
    for (n, id) in things.scales.iter().enumerate() {
        ops.push(device.op("create", "scale", *id, 0, scale().with("resolution_g", [1.0, 0.1][n])));
    }
    for (n, id) in things.sittings.iter().enumerate() {
        ops.push(device.op("create", "sitting", *id, 0, sitting(things.scales[n % 2])));
    }
    (things, ops)
}

#[tokio::test]
async fn push_random_facts_leaves_the_masses_that_a_client_computes_from_a_pull() {
    let app = TestApp::start().await;
    for seed in 1..=3 {
        let kit = app.kitroom().await;
        let mut device = Device::new(&kit.keeper, kit.id);
        let (things, ops) = begin(&mut device);
        device.push(&ops).await;
        let mut random = Numbers(seed);
        let (mut weighings, mut checks): (Vec<Uuid>, Vec<Uuid>) = (Vec::new(), Vec::new());
        for round in 0..20 {
            let mut ops = Vec::new();
            for _ in 0..=random.below(6) {
                let fact = new_id();
                let of = random.one(&things.items);
                let day = 1 + random.below(28);
                let at = format!("202{}-0{}-{day:02}T05:10:00Z", 5 + random.below(2), 1 + random.below(9));
                let reading = 40.0 + random.below(12) as f64 / 10.0;
                let mut weighed = match random.below(3) {
                    0 => weighing(of, reading),
                    1 => weighing(of, reading)
                        .without("resolution_g")
                        .with("scale_id", random.one(&things.scales).to_string()),
                    _ => weighing_in(random.one(&things.sittings), of, reading),
                };
                weighed["observed_at"] = at.into();
                ops.push(match random.below(12) {
                    0..6 => {
                        for (field, value) in [("wetness", "damp"), ("fill", "full")] {
                            if random.below(6) == 0 {
                                weighed[field] = value.into();
                            }
                        }
                        if !weighings.is_empty() && random.below(4) == 0 {
                            weighed["supersedes_id"] = random.one(&weighings).to_string().into();
                        }
                        weighings.push(fact);
                        device.op("append", "weighing", fact, 0, weighed)
                    }
                    6..9 => {
                        let mut check = check_reading(
                            random.one(&things.sittings),
                            200.0 + random.below(20) as f64 / 10.0,
                        );
                        if !checks.is_empty() && random.below(4) == 0 {
                            check["supersedes_id"] = random.one(&checks).to_string().into();
                        }
                        checks.push(fact);
                        device.op("append", "check_reading", fact, 0, check)
                    }
                    9 if !weighings.is_empty() => {
                        device.op("void", "weighing", random.one(&weighings), 0, json!({"reason": "x"}))
                    }
                    10 if !checks.is_empty() => {
                        device.op("void", "check_reading", random.one(&checks), 0, json!({"reason": "x"}))
                    }
                    _ => device.op("patch", "item", of, 0, json!({"label_mass_g": 40 + random.below(3)})),
                });
            }
            let results = device.push(&ops).await;
            assert!(results.iter().all(|result| result["status"] != "rejected"), "{results:?}");
            let (changes, _) = device.pull(2000).await;
            assert_eq!(shown(&kit).await, masses_of(&changes), "seed {seed}, round {round}: {ops:?}");
        }
    }
}

#[tokio::test]
async fn push_facts_in_any_order_gives_the_same_masses() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let (things, setup) = begin(&mut device);
    let mut facts = Vec::new();
    for n in 0..4 {
        facts.push(device.op(
            "append",
            "weighing",
            new_id(),
            0,
            weighing_in(things.sittings[0], things.items[0], 412.0 + f64::from(n % 2)),
        ));
        facts.push(device.op(
            "append",
            "check_reading",
            new_id(),
            0,
            check_reading(things.sittings[0], 200.0 + f64::from(n)),
        ));
    }
    let orders: [Vec<usize>; 4] = [
        (0..8).collect(),
        (0..8).rev().collect(),
        vec![0, 2, 4, 6, 1, 3, 5, 7],
        vec![1, 3, 5, 7, 0, 2, 4, 6],
    ];
    let mut found = Vec::new();
    for order in orders {
        // The same ops, each in a push of its own, in a kitroom of their own.
        let kit = app.kitroom().await;
        let mut device = Device::new(&kit.keeper, kit.id);
        device.push(&setup).await;
        device.last_op_no = setup.len() as i64;
        for at in order {
            device.last_op_no += 1;
            let op = facts[at].clone().with("op_no", device.last_op_no);
            device.push(&[op]).await;
        }
        found.push(shown(&kit).await);
    }
    for other in &found[1..] {
        assert_eq!(other, &found[0]);
    }
    assert_eq!(found[0][&things.items[0].to_string()]["mass_n"], 4);
}
