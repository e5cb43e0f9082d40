//! Verdicts, the lightest set, the plan and the snapshot of whole loadouts, from stored records.

use domain::lightest::{Limits, Status};
use domain::loadout::{
    LightestOptions, LoadoutFacts, OfferedItem, PlanOptions, lightest, mass, plan, see, snapshot, verdicts,
};
use domain::rules::{Evidence, Verdict, VerdictView};
use domain::wear_history::WEARING;
use domain::wire::loadout::CarryPlace;
use domain::wire::loadout_answers::{FindingCode, LoadoutVerdicts, SwapSide};
use proptest::prelude::*;
use serde_json::{Value as Json, json};

use crate::loadout_support::{Scene, club, count, entry, item, pocket, race, stored, weighed};
use crate::rows::{assert_close, numbers, read};

fn shell() -> Json {
    json!({"name": "shell", "kind": "shell_jacket", "head_mm": 20000, "head_basis": "label", "seams_taped": true, "hood": true,
        "mass": weighed(280.0, 0.5)})
}

fn shell_rule() -> Json {
    let tests = json!([{"attribute": "head_mm", "op": ">=", "value": 10000}, {"attribute": "seams_taped", "op": "=", "value": true}]);
    count("shell", &["shell_jacket"], tests)
}

fn scene() -> Scene {
    Scene {
        items: vec![shell()],
        entries: vec![json!({"item": 0, "carry_place": "stowed"})],
        race: Some(race()),
        rules: Some(json!([shell_rule()])),
        ..Scene::default()
    }
}

fn first(scene: &Scene) -> VerdictView {
    verdicts(&scene.facts()).verdicts[0].view.clone()
}

fn codes(answer: &LoadoutVerdicts) -> Vec<FindingCode> {
    answer.findings.iter().map(|one| one.code).collect()
}

fn worn(hours: f64, day: u32) -> Json {
    json!({"item": 0, "event": "use", "worn_h": hours, "observed_at": format!("2026-07-{day:02}T06:00:00Z")})
}

fn head_test(head: f64, day: u32) -> Json {
    json!({"item": 0, "event": "head_test", "head_mm": head, "drops": "third", "rate_cm_min": 60, "part": "fabric",
        "observed_at": format!("2026-07-{day:02}T12:00:00Z")})
}

#[test]
fn verdicts_carry_the_rule_s_own_words_and_the_caution() {
    let answer = verdicts(&scene().facts());
    let one = &answer.verdicts[0];
    assert_eq!((one.title.as_str(), one.wording.as_str()), ("shell", "as the organiser says of shell"));
    assert_eq!((one.view.verdict, one.view.evidence), (Verdict::Met, Evidence::Label));
    assert_eq!(
        (one.view.value, one.view.limit, one.view.margin),
        (Some(20_000.0), Some(10_000.0), Some(10_000.0))
    );
    assert_eq!(one.view.used[0].item_id.uuid(), item(0));
    assert_eq!((answer.counts.met, answer.counts.not_shown), (1, 0));
    assert!(answer.caution.contains("not being safe"));
    let sheet = answer.rule_sheet.as_ref().unwrap();
    assert_eq!((sheet.edition.as_deref(), sheet.version), (Some("2026"), 7));
    let json = serde_json::to_value(&answer).unwrap();
    let keys =
        ["rule_id", "title", "wording", "verdict", "used", "value", "limit", "margin", "evidence", "note"];
    assert!(keys.iter().all(|key| json["verdicts"][0].get(key).is_some()), "{json:#}");
}

#[test]
fn verdicts_without_a_sheet_are_none_and_say_why() {
    let mut scene = scene();
    scene.rules = None;
    let answer = verdicts(&scene.facts());
    assert!(answer.verdicts.is_empty() && answer.rule_sheet.is_none());
    assert_eq!(answer.findings[0].code, FindingCode::NoRuleSheet);
    scene.race = None;
    assert_eq!(verdicts(&scene.facts()).findings[0].code, FindingCode::NoRace);
}

