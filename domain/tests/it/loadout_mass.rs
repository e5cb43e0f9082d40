//! Masses of whole loadouts: the worked course of the provisions once more from stored records, sums of uncertainties by
//! hand, and laws.

use domain::loadout::{PlanOptions, compare, mass, plan};
use domain::mass::{
    CheckFact, Evidence, ItemFacts, RepeatSums, ScaleEvidence, SittingEvidence, WeighingFact, item_mass,
};
use domain::wire::item::ItemKind;
use domain::wire::loadout_answers::FindingCode;
use proptest::prelude::*;
use serde_json::{Value as Json, json};
use uuid::Uuid;

use crate::loadout_support::{Scene, count, entry, item, pocket, race, weighed};
use crate::rows::{after, assert_all_printed, assert_close, assert_printed, numbers, read};

/// The course of F7 with the food density of F9, told in entries: what it adds at its stations waits in drop bags, and the
/// second vessel is handed off after the third leg.
fn f7() -> Scene {
    let thing = |kind: &str, grams: f64| json!({"name": kind, "kind": kind, "mass": weighed(grams, 0.5)});
    let food = |grams: f64, kcal: f64| json!({"name": "food", "kind": "food", "energy_kcal": kcal, "mass": weighed(grams, 0.5)});
    let hours = [4.0, 5.0, 5.0, 4.0];
    let leg = |(at, hours): (usize, &f64)| {
        json!({"name": format!("station {}", at + 1), "distance_km": 20, "expected_h": hours,
            "refill": {"water": true, "drop_bag": true}})
    };
    let legs: Vec<Json> = hours.iter().enumerate().map(leg).collect();
    Scene {
        loadout: json!({"eat_kcal_per_h": 252, "drink_ml_per_h": 200}),
        items: vec![
            thing("other", 3000.0),
            food(900.0, 3780.0),
            food(40.0, 168.0),
            food(100.0, 420.0),
            food(200.0, 840.0),
            thing("soft_flask", 0.0),
            thing("soft_flask", 0.0),
            thing("shoes", 700.0),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "in_hand"}),
            json!({"item": 1, "carry_place": "stowed"}),
            json!({"item": 2, "carry_place": "drop_bag", "from_leg": 2}),
            json!({"item": 3, "carry_place": "drop_bag", "from_leg": 3}),
            json!({"item": 4, "carry_place": "drop_bag", "from_leg": 4}),
            json!({"item": 5, "carry_place": "stowed", "fill_ml": 1000}),
            json!({"item": 6, "carry_place": "drop_bag", "fill_ml": 500, "from_leg": 3, "to_leg": 3}),
            json!({"item": 7, "carry_place": "on_body"}),
        ],
        race: Some(json!({"starts_at": "2026-08-28T16:00:00Z", "legs": legs})),
        ..Scene::default()
    }
}

#[test]
fn mass_of_f7_from_stored_records_gives_its_figures() {
    let rows = read("provisions/provisions.csv");
    let row = |id: &str| rows.iter().find(|row| row.text("check_id") == id).unwrap();
    let facts = f7().facts();
    let mass = mass(&facts);
    let expected = row("F7").text("expected");
    assert_printed("start", mass.carried.start_g.value_g, after(expected, "start "), 1e-9);
    assert_printed(
        "mean",
        mass.carried.mean_g.unwrap().value_g,
        after(expected, "mean "),
        row("F7").tolerance(),
    );
    assert_eq!((mass.carried.max_g.value_g, mass.carried.max_leg), (5000.0, Some(3)));
    assert_close("finish", mass.carried.finish_g.unwrap().value_g, 3360.0, 1e-9);
    assert_eq!(mass.total_start_g.value_g, 5600.0);
    // F8: water on arrival, none at the second station; F9: food energy on arrival.
    let (id, race) = facts.race.clone().unwrap();
    let plan = plan(id, &race, Some(&facts), &PlanOptions::default());
    let water: Vec<f64> = plan.water.unwrap().legs.iter().map(|leg| leg.left_ml).collect();
    assert_all_printed("water", &water, &numbers(row("F8").text("expected"))[..4], 1e-9);
    let kcal: Vec<f64> = plan.food.unwrap().legs.iter().map(|leg| leg.left_kcal).collect();
    assert_all_printed("food", &kcal, &numbers(row("F9").text("expected"))[4..8], 1e-9);
    for findings in [&mass.findings, &plan.findings] {
        let dry: Vec<_> = findings.iter().filter(|one| one.code == FindingCode::WaterRunsOut).collect();
        assert_eq!(dry.len(), 1);
        assert_eq!(dry[0].leg, Some(2));
        assert!(dry[0].text.contains("station 2"), "{}", dry[0].text);
    }
}

