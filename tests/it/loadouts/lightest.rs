use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::device::{Device, statuses};
use uuid::Uuid;

use super::scene::Scene;

/// Item fields of the check instances that are fields of an item; the others are attributes.
const FIELDS: &[&str] = &["head_mm", "seams_taped", "hood", "lumens", "burn_h", "capacity_ml", "energy_kcal"];
/// Those that are true or false; the instances write 1 and 0.
const BOOLEAN: &[&str] = &["seams_taped", "hood"];

fn value_of(attribute: &str, value: &Value) -> Value {
    if BOOLEAN.contains(&attribute) { (value == 1).into() } else { value.clone() }
}

/// An item of an instance as the service takes it.
fn item(instance: &Value, kind: &str, also: &[String], rename: impl Fn(&str) -> String) -> Value {
    let volume = instance.get("volume_ml").or(instance.get("vol")).cloned().unwrap();
    let mass = instance.get("mass_g").or(instance.get("mass")).cloned().unwrap();
    let mut body = json!({"name": instance["id"], "kind": kind, "label_mass_g": mass, "volume_ml": volume});
    if let Some(reach) = instance.get("reach_needed") {
        body["reach_needed"] = reach.clone();
    }
    if !also.is_empty() {
        body["also_serves"] = json!(also);
    }
    for (name, value) in instance["attrs"].as_object().unwrap() {
        let name = rename(name);
        let value = value_of(&name, value);
        if FIELDS.contains(&name.as_str()) {
            body[&name] = value;
        } else {
            body["attributes"][&name] = value;
        }
    }
    body
}

async fn push(scene: &Scene, records: Vec<(&str, Uuid, Value)>) {
    let mut device = Device::new(&scene.kit.keeper, scene.kit.id);
    let ops: Vec<Value> =
        records.into_iter().map(|(kind, id, body)| device.op("create", kind, id, 0, body)).collect();
    let results = device.push(&ops).await;
    assert!(statuses(&results).iter().all(|status| *status == "applied"), "{results:?}");
}

async fn lightest(scene: &Scene, body: &Value) -> Value {
    let path = scene.kit.path(&format!("loadouts/{}/lightest-set", scene.loadout));
    scene.kit.viewer.post(&path, body).await.expect(200)
}

fn names(answer: &Value) -> Vec<&str> {
    let mut names: Vec<&str> =
        answer["entries"].as_array().unwrap().iter().map(|entry| entry.text("name")).collect();
    names.sort_unstable();
    names
}

/// Small instances with the optima of HiGHS, CP-SAT and an enumeration (fixtures/lightest/README.md).
#[actix_web::test]
async fn find_lightest_set_of_the_small_instances_is_their_optimum() {
    let app = TestApp::start().await;
    let text = include_str!("../../../fixtures/lightest/loadout_instances.json");
    let instances: Vec<Value> = serde_json::from_str(text).unwrap();
    let kind = |tag: &str| {
        match tag {
            "shell" => "shell_jacket",
            "lamp" | "light" => "head_lamp",
            "water" => "soft_flask",
            "blanket" => "foil_blanket",
            "warm" => "mid_layer",
            "top" => "base_top",
            "spare" => "sleeves",
            "tube" => "neck_tube",
            "overmitt" => "over_mitts",
            "legs" => "base_bottom",
            "shellpant" => "shell_trousers",
            "tight" => "socks",
            other => other,
        }
        .to_owned()
    };
    let attribute = |name: &str| {
        match name {
            "wp" => "head_mm",
            "seams" => "seams_taped",
            "lm" => "lumens",
            "kcal" => "energy_kcal",
            "ml" => "capacity_ml",
            other => other,
        }
        .to_owned()
    };
    let mut seen = 0;
    for case in instances.iter().filter(|case| case["instance"].get("comps").is_none()) {
        let instance = &case["instance"];
        let rule = |requirement: &Value| {
            let tag = requirement.text("tag");
            if requirement["type"] == "agg" {
                return json!({"id": tag, "need": "total", "kinds": [kind(tag)],
                    "measure": attribute(requirement.text("attr")), "at_least": requirement["min_total"]});
            }
            let tests = requirement["min"].as_object().unwrap().iter().map(|(name, test)| {
                let name = attribute(name);
                let op = if test[0] == "==" { json!("=") } else { test[0].clone() };
                json!({"attribute": name, "op": op, "value": value_of(&name, &test[1])})
            });
            json!({"id": tag, "need": "count", "kinds": [kind(tag)], "count": requirement["n"],
                "where": tests.collect::<Vec<_>>(), "shareable": requirement["exclusive"] == false})
        };
        let rules: Vec<Value> = instance["reqs"].as_array().unwrap().iter().map(rule).collect();
        let scene = Scene::with_sheet(&app, &json!({"name": instance["name"], "rules": rules})).await;
        let things = instance["items"].as_array().unwrap();
        let ids: Vec<Uuid> = things.iter().map(|_| new_id()).collect();
        let id_of = |name: &Value| ids[things.iter().position(|thing| thing["id"] == *name).unwrap()];
        let mut records = Vec::new();
        for (thing, id) in things.iter().zip(&ids) {
            let kinds: Vec<String> =
                thing["tags"].as_array().unwrap().iter().map(|tag| kind(tag.as_str().unwrap())).collect();
            let mut body = item(thing, &kinds[0], &kinds[1..], attribute);
            let excluded: Vec<Uuid> = instance["excl"]
                .as_array()
                .into_iter()
                .flatten()
                .filter(|pair| pair[0] == thing["id"])
                .map(|pair| id_of(&pair[1]))
                .collect();
            if !excluded.is_empty() {
                body["conflicts_with"] = json!(excluded);
            }
            records.push(("item", *id, body));
        }
        push(&scene, records).await;
        let before = app.contents().await;
        let answer = lightest(&scene, &json!({"time_limit_s": 30})).await;
        assert_eq!(app.contents().await, before, "asking changed something");
        if case["optimum_g"].is_null() {
            assert_eq!((answer.text("status"), &answer["blame"]), ("infeasible", &json!(["shell"])));
        } else {
            assert_eq!(
                (answer.text("status"), &answer["mass_g"]),
                ("proven", &case["optimum_g"]),
                "{answer}"
            );
            let sorted = |set: &Value| {
                let mut names: Vec<String> = serde_json::from_value(set.clone()).unwrap();
                names.sort();
                names
            };
            let optimal = case["optimal_sets"].as_array().unwrap();
            let found = sorted(&json!(names(&answer)));
            assert!(optimal.iter().any(|set| sorted(set) == found), "{answer}");
        }
        seen += 1;
    }
    assert_eq!(seen, 4);
}