#[test]
fn verdicts_five_head_tests_give_the_published_prediction_on_race_day() {
    // The five tests of D1 and their 95 % prediction intervals at 220 h (D3) and 260 h (D4), statsmodels get_prediction.
    let rows = read("wear/wear.csv");
    let row = |id: &str| {
        let row = rows.iter().find(|row| row.text("check_id") == id).unwrap();
        numbers(row.text("expected")).iter().map(|n| n.value).collect::<Vec<f64>>()
    };
    // Asked about at the start, so that no use is still to come.
    let mut scene = Scene { as_of: Some("2026-08-28T16:00:00Z"), ..scene() };
    scene.log = vec![
        head_test(20000.0, 1),
        worn(40.0, 2),
        head_test(18500.0, 3),
        worn(50.0, 4),
        head_test(15800.0, 5),
        worn(60.0, 6),
        head_test(14000.0, 7),
        worn(70.0, 8),
        head_test(11200.0, 9),
    ];
    let tested = first(&scene);
    let d3 = row("D3");
    assert_eq!((tested.verdict, tested.evidence), (Verdict::Met, Evidence::Measured));
    for (got, want) in [tested.low, tested.value, tested.high].into_iter().zip(&d3) {
        assert_close("D3", got.unwrap(), *want, 0.01);
    }
    // Forty hours later the limit lies inside the interval of a safety attribute: NOT SHOWN, never a pass.
    scene.log.push(worn(40.0, 10));
    let later = first(&scene);
    assert_eq!((later.verdict, later.evidence), (Verdict::NotShown, Evidence::Predicted));
    for (got, want) in [later.low, later.value, later.high].into_iter().zip(&row("D4")) {
        assert_close("D4", got.unwrap(), *want, 0.01);
    }
}

#[test]
fn verdicts_a_label_never_becomes_a_prediction_by_assumption_alone() {
    let mut scene = Scene { as_of: Some("2026-08-28T16:00:00Z"), ..scene() };
    scene.log = vec![worn(150.0, 1)];
    let untested = first(&scene);
    assert_eq!(
        (untested.evidence, untested.value, untested.verdict),
        (Evidence::Label, Some(20_000.0), Verdict::Met)
    );
    // A home column that ends at 2 m says almost nothing about 10 m (D13), so the label stands.
    let mut column = head_test(2000.0, 2);
    column["relation"] = json!(">=");
    scene.log.push(column);
    scene.log.push(worn(20.0, 3));
    let bounded = first(&scene);
    assert_eq!((bounded.evidence, bounded.value), (Evidence::Label, Some(20_000.0)));
    // One exact test is evidence; forty hours on it is carried by assumed rates, with an interval.
    scene.log.push(head_test(15000.0, 4));
    let fresh = first(&scene);
    assert_eq!((fresh.evidence, fresh.verdict), (Evidence::Measured, Verdict::Met));
    scene.log.push(worn(40.0, 5));
    let carried = first(&scene);
    assert_eq!(carried.evidence, Evidence::Predicted);
    assert!(
        carried.low.unwrap() < carried.value.unwrap() && carried.value.unwrap() < 15_000.0,
        "{carried:?}"
    );
    // A leak before 8000 mm speaks against the label at once.
    let mut leak = head_test(8000.0, 6);
    leak["relation"] = json!("<");
    scene.log.push(leak);
    assert_eq!(first(&scene).verdict, Verdict::NotMet);
}

#[test]
fn verdicts_use_and_washes_count_only_where_a_head_was_tested() {
    let mut scene = scene();
    scene.items.push(json!({"name": "lamp", "kind": "head_lamp", "burn_h": 12, "mass": weighed(90.0, 0.5)}));
    scene.entries.push(json!({"item": 1, "carry_place": "at_hand"}));
    let wash = json!({"item": 0, "event": "wash", "observed_at": "2026-07-08T06:00:00Z"});
    let of_the_lamp = |event: &str, more: Json| {
        let mut entry = json!({"item": 1, "event": event, "observed_at": "2026-07-09T06:00:00Z"});
        entry.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        entry
    };
    scene.log = vec![
        worn(40.0, 2),
        wash,
        of_the_lamp("use", json!({"worn_h": 9})),
        of_the_lamp("burn_test", json!({"burn_h": 7.5})),
        of_the_lamp("inspection", json!({"grade": 1})),
        of_the_lamp("watch", json!({})),
    ];
    let told = |scene: &Scene| {
        let facts = scene.facts();
        let seen: Vec<_> = facts.items.values().map(|item| see(item, facts.as_of)).collect();
        (verdicts(&facts), mass(&facts), snapshot(&facts, facts.as_of), seen)
    };
    let judging = |scene: &Scene| {
        let mut less = scene.clone();
        less.log.retain(|entry| WEARING.iter().all(|event| entry["event"] != event.name()));
        less
    };
    assert_eq!(told(&scene), told(&judging(&scene)));
    scene.log.insert(0, head_test(20000.0, 1));
    assert_ne!(told(&scene), told(&judging(&scene)));
}