#[test]
fn mass_without_timed_legs_says_why_there_is_no_mean() {
    let mut scene = f7();
    scene.race.as_mut().unwrap()["legs"][1].as_object_mut().unwrap().remove("expected_h");
    let carried = mass(&scene.facts()).carried;
    assert_eq!((carried.mean_g, carried.finish_g, carried.max_leg), (None, None, None));
    assert_eq!(carried.max_g, carried.start_g);
    assert_eq!(carried.why_absent.as_deref(), Some("not every leg of the race has an expected time"));
    let json = serde_json::to_value(&carried).unwrap();
    assert!(json["mean_g"].is_null() && json.as_object().unwrap().contains_key("mean_g"));
    scene.race = None;
    let mass = mass(&scene.facts());
    assert_eq!(mass.carried.why_absent.as_deref(), Some("the loadout has no race"));
    assert_eq!((mass.demanded_g, mass.own_choice_g), (None, None));
}

fn weighing(id: u128, grams: f64, sitting: Option<Uuid>, scale: Option<Uuid>) -> WeighingFact {
    let mut body = json!({"item_id": item(0), "reading_g": grams, "observed_at": "2026-08-01T08:00:00Z", "source": "typed"});
    if let Some(sitting) = sitting {
        body["sitting_id"] = json!(sitting);
    }
    if let Some(scale) = scale {
        body["scale_id"] = json!(scale);
    }
    WeighingFact { id: Uuid::from_u128(id), body: serde_json::from_value(body).unwrap(), set_aside: false }
}

fn two_items(first: &domain::wire::mass::ItemMass, second: &domain::wire::mass::ItemMass) -> f64 {
    let thing = |mass| json!({"name": "thing", "kind": "other", "mass": mass});
    let scene = Scene {
        items: vec![thing(json!(first)), thing(json!(second))],
        entries: vec![
            json!({"item": 0, "carry_place": "stowed"}),
            json!({"item": 1, "carry_place": "stowed"}),
        ],
        ..Scene::default()
    };
    mass(&scene.facts()).total_start_g.u_g.unwrap()
}

#[test]
fn mass_parts_of_one_unchecked_scale_add_linearly() {
    // JCGM 100:2008, 5.2.2: inputs that share an error add up linearly through it. Two readings of d = 1 g have
    // u = sqrt(2/12) g, and the scale's own error is taken as twice the class III mpe of 0.5 g (OIML R 76), over root 3.
    let scale = item(900);
    let mut evidence = Evidence::default();
    evidence.scales.insert(scale, ScaleEvidence { resolution_g: 1.0, repeats: RepeatSums::default() });
    let facts = ItemFacts { kind: ItemKind::Other, label_mass: None };
    let of = |id, grams| item_mass(facts, &[weighing(id, grams, None, Some(scale))], &evidence);
    let (first, second) = (of(1, 300.0), of(2, 410.0));
    let parts = first.mass_parts.clone().unwrap();
    assert_close("own", parts.own_u_g, (2.0f64 / 12.0).sqrt(), 1e-6);
    assert_eq!(parts.shared[0].source, format!("scale:{scale}"));
    assert_close("shared", parts.shared[0].u_g, 1.0 / 3f64.sqrt(), 1e-6);
    assert_close("sum", two_items(&first, &second), (2.0f64 * 2.0 / 12.0 + 4.0 / 3.0).sqrt(), 1e-3);
}