/// A whole kit of 127 items, 23 rules and 5 pockets, with the optimum of HiGHS (fixtures/lightest/README.md).
#[actix_web::test]
async fn find_lightest_set_of_a_whole_kit_is_its_optimum_and_fits_the_vest() {
    let app = TestApp::start().await;
    let text = include_str!("../../../fixtures/lightest/kit_instances.json");
    let kits: Vec<Value> = serde_json::from_str(text).unwrap();
    let same = |name: &str| name.to_owned();
    for kit in kits.iter().take(3) {
        let rule = |rule: &Value| {
            let mut rule = rule.clone();
            let tests = rule["where"].as_array().into_iter().flatten().map(|test| {
                let name = test[0].as_str().unwrap();
                json!({"attribute": name, "op": test[1], "value": value_of(name, &test[2])})
            });
            let tests: Vec<Value> = tests.collect();
            if rule["need"] == "count" {
                rule["where"] = json!(tests);
            }
            rule
        };
        let rules: Vec<Value> = kit["rules"].as_array().unwrap().iter().map(rule).collect();
        let scene = Scene::with_sheet(&app, &json!({"name": kit["name"], "rules": rules})).await;
        let vest = new_id();
        let mut records = vec![("item", vest, json!({"name": "vest", "kind": "vest", "label_mass_g": 250}))];
        for thing in kit["items"].as_array().unwrap() {
            records.push(("item", new_id(), item(thing, thing.text("kind"), &[], same)));
        }
        for pocket in kit["pockets"].as_array().unwrap() {
            let body = json!({"item_id": vest, "name": pocket["id"], "volume_ml": pocket["volume_ml"],
                "reach": pocket["reach"]});
            records.push(("pocket", new_id(), body));
        }
        push(&scene, records).await;
        let answer = lightest(&scene, &json!({"vest_item_id": vest, "time_limit_s": 30})).await;
        let expected = &kit["expected"];
        assert_eq!(
            (&answer["status"], &answer["mass_g"]),
            (&expected["status"], &expected["mass_g"]),
            "{}",
            kit["name"]
        );
        if answer["status"] == "proven" {
            let stowed =
                answer["entries"].as_array().unwrap().iter().filter(|entry| entry["carry_place"] == "stowed");
            assert!(stowed.clone().count() > 15);
            assert!(stowed.into_iter().all(|entry| entry["pocket_id"].is_string()), "{answer}");
        } else {
            assert!(!answer["blame"].as_array().unwrap().is_empty() || answer["blame_pockets"] == true);
        }
    }
}

#[actix_web::test]
async fn find_lightest_set_over_its_bounds_or_with_a_kitroom_that_is_not_open_is_refused() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let other = app.kitroom().await;
    let path = scene.kit.path(&format!("loadouts/{}/lightest-set", scene.loadout));
    let many: Vec<Uuid> = (0..11).map(|_| new_id()).collect();
    for (body, pointer) in [
        (json!({"time_limit_s": 0}), "/time_limit_s"),
        (json!({"time_limit_s": 31}), "/time_limit_s"),
        (json!({"candidate_kitroom_ids": many}), "/candidate_kitroom_ids"),
        (json!({"candidate_kitroom_ids": [scene.kit.id, other.id]}), "/candidate_kitroom_ids/1"),
        (json!({"candidate_kitroom_ids": [new_id()]}), "/candidate_kitroom_ids/0"),
        (json!({"vest": "mine"}), "/vest"),
    ] {
        let problem = app.refuses(scene.kit.member.posting(&path, &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
    // A kitroom of others and one that nobody has answer alike.
    let ask = async |kitroom: Uuid| {
        let reply = scene.kit.member.post(&path, &json!({"candidate_kitroom_ids": [kitroom]})).await;
        reply.problem("validation-failed")["errors"].clone()
    };
    assert_eq!(ask(other.id).await, ask(new_id()).await);
}