#[test]
fn verdicts_the_weaker_of_fabric_and_seam_counts() {
    let mut scene = scene();
    let mut seam = head_test(9000.0, 2);
    seam["part"] = json!("seam");
    scene.log = vec![head_test(20000.0, 1), seam];
    let weakest = first(&scene);
    assert_eq!(weakest.value, Some(9000.0));
    assert_ne!(weakest.verdict, Verdict::Met);
}

#[test]
fn verdicts_what_is_retired_quarantined_or_expired_never_counts() {
    for (event, verdict, words) in [
        ("retire", Verdict::NotMet, "retired"),
        ("quarantine", Verdict::NotMet, "quarantined"),
        ("watch", Verdict::Met, ""),
    ] {
        let mut scene = scene();
        let mut log = json!({"item": 0, "event": event, "observed_at": "2026-08-15T08:00:00Z"});
        if event == "retire" {
            log["reason"] = json!("leak");
        }
        scene.log = vec![log];
        let view = first(&scene);
        assert_eq!(view.verdict, verdict, "{event}");
        assert!(view.note.contains(words), "{}", view.note);
    }
    let mut scene = scene();
    // The race ends on 30 August in its own zone.
    scene.items[0]["expires_on"] = json!("2026-08-29");
    let view = first(&scene);
    assert_eq!(view.verdict, Verdict::NotMet);
    assert!(view.note.contains("expires"), "{}", view.note);
    scene.items[0]["expires_on"] = json!("2026-08-30");
    assert_eq!(first(&scene).verdict, Verdict::Met);
}

fn seen_scene(seen_at: &str, member: bool) -> Scene {
    let own = Scene { log: vec![head_test(15000.0, 4)], ..scene() }.facts();
    let known = own.items.values().next().unwrap();
    let seen = json!(see(known, seen_at.parse().unwrap()));
    Scene {
        items: Vec::new(),
        entries: vec![json!({"item": 0, "item_kitroom_id": club(), "carry_place": "stowed", "seen": seen})],
        member,
        ..scene()
    }
}

#[test]
fn verdicts_a_club_s_item_is_judged_by_what_was_seen() {
    let fresh = seen_scene("2026-08-19T08:00:00Z", true);
    let view = first(&fresh);
    assert_eq!((view.verdict, view.evidence, view.value), (Verdict::Met, Evidence::Measured, Some(15_000.0)));
    assert_eq!(mass(&fresh.facts()).total_start_g.value_g, 280.0);
    // Fifteen days are more than the fourteen that hold without another word.
    let old = seen_scene("2026-08-05T07:00:00Z", true);
    let answer = verdicts(&old.facts());
    assert_eq!(answer.verdicts[0].view.verdict, Verdict::NotShown);
    assert!(codes(&answer).contains(&FindingCode::SeenTooOld));
    let mut longer = old;
    longer.race.as_mut().unwrap()["seen_max_age_d"] = json!(30);
    assert_eq!(first(&longer).verdict, Verdict::Met);
    let left = seen_scene("2026-08-19T08:00:00Z", false);
    let answer = verdicts(&left.facts());
    assert_eq!(answer.verdicts[0].view.verdict, Verdict::NotShown);
    assert!(codes(&answer).contains(&FindingCode::MembershipEnded));
    assert_eq!(mass(&left.facts()).total_start_g.value_g, 280.0);
}