#[test]
fn mass_parts_of_one_checked_sitting_add_linearly() {
    // The offset of the sitting rests on one check reading: sqrt(2/12) g that both items share, and the weight's 0.01 g.
    let (scale, sitting) = (item(900), item(901));
    let mut evidence = Evidence::default();
    evidence.scales.insert(scale, ScaleEvidence { resolution_g: 1.0, repeats: RepeatSums::default() });
    let check = CheckFact { weight_name: "M1 500".into(), known_g: 500.0, known_u_g: 0.01, reading_g: 501.0 };
    evidence.sittings.insert(sitting, SittingEvidence { scale_id: scale, checks: vec![check] });
    let facts = ItemFacts { kind: ItemKind::Other, label_mass: None };
    let of = |id, grams| item_mass(facts, &[weighing(id, grams, Some(sitting), None)], &evidence);
    let (first, second) = (of(1, 300.0), of(2, 410.0));
    let sources: Vec<String> =
        first.mass_parts.as_ref().unwrap().shared.iter().map(|p| p.source.clone()).collect();
    assert_eq!(sources, [format!("sitting:{sitting}"), "weight:M1 500".to_owned()]);
    let expected = (2.0f64 * 2.0 / 12.0 + 4.0 * 2.0 / 12.0 + 4.0 * 1e-4).sqrt();
    assert_close("sum", two_items(&first, &second), expected, 1e-3);
    // A second item of another sitting shares the weight alone.
    let other = item(902);
    evidence.sittings.insert(other, evidence.sittings[&sitting].clone());
    let apart = item_mass(facts, &[weighing(3, 410.0, Some(other), None)], &evidence);
    assert_close("apart", two_items(&first, &apart), (4.0f64 * 2.0 / 12.0 + 4.0 * 1e-4).sqrt(), 1e-3);
}

#[test]
fn mass_entries_of_one_item_share_its_error_and_labels_leave_none() {
    let gel = json!({"name": "gel", "kind": "food", "per_unit": true, "energy_kcal": 100, "mass": weighed(40.0, 0.2)});
    let label = json!({"name": "cap", "kind": "hat", "label_mass_g": 60});
    let mut scene = Scene {
        items: vec![gel, label, json!({"name": "map", "kind": "map"})],
        entries: vec![
            json!({"item": 0, "carry_place": "stowed", "quantity": 10}),
            json!({"item": 0, "carry_place": "stowed", "quantity": 2}),
        ],
        ..Scene::default()
    };
    let total = mass(&scene.facts()).total_start_g;
    // Twelve gels of one weighed kind: 12 x 0.2 g, not root(100 + 4) x 0.2 g.
    assert_eq!((total.value_g, total.u_g), (480.0, Some(2.4)));
    scene.entries.push(json!({"item": 1, "carry_place": "on_body"}));
    scene.entries.push(json!({"item": 2, "carry_place": "stowed"}));
    let all = mass(&scene.facts());
    assert_eq!((all.total_start_g.value_g, all.total_start_g.u_g), (540.0, None));
    assert_eq!(all.rests_on.measured.u_g, Some(2.4));
    assert_eq!((all.rests_on.label_g, all.rests_on.label_n, all.rests_on.unknown_n), (60.0, 1, 1));
    assert_eq!(all.without_mass.iter().map(|id| id.uuid()).collect::<Vec<_>>(), [item(2)]);
}