#[test]
fn verdicts_units_beyond_the_stock_serve_nothing() {
    let mut scene = scene();
    scene.items = vec![
        json!({"name": "gel", "kind": "food", "per_unit": true, "energy_kcal": 100, "mass": weighed(40.0, 0.2)}),
    ];
    scene.entries[0]["quantity"] = json!(10);
    scene.stock =
        vec![json!({"item": 0, "change": 7, "reason": "counted", "observed_at": "2026-08-02T08:00:00Z"})];
    scene.rules = Some(
        json!([{"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "at_least": 800}]),
    );
    let answer = verdicts(&scene.facts());
    assert_eq!(
        (answer.verdicts[0].view.verdict, answer.verdicts[0].view.value),
        (Verdict::NotMet, Some(700.0))
    );
    assert!(codes(&answer).contains(&FindingCode::MoreThanStock));
}

#[test]
fn verdicts_read_the_line_reserve_content_and_dryness() {
    let mut scene = Scene {
        items: vec![
            json!({"name": "flask", "kind": "soft_flask", "capacity_ml": 500, "mass": weighed(30.0, 0.2)}),
            json!({"name": "shirt", "kind": "base_top", "mass": weighed(120.0, 0.2)}),
            json!({"name": "bag", "kind": "dry_bag", "mass": weighed(20.0, 0.2)}),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "in_hand", "fill_ml": 400, "reserve": true}),
            json!({"item": 1, "carry_place": "stowed", "inside": 2}),
            json!({"item": 2, "carry_place": "stowed"}),
        ],
        rules: Some(json!([
            {"id": "water", "need": "total", "kinds": ["soft_flask"], "measure": "fill_ml", "at_least": 250, "reserve": true},
            count("dry", &["base_top"], json!([{"attribute": "kept_dry", "op": "=", "value": true}]))])),
        ..scene()
    };
    let answer = verdicts(&scene.facts());
    assert_eq!((answer.counts.met, answer.verdicts[0].view.value), (2, Some(400.0)));
    scene.entries[0]["reserve"] = json!(false);
    scene.entries[1].as_object_mut().unwrap().remove("inside");
    let answer = verdicts(&scene.facts());
    assert_eq!(answer.verdicts[0].view.verdict, Verdict::NotMet);
    // Stowed somewhere is not known to be dry.
    assert_eq!(answer.verdicts[1].view.verdict, Verdict::NotShown);
}

#[test]
fn verdicts_burn_asks_for_the_dark_hours_of_the_course() {
    // S40: 46.5 h from 2025-08-29T16:00Z at 45.92 N 6.87 E have 19.158 h below -6 degrees and 21.21 h with the sun down.
    let at = json!({"lat": 45.92, "lon": 6.87});
    let mut scene = Scene {
        items: vec![
            json!({"name": "lamp", "kind": "head_lamp", "burn_h": 8, "attributes": {"cell_type": "L1"}, "mass": weighed(90.0, 0.2)}),
            json!({"name": "cell", "kind": "spare_cell", "burn_h": 8, "per_unit": true, "attributes": {"cell_type": "l1"}, "mass": weighed(45.0, 0.2)}),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "stowed"}),
            json!({"item": 1, "carry_place": "stowed", "quantity": 2}),
        ],
        race: Some(json!({"starts_at": "2025-08-29T16:00:00Z", "legs": [
            {"name": "half", "distance_km": 80, "expected_h": 23.25, "from": at, "to": at, "climb_m": 4000, "descent_m": 4000},
            {"name": "finish", "distance_km": 80, "expected_h": 23.25, "from": at, "to": at, "climb_m": 4000, "descent_m": 4000}]})),
        rules: Some(json!([{"id": "light", "need": "burn", "margin": 0.2}])),
        as_of: Some("2025-08-20T08:00:00Z"),
        ..scene()
    };
    let view = first(&scene);
    assert_eq!((view.verdict, view.value), (Verdict::Met, Some(24.0)));
    assert_close("limit", view.limit.unwrap(), 1.2 * 19.158, 0.06);
    let facts = scene.facts();
    let (id, body) = facts.race.clone().unwrap();
    let options = PlanOptions { body_mass_kg: Some(74.0), ..PlanOptions::default() };
    let planned = plan(id, &body, Some(&facts), &options);
    let dark = planned.dark_h.unwrap();
    assert_close("civil", dark.civil, 19.158, 0.05);
    assert_close("sun down", dark.sun_down, 21.21, 0.05);
    assert_eq!(dark.spells.len(), 2);
    // k(0) = 0.70: three times 8 h become 16.8 h, short of 23 h; ceil(23/5.6) - 1 changes of cell.
    let lamp = planned.lamp.unwrap();
    assert_eq!((lamp.burn_h, lamp.cold_burn_h, lamp.swaps), (24.0, 16.8, Some(4)));
    assert_close("short", lamp.short_h.unwrap(), 1.2 * 19.158 - 16.8, 0.06);
    assert!(lamp.text.contains("are missing"), "{}", lamp.text);
    let cost = planned.cost_of_100_g.unwrap();
    assert!(cost.kcal.low < cost.kcal.central && cost.minutes.unwrap().contains("min"));
    assert!(cost.caveat.contains("treadmills"));
    assert!(plan(id, &body, None, &options).lamp.is_none());
    // Without places there are no dark hours, and light is not shown to be enough.
    for leg in 0..2 {
        let leg = scene.race.as_mut().unwrap()["legs"][leg].as_object_mut().unwrap();
        leg.remove("from");
        leg.remove("to");
    }
    assert_eq!(first(&scene).verdict, Verdict::NotShown);
}