#[test]
fn mass_findings_tell_what_is_wrong_with_places_and_stock() {
    let scene = Scene {
        items: vec![
            json!({"name": "vest", "kind": "vest", "mass": weighed(200.0, 0.4)}),
            json!({"name": "other vest", "kind": "vest", "mass": weighed(200.0, 0.4)}),
            json!({"name": "gel", "kind": "food", "per_unit": true, "energy_kcal": 100, "volume_ml": 30, "mass": weighed(40.0, 0.2)}),
            json!({"name": "whistle", "kind": "whistle", "reach_needed": "moving", "volume_ml": 5, "mass": weighed(8.0, 0.2)}),
            json!({"name": "flask", "kind": "soft_flask", "capacity_ml": 500, "mass": weighed(30.0, 0.2)}),
            json!({"name": "gone", "kind": "cup", "deleted": true}),
            json!({"name": "liner", "kind": "dry_bag", "mass": weighed(20.0, 0.2)}),
        ],
        pockets: vec![
            json!({"item": 0, "name": "back", "reach": "vest_off", "volume_ml": 100, "mass_cap_g": 150}),
            json!({"item": 1, "name": "front", "reach": "moving"}),
        ],
        stock: vec![
            json!({"item": 2, "change": 3, "reason": "counted", "observed_at": "2026-08-02T08:00:00Z"}),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "on_body"}),
            json!({"item": 2, "carry_place": "stowed", "pocket": 0, "quantity": 4}),
            json!({"item": 3, "carry_place": "stowed", "pocket": 0}),
            json!({"item": 4, "carry_place": "stowed", "pocket": 1, "fill_ml": 600}),
            json!({"item": 5, "carry_place": "stowed"}),
            json!({"item": 2, "carry_place": "drop_bag"}),
            json!({"item": 6, "carry_place": "stowed", "inside": 77}),
        ],
        ..Scene::default()
    };
    let answer = mass(&scene.facts());
    let of = |code: FindingCode| answer.findings.iter().filter(|one| one.code == code).count();
    for code in [
        FindingCode::MoreThanStock,
        FindingCode::ReachTooSlow,
        FindingCode::PocketOfAnotherVest,
        FindingCode::Overfilled,
        FindingCode::ItemGone,
        FindingCode::NeverPickedUp,
        FindingCode::ContainerGone,
        FindingCode::PocketTooFull,
        FindingCode::PocketTooHeavy,
        FindingCode::NoRace,
    ] {
        assert_eq!(of(code), 1, "{code:?}: {:#?}", answer.findings);
    }
    assert_eq!(answer.without_mass.iter().map(|id| id.uuid()).collect::<Vec<_>>(), [item(5)]);
    let back = answer.pockets.iter().find(|one| one.pocket_id.uuid() == pocket(0)).unwrap();
    assert_eq!((back.mass_g.value_g, back.used_ml), (168.0, Some(125.0)));
    assert_eq!(answer.by_reach.vest_off.value_g, 168.0);
    assert_eq!(answer.by_reach.moving.value_g, 630.0);
    assert_eq!(answer.by_reach.not_placed.value_g, 20.0);
    assert_eq!(answer.places.drop_bag.value_g, 40.0);
}

#[test]
fn mass_as_of_a_day_uses_what_was_observed_by_then() {
    let mut scene = Scene {
        items: vec![
            json!({"name": "gel", "kind": "food", "per_unit": true, "energy_kcal": 100, "mass": weighed(40.0, 0.2)}),
        ],
        entries: vec![json!({"item": 0, "carry_place": "stowed", "quantity": 5})],
        stock: vec![
            json!({"item": 0, "change": 3, "reason": "counted", "observed_at": "2026-08-02T08:00:00Z"}),
            json!({"item": 0, "change": 9, "reason": "bought", "observed_at": "2026-08-10T08:00:00Z"}),
        ],
        log: vec![
            json!({"item": 0, "event": "retire", "reason": "other", "observed_at": "2026-08-15T08:00:00Z"}),
        ],
        ..Scene::default()
    };
    let mut codes = |as_of: &'static str| -> Vec<FindingCode> {
        scene.as_of = Some(as_of);
        mass(&scene.facts()).findings.iter().map(|one| one.code).collect()
    };
    assert_eq!(codes("2026-08-05T00:00:00Z"), [FindingCode::NoRace, FindingCode::MoreThanStock]);
    assert_eq!(codes("2026-08-12T00:00:00Z"), [FindingCode::NoRace]);
    assert_eq!(codes("2026-08-16T00:00:00Z"), [FindingCode::NoRace, FindingCode::NotServiceable]);
}

#[test]
fn compare_what_both_share_cancels() {
    let thing =
        |name: &str, grams: f64, u: f64| json!({"name": name, "kind": "other", "mass": weighed(grams, u)});
    let items = vec![thing("shell", 300.0, 2.0), thing("light shell", 180.0, 0.3), thing("lamp", 90.0, 0.4)];
    let with = |places: &[usize]| Scene {
        items: items.clone(),
        entries: places.iter().map(|at| json!({"item": at, "carry_place": "stowed"})).collect(),
        ..Scene::default()
    };
    let (from, to) = (with(&[0, 2]).facts(), with(&[1, 2]).facts());
    let change = compare(&from, &to);
    assert_eq!(change.total_change_g.value_g, -120.0);
    assert_close("u", change.total_change_g.u_g.unwrap(), 2.0f64.hypot(0.3), 1e-3);
    assert_eq!(change.from.total_start_g.value_g, 390.0);
    let names: Vec<&str> = change.lines.iter().map(|line| line.name.as_str()).collect();
    assert_eq!(names, ["shell", "light shell"]);
    let same = compare(&from, &from);
    assert_eq!((same.total_change_g.value_g, same.total_change_g.u_g), (0.0, Some(0.0)));
    assert!(same.lines.is_empty() && same.verdicts.is_empty());
}