fn kit() -> Scene {
    let thing = |name: &str, kind: &str, grams: f64, ml: f64| json!({"name": name, "kind": kind, "volume_ml": ml, "mass": weighed(grams, 0.2)});
    let mut light = thing("light shell", "shell_jacket", 150.0, 300.0);
    light["head_mm"] = json!(8000);
    light["seams_taped"] = json!(true);
    let mut heavy = shell();
    heavy["volume_ml"] = json!(600);
    Scene {
        items: vec![
            heavy,
            light,
            thing("fleece", "mid_layer", 250.0, 900.0),
            thing("warm layer", "mid_layer", 200.0, 2000.0),
            thing("whistle", "whistle", 8.0, 5.0),
            thing("chocolate", "food", 100.0, 80.0),
            thing("vest", "vest", 220.0, 0.0),
        ],
        entries: vec![
            json!({"item": 0, "carry_place": "stowed", "pocket": 0}),
            json!({"item": 2, "carry_place": "stowed", "pocket": 0}),
            json!({"item": 5, "carry_place": "stowed", "pocket": 1}),
            json!({"item": 6, "carry_place": "on_body"}),
        ],
        pockets: vec![
            json!({"item": 6, "name": "back", "reach": "vest_off", "volume_ml": 2700}),
            json!({"item": 6, "name": "front", "reach": "moving", "volume_ml": 300}),
        ],
        rules: Some(json!([
            shell_rule(),
            count("warm", &["mid_layer"], json!([])),
            count("whistle", &["whistle"], json!([]))
        ])),
        ..scene()
    }
}

fn solve(facts: &LoadoutFacts, options: &LightestOptions) -> domain::wire::loadout_answers::LightestAnswer {
    lightest(facts, options, &mut Limits::default()).unwrap()
}

#[test]
fn lightest_takes_what_the_rules_ask_for_and_shows_the_swaps() {
    let facts = kit().facts();
    let answer = solve(&facts, &LightestOptions::default());
    // The lighter shell fails at 8000 mm; the warm layer is lighter than the fleece and fits: 280 + 200 + 8 g.
    assert_eq!(
        (answer.status, answer.mass_g, answer.lower_bound_g),
        (Status::Proven, Some(488.0), Some(488.0))
    );
    let names: Vec<&str> = answer.entries.iter().map(|entry| entry.name.as_str()).collect();
    assert_eq!(names, ["shell", "warm layer", "whistle"]);
    assert!(
        answer.entries.iter().all(|one| one.carry_place == CarryPlace::Stowed && one.pocket_id.is_some())
    );
    let swaps: Vec<(SwapSide, &str)> = answer.swaps.iter().map(|one| (one.side, one.name.as_str())).collect();
    assert_eq!(
        swaps,
        [
            (SwapSide::Take, "warm layer"),
            (SwapSide::Take, "whistle"),
            (SwapSide::Leave, "fleece"),
            (SwapSide::OwnChoice, "chocolate"),
            (SwapSide::OwnChoice, "vest"),
        ]
    );
    assert!(
        answer.reasons.iter().any(|one| one.text.contains("light shell") && one.text.contains("8,000 mm"))
    );
    assert!(answer.caution.contains("no advice"));
    assert_eq!(solve(&facts, &LightestOptions::default()), answer);
}

#[test]
fn lightest_holds_locks_pockets_and_own_choice() {
    let mut scene = kit();
    // In 1600 ml the shell of 600 ml leaves no room for the warm layer's 2000 ml.
    scene.pockets[0]["volume_ml"] = json!(1600);
    let answer = solve(&scene.facts(), &LightestOptions::default());
    assert_eq!(answer.mass_g, Some(538.0));
    scene.pockets[0]["volume_ml"] = json!(1000);
    let answer = solve(&scene.facts(), &LightestOptions::default());
    assert_eq!((answer.status, answer.mass_g, answer.blame_pockets), (Status::Infeasible, None, true));
    let mut scene = kit();
    scene.entries[1]["locked"] = json!(true);
    let locked = solve(&scene.facts(), &LightestOptions::default());
    assert_eq!(locked.mass_g, Some(538.0));
    let fleece = locked.entries.iter().find(|one| one.name == "fleece").unwrap();
    assert!(fleece.locked);
    assert_eq!(fleece.pocket_id.map(|id| id.uuid()), Some(pocket(0)));
    let keep = LightestOptions { keep_own_choice: true, ..LightestOptions::default() };
    assert_eq!(solve(&kit().facts(), &keep).mass_g, Some(588.0));
    // What is worn needs no pocket.
    let mut scene = kit();
    scene.pockets[0]["volume_ml"] = json!(1000);
    scene.entries[0] = json!({"item": 0, "carry_place": "on_body"});
    assert_eq!(solve(&scene.facts(), &LightestOptions::default()).mass_g, Some(538.0));
}

#[test]
fn lightest_may_take_what_a_club_offers_and_never_what_is_unfit() {
    let lender = Scene {
        items: vec![
            json!({"name": "club shell", "kind": "shell_jacket", "head_mm": 20000, "head_basis": "label",
            "seams_taped": true, "volume_ml": 300, "mass": weighed(170.0, 0.3)}),
        ],
        entries: Vec::new(),
        ..scene()
    };
    let seen = see(lender.facts().items.values().next().unwrap(), "2026-08-20T07:00:00Z".parse().unwrap());
    let offered = vec![OfferedItem {
        item_id: item(50).try_into().unwrap(),
        kitroom_id: club().try_into().unwrap(),
        seen,
    }];
    let options = LightestOptions { offered, ..LightestOptions::default() };
    let mut scene = kit();
    scene.member = true;
    let answer = solve(&scene.facts(), &options);
    assert_eq!(answer.mass_g, Some(378.0));
    let lent = answer.entries.iter().find(|one| one.name == "club shell").unwrap();
    assert_eq!(lent.item_kitroom_id.map(|id| id.uuid()), Some(club()));
    scene.member = false;
    assert_eq!(solve(&scene.facts(), &options).mass_g, Some(488.0));
    scene.log =
        vec![json!({"item": 3, "event": "retire", "reason": "zip", "observed_at": "2026-08-15T08:00:00Z"})];
    assert_eq!(solve(&scene.facts(), &options).mass_g, Some(538.0));
    scene.rules = None;
    let none = lightest(&scene.facts(), &options, &mut Limits::default());
    assert!(none.unwrap_err().to_string().contains("no rule sheet"));
}