/// A loadout of random lines, on a course of two legs, with rules that ask for some of it.
fn any_scene() -> impl Strategy<Value = Scene> {
    let kinds = prop::sample::select(vec!["food", "soft_flask", "hat", "gloves", "head_lamp", "other"]);
    let places = prop::sample::select(vec!["on_body", "in_hand", "stowed", "drop_bag"]);
    let line = (kinds, places, 1u32..4, 1.0f64..500.0, 0.05f64..2.0, any::<bool>(), 0usize..3);
    prop::collection::vec(line, 1..12).prop_map(|lines| {
        let mut scene = Scene {
            loadout: json!({"eat_kcal_per_h": 200, "drink_ml_per_h": 300}),
            pockets: ["moving", "vest_off"].map(|reach| json!({"item": 0, "name": "p", "reach": reach})).to_vec(),
            race: Some(json!({"starts_at": "2026-08-28T16:00:00Z", "legs": [
                {"name": "a", "distance_km": 10, "expected_h": 2, "refill": {"water": true, "drop_bag": true}},
                {"name": "b", "distance_km": 10, "expected_h": 3}]})),
            rules: Some(json!([
                count("hat", &["hat"], json!([])),
                count("hands", &["gloves"], json!([])),
                {"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "at_least": 250},
                {"id": "water", "need": "total", "kinds": ["soft_flask"], "measure": "fill_ml", "at_least": 300}])),
            ..Scene::default()
        };
        for (at, (kind, place, units, grams, u, flag, shared)) in lines.into_iter().enumerate() {
            let grams = (grams * 1000.0).round() / 1000.0;
            let mut mass = weighed(grams, u);
            mass["mass_parts"]["shared"] = json!([{"source": format!("scale:{shared}"), "u_g": u / 2.0}]);
            let mut body = json!({"name": kind, "kind": kind, "per_unit": true, "mass": mass});
            let mut line = json!({"item": at, "carry_place": place, "quantity": units});
            match kind {
                "food" => body["energy_kcal"] = json!(120),
                "soft_flask" => line["fill_ml"] = json!(250),
                _ => {}
            }
            if flag {
                line["reserve"] = json!(true);
            }
            match place {
                "drop_bag" => line["from_leg"] = json!(if flag { 1 } else { 2 }),
                "stowed" if shared < 2 => line["pocket"] = json!(shared),
                _ => {}
            }
            scene.items.push(body);
            scene.entries.push(line);
        }
        scene
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn mass_every_cut_adds_up_to_the_total(scene in any_scene()) {
        let mass = mass(&scene.facts());
        let close = |a: f64, b: f64| (a - b).abs() < 0.01;
        let total = mass.total_start_g.value_g;
        let places = &mass.places;
        prop_assert!(close(places.on_body.value_g + places.in_hand.value_g + places.stowed.value_g, total));
        let (asked, own) = (mass.demanded_g.unwrap(), mass.own_choice_g.unwrap());
        prop_assert!(close(asked.value_g + own.value_g, total), "{asked:?} {own:?} {total}");
        let reach = &mass.by_reach;
        let by_reach = reach.moving.value_g + reach.at_stop.value_g + reach.vest_off.value_g + reach.not_placed.value_g;
        prop_assert!(close(by_reach, mass.carried.start_g.value_g));
        let cut = &mass.expendable;
        prop_assert!(close(cut.food_g.value_g + cut.water_g.value_g, cut.expendable_g.value_g));
        prop_assert!(cut.expendable_g.value_g + cut.reserve_g.value_g <= total + 0.01);
        prop_assert!(mass.carried.max_g.value_g >= mass.carried.mean_g.unwrap().value_g - 1e-6);
        prop_assert!(mass.carried.max_g.value_g >= mass.carried.start_g.value_g - 1e-6);
        // Between full correlation and none (JCGM 100:2008, 5.2.2 note 1).
        let u = |line: &Json| {
            let mass = &scene.items[line["item"].as_u64().unwrap() as usize]["mass"]["mass_parts"];
            let at_start = line["carry_place"] != "drop_bag" || line["from_leg"] == 1;
            let units = if at_start { line["quantity"].as_f64().unwrap() } else { 0.0 };
            (units * mass["own_u_g"].as_f64().unwrap(), units * mass["shared"][0]["u_g"].as_f64().unwrap())
        };
        let all: Vec<(f64, f64)> = scene.entries.iter().map(u).collect();
        let none = all.iter().map(|(own, shared)| own * own + shared * shared).sum::<f64>().sqrt();
        let full = all.iter().map(|(own, _)| own * own).sum::<f64>()
            + all.iter().map(|(_, shared)| shared).sum::<f64>().powi(2);
        let u = mass.total_start_g.u_g.unwrap();
        prop_assert!(u >= none - 0.01 && u <= full.sqrt() + 0.01, "{none} {u} {}", full.sqrt());
    }

    #[test]
    fn mass_does_not_hang_on_the_order_of_the_lines(scene in any_scene(), turn in 1usize..7) {
        let mut facts = scene.facts();
        let before = (mass(&facts), domain::loadout::verdicts(&facts));
        let at = turn % facts.entries.len();
        facts.entries.rotate_left(at);
        prop_assert_eq!((mass(&facts), domain::loadout::verdicts(&facts)), before);
    }
}

#[test]
fn mass_demanded_takes_of_a_sum_what_reaches_the_limit() {
    let scene = Scene {
        items: vec![
            json!({"name": "gel", "kind": "food", "per_unit": true, "energy_kcal": 100, "mass": weighed(40.0, 0.2)}),
            json!({"name": "hat", "kind": "hat", "mass": weighed(60.0, 0.2)}),
            json!({"name": "second hat", "kind": "hat", "mass": weighed(80.0, 0.2)}),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "stowed", "quantity": 10}),
            json!({"item": 1, "carry_place": "stowed"}),
            json!({"item": 2, "carry_place": "stowed"}),
        ],
        race: Some(race()),
        rules: Some(json!([
            count("hat", &["hat"], json!([])),
            {"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "at_least": 400}])),
        ..Scene::default()
    };
    let facts = scene.facts();
    let mass = mass(&facts);
    // 400 of 1000 kcal, and one hat.
    let used = &domain::loadout::verdicts(&facts).verdicts[0].view.used;
    let hat = if used[0].item_id.uuid() == item(1) { 60.0 } else { 80.0 };
    assert_close("demanded", mass.demanded_g.unwrap().value_g, 0.4 * 400.0 + hat, 1e-9);
    assert_close("own", mass.own_choice_g.unwrap().value_g, 0.6 * 400.0 + 140.0 - hat, 1e-9);
    assert_eq!(facts.entries[0].0.uuid(), entry(0));
}