#[test]
fn snapshot_is_a_seal_that_the_service_takes_and_says_what_stood() {
    let facts = kit().facts();
    let taken = snapshot(&facts, "2026-08-28T15:00:00Z".parse().unwrap());
    let (mass, judged) = (mass(&facts), verdicts(&facts));
    assert_eq!(taken.carried.start_g, mass.carried.start_g);
    assert_eq!(taken.verdicts.len(), judged.verdicts.len());
    let demanded: Vec<(&str, bool)> =
        taken.entries.iter().map(|one| (one.name.as_str(), one.demanded)).collect();
    assert_eq!(demanded, [("shell", true), ("fleece", true), ("chocolate", false), ("vest", false)]);
    assert_eq!(taken.entries[0].entry_id.uuid(), entry(0));
    let words: Vec<&str> = taken.verdicts.iter().map(|one| one.verdict.as_str()).collect();
    assert_eq!(words, ["met", "met", "not_met"]);
    let body = json!({"loadout_id": facts.loadout_id, "snapshot": taken});
    let record = stored(item(70), body);
    let kind = &domain::kinds::seal::KIND;
    let normal = (kind.normalise)(&record.body).unwrap();
    assert_eq!(json!(normal)["snapshot"]["entries"].as_array().unwrap().len(), 4);
}

/// Items of a few kinds with some facts known, and rules that test them.
fn any_kit() -> impl Strategy<Value = Scene> {
    let line = (0usize..5, any::<[bool; 4]>(), 0u32..4);
    prop::collection::vec(line, 1..9).prop_map(|lines| {
        let kinds = ["shell_jacket", "head_lamp", "food", "gloves", "spare_cell"];
        let mut scene = Scene {
            rules: Some(json!([
                shell_rule(),
                {"id": "lamps", "need": "count", "kinds": ["head_lamp"], "count": 2, "where": [{"attribute": "lumens", "op": ">=", "value": 150}]},
                {"id": "cells", "need": "pair", "for": "lamps", "kinds": ["spare_cell"], "same_attribute": "cell_type"},
                {"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "at_least": 300, "at_most": 900},
                count("hands", &["gloves"], json!([{"attribute": "waterproof", "op": "=", "value": true}])),
                {"id": "no-cotton", "need": "forbid", "kinds": ["gloves"], "where": [{"attribute": "cotton", "op": "=", "value": true}]}])),
            items: Vec::new(),
            entries: Vec::new(),
            ..scene()
        };
        for (at, (kind, known, size)) in lines.into_iter().enumerate() {
            let kind = kinds[kind];
            let mut body = json!({"name": format!("{kind} {at}"), "kind": kind, "attributes": {}});
            match kind {
                "shell_jacket" => {
                    if known[0] { body["head_mm"] = json!(5000 * (size + 1)); }
                    if known[1] { body["seams_taped"] = json!(known[2]); }
                }
                "head_lamp" | "spare_cell" => {
                    if known[0] { body["lumens"] = json!(100 * (size + 1)); }
                    if known[1] { body["attributes"]["cell_type"] = json!(if known[2] { "A" } else { "B" }); }
                }
                "food" => if known[0] { body["energy_kcal"] = json!(150 * (size + 1)); },
                _ => {
                    if known[0] { body["attributes"]["waterproof"] = json!(known[2]); }
                    if known[1] { body["attributes"]["cotton"] = json!(known[3]); }
                }
            }
            scene.items.push(body);
            scene.entries.push(json!({"item": at, "carry_place": "stowed"}));
        }
        scene
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn verdicts_forgetting_a_fact_never_makes_a_rule_pass(scene in any_kit(), at in 0usize..9, which in 0usize..4) {
        let at = at % scene.items.len();
        let mut less = scene.clone();
        let body = less.items[at].as_object_mut().unwrap();
        match which {
            0 => { body.remove("head_mm"); body.remove("lumens"); body.remove("energy_kcal"); }
            1 => { body.remove("seams_taped"); }
            2 => { body["attributes"].as_object_mut().unwrap().remove("cell_type"); }
            _ => { body["attributes"] = json!({}); }
        }
        let (before, after) = (verdicts(&scene.facts()), verdicts(&less.facts()));
        prop_assert!(after.counts.met <= before.counts.met, "{before:#?} {after:#?}");
    }
}
