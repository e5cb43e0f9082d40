//! Verdicts in the cases where one item could serve several rules, or where something stands between an item and a
//! rule; with the words that a person reads.

use domain::ids::ItemId;
use domain::rules::{
    Candidate, Eligible, Evidence, Fact, Leaf, Offer, Race, Verdict, VerdictView, check, eligibility,
};
use serde_json::{Value as Json, json};

use crate::rules_support::{item_id, judge, kit, race, sheet};

fn verdicts(views: &[VerdictView]) -> Vec<Verdict> {
    views.iter().map(|v| v.verdict).collect()
}

fn used(view: &VerdictView) -> Vec<(ItemId, u32)> {
    view.used.iter().map(|u| (u.item_id, u.quantity)).collect()
}

fn hands() -> Json {
    json!([
        {"id": "over-mitts", "title": "over-mitts", "need": "count", "kinds": ["over_mitts"]},
        {"id": "gloves", "title": "gloves", "need": "count", "kinds": ["gloves"],
         "where": [{"attribute": "waterproof", "op": "=", "value": true}]},
    ])
}

#[test]
fn check_item_that_also_serves_used_once_and_the_note_says_where() {
    let mitten = json!({"name": "mitten A", "kind": "over_mitts", "also_serves": ["gloves"], "attributes": {"waterproof": true}});
    let alone = judge(hands(), json!([mitten]));
    assert_eq!(verdicts(&alone), [Verdict::Met, Verdict::NotMet]);
    assert_eq!(alone[1].note, "the only fitting gloves, \"mitten A\", already serves \"over-mitts\"");
    assert_eq!((alone[1].value, alone[1].limit, alone[1].margin), (Some(0.0), Some(1.0), Some(-1.0)));
    // With a second pair the mitten moves to the rule that nothing else serves.
    let plain = json!({"name": "mitten B", "kind": "over_mitts"});
    for items in [json!([mitten, plain]), json!([plain, mitten])] {
        assert_eq!(verdicts(&judge(hands(), items)), [Verdict::Met, Verdict::Met]);
    }
}

#[test]
fn check_greedy_order_would_fail_and_the_assignment_does_not() {
    // Three rules in a chain: first come first served leaves the last without its only item.
    let lamps = |least: u32| json!({"id": format!("lamp-{least}"), "need": "count", "kinds": ["head_lamp"], "where": [{"attribute": "lumens", "op": ">=", "value": least}]});
    let rules = json!([lamps(25), lamps(100), lamps(200)]);
    let lamp = |name: &str, lumens: u32| json!({"name": name, "kind": "head_lamp", "attributes": {"lumens": lumens}});
    let views = judge(rules, json!([lamp("A", 300), lamp("B", 150), lamp("C", 30)]));
    assert_eq!(verdicts(&views), [Verdict::Met; 3]);
    let serving: Vec<_> = views.iter().map(|v| v.used[0].item_id).collect();
    assert_eq!(serving, [item_id(2), item_id(1), item_id(0)]);
    assert_eq!((views[2].value, views[2].limit, views[2].margin), (Some(300.0), Some(200.0), Some(100.0)));
    assert_eq!((views[2].unit.as_deref(), views[2].evidence), (Some("lm"), Evidence::Label));
}

#[test]
fn check_equal_items_the_lower_id_serves() {
    let rules = json!([{"id": "whistle", "need": "count", "kinds": ["whistle"]}]);
    let views = judge(rules, json!([{"name": "B", "kind": "whistle"}, {"name": "A", "kind": "whistle"}]));
    assert_eq!(used(&views[0]), [(item_id(0), 1)]);
}

#[test]
fn check_shareable_rule_takes_nothing() {
    let rules = json!([
        {"id": "wind", "need": "count", "kinds": ["shell_jacket", "wind_jacket"], "shareable": true},
        {"id": "shell", "need": "count", "kinds": ["shell_jacket"]},
    ]);
    let views = judge(rules, json!([{"name": "shell A", "kind": "shell_jacket"}]));
    assert_eq!(verdicts(&views), [Verdict::Met, Verdict::Met]);
}

#[test]
fn check_quantity_beyond_the_stock_counts_only_the_stock() {
    let rules = json!([{"id": "cells", "need": "count", "kinds": ["spare_cell"], "count": 3}]);
    let items = json!([{"name": "cell A", "kind": "spare_cell", "quantity": 3, "stock": 2}]);
    let views = judge(rules, items);
    assert_eq!(verdicts(&views), [Verdict::NotMet]);
    assert_eq!(used(&views[0]), [(item_id(0), 2)]);
    assert!(views[0].note.contains("3 in the loadout, 2 in stock"), "{}", views[0].note);
}

#[test]
fn check_two_entries_of_one_item_give_one_unit() {
    let kit = kit(&json!([{"name": "lamp A", "kind": "head_lamp"}]));
    let rules = sheet(&json!([{"id": "lamps", "need": "count", "kinds": ["head_lamp"], "count": 2}]));
    let twice = [Offer::new(0), Offer::new(0)];
    assert_eq!(check(&rules, &kit.candidates, &twice, &race(&[])).verdicts[0].verdict, Verdict::NotMet);
}

#[test]
fn check_items_that_exclude_each_other_the_better_one_counts() {
    let rules = json!([
        {"id": "warm", "title": "warm layer", "need": "count", "kinds": ["mid_layer"]},
        {"id": "shell", "title": "shell", "need": "count", "kinds": ["shell_jacket"]},
        {"id": "spare", "title": "spare shell", "need": "count", "kinds": ["shell_jacket"]},
    ]);
    let items = json!([
        {"name": "thick A", "kind": "mid_layer"},
        {"name": "shell A", "kind": "shell_jacket", "conflicts_with": [0]},
        {"name": "shell B", "kind": "shell_jacket"},
    ]);
    let views = judge(rules.clone(), items);
    // Either the thick layer or shell A: two rules are met both ways, and the earlier rule wins the tie.
    assert_eq!(verdicts(&views), [Verdict::Met, Verdict::Met, Verdict::NotMet]);
    assert!(
        views[2].note.contains("\"shell A\" does not count beside an item that it excludes"),
        "{}",
        views[2].note
    );
    let thin = json!([
        {"name": "thick A", "kind": "mid_layer"},
        {"name": "shell A", "kind": "shell_jacket", "conflicts_with": [0]},
        {"name": "shell B", "kind": "shell_jacket"},
        {"name": "thin A", "kind": "mid_layer"},
    ]);
    assert_eq!(verdicts(&judge(rules, thin)), [Verdict::Met; 3]);
}

#[test]
fn check_pair_chooses_the_lamp_whose_cell_is_there() {
    let rules = json!([
        {"id": "spare", "need": "pair", "for": "lamps", "kinds": ["spare_cell"], "same_attribute": "cell_type"},
        {"id": "lamps", "need": "count", "kinds": ["head_lamp"], "count": 2},
    ]);
    let lamp = |name: &str, cell: &str| json!({"name": name, "kind": "head_lamp", "attributes": {"cell_type": cell}});
    let cell = |kind: &str, n: u32| json!({"name": "cell", "kind": "spare_cell", "attributes": {"cell_type": kind}, "quantity": n, "stock": n});
    let lamps = [lamp("A", "X1"), lamp("B", "X2"), lamp("C", "X2")];
    let views = judge(rules.clone(), json!([lamps[0], lamps[1], lamps[2], cell("X2", 2)]));
    assert_eq!(verdicts(&views), [Verdict::Met, Verdict::Met]);
    assert_eq!(used(&views[1]), [(item_id(1), 1), (item_id(2), 1)]);
    // One cell for two lamps is too few.
    let views = judge(rules, json!([lamps[0], lamps[1], lamps[2], cell("X2", 1)]));
    assert_eq!(verdicts(&views), [Verdict::NotMet, Verdict::Met]);
    assert_eq!((views[0].value, views[0].limit, views[0].margin), (Some(1.0), Some(2.0), Some(-1.0)));
}

#[test]
fn check_state_of_an_item_never_counts_and_the_note_says_so() {
    let rules = || json!([{"id": "shell", "need": "count", "kinds": ["shell_jacket"]}]);
    for (state, words) in [
        ("retired", "\"shell A\" is retired and does not count"),
        ("quarantined", "\"shell A\" is quarantined and does not count"),
        ("lent_out", "\"shell A\" is lent out and does not count"),
        ("expired", "\"shell A\" expires before the finish and does not count"),
    ] {
        let views = judge(rules(), json!([{"name": "shell A", "kind": "shell_jacket", "state": state}]));
        assert_eq!((views[0].verdict, views[0].note.as_str()), (Verdict::NotMet, words));
        assert!(views[0].used.is_empty());
    }
    let water = json!([{"id": "water", "need": "total", "kinds": ["soft_flask"], "measure": "capacity_ml", "at_least": 500}]);
    let items = json!([{"name": "flask A", "kind": "soft_flask", "attributes": {"capacity_ml": 600}, "state": "quarantined"}]);
    let views = judge(water, items);
    assert_eq!(views[0].verdict, Verdict::NotMet);
    assert!(views[0].note.contains("\"flask A\" is quarantined"), "{}", views[0].note);
}

fn shell(safety: Option<bool>, op: &str, limit: f64, attribute: &str) -> Json {
    let mut rule = json!({"id": "a", "need": "count", "kinds": ["shell_jacket"], "where": [{"attribute": attribute, "op": op, "value": limit}]});
    if let Some(safety) = safety {
        rule["safety"] = json!(safety);
    }
    json!([rule])
}

fn measured(attribute: &str, value: f64, low: Json, high: Json) -> Json {
    let fact = json!({"value": value, "low": low, "high": high, "evidence": "measured", "on": "2026-08-01"});
    json!([{"name": "shell A", "kind": "shell_jacket", "attributes": {attribute: fact}}])
}

#[test]
fn check_limit_inside_the_interval_not_shown_for_safety_alone() {
    let judge_head = |safety, value, low: f64, high: f64| {
        judge(shell(safety, ">=", 10_000.0, "head_mm"), measured("head_mm", value, json!(low), json!(high)))
            [0]
        .clone()
    };
    // The registry marks the head as a matter of safety.
    let view = judge_head(None, 10_100.0, 9_800.0, 10_400.0);
    assert_eq!((view.verdict, view.evidence), (Verdict::NotShown, Evidence::Measured));
    assert_eq!((view.value, view.low, view.high), (Some(10_100.0), Some(9_800.0), Some(10_400.0)));
    assert!((view.margin_u.unwrap() - 100.0 / (600.0 / 3.92)).abs() < 1e-9);
    assert_eq!(judge_head(None, 9_900.0, 9_500.0, 10_400.0).verdict, Verdict::NotShown);
    assert_eq!(judge_head(Some(false), 10_100.0, 9_800.0, 10_400.0).verdict, Verdict::Met);
    assert_eq!(judge_head(Some(false), 9_900.0, 9_500.0, 10_400.0).verdict, Verdict::NotMet);
    assert_eq!(judge_head(None, 10_100.0, 10_000.0, 10_200.0).verdict, Verdict::Met);
    assert_eq!(judge_head(None, 9_900.0, 9_800.0, 9_999.0).verdict, Verdict::NotMet);
    // Mass is none, unless the rule says so.
    let mass = |safety| {
        judge(shell(safety, "<=", 300.0, "mass_g"), measured("mass_g", 299.0, json!(298), json!(301)))
    };
    assert_eq!(mass(None)[0].verdict, Verdict::Met);
    assert_eq!(mass(Some(true))[0].verdict, Verdict::NotShown);
}

#[test]
fn check_censored_test_says_nothing_beyond_its_end() {
    // A column of two metres that did not leak: "at least 2000 mm".
    let at_least_2000 = || measured("head_mm", 2000.0, json!(2000), json!("open"));
    for safety in [None, Some(false)] {
        let view = judge(shell(safety, ">=", 10_000.0, "head_mm"), at_least_2000())[0].clone();
        assert_eq!(view.verdict, Verdict::NotShown);
        assert_eq!((view.low, view.high), (Some(2000.0), None));
        assert!(view.note.contains("at least 2,000 mm"), "{}", view.note);
    }
    assert_eq!(judge(shell(None, ">=", 1500.0, "head_mm"), at_least_2000())[0].verdict, Verdict::Met);
}

#[test]
fn check_conventional_head_of_a_class_not_enough_for_ten_metres() {
    // EN 343:2019 class 4 asks for 20 kPa, 2039 mm by 9.80665 Pa/mm (as reproduced publicly, original not opened):
    // as a lower bound it leaves a rule of 10,000 mm open.
    let head = (20_000.0f64 / 9.80665).floor();
    assert_eq!(head, 2039.0);
    let view =
        judge(shell(None, ">=", 10_000.0, "head_mm"), measured("head_mm", head, json!(head), json!("open")));
    assert_eq!(view[0].verdict, Verdict::NotShown);
}

#[test]
fn check_sums_that_equal_their_limit_are_met() {
    let rules = json!([{"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "at_least": 0.3}]);
    let crumb = |kcal: f64| json!({"name": "crumb", "kind": "food", "attributes": {"energy_kcal": kcal}});
    // 0.1 + 0.2 in binary is not 0.3.
    assert_eq!(judge(rules.clone(), json!([crumb(0.1), crumb(0.2)]))[0].margin, Some(0.0));
    assert_eq!(judge(rules, json!([crumb(0.1), crumb(0.1), crumb(0.1)]))[0].verdict, Verdict::Met);
}

#[test]
fn check_not_a_number_is_not_known() {
    let id = item_id(0);
    let rules = sheet(&shell(None, ">=", 10_000.0, "head_mm"));
    let race = Race::unknown("2026-08-18".parse().unwrap());
    for value in [f64::NAN, f64::INFINITY] {
        let item = Candidate::new(id, "shell A", domain::item_kind::ItemKind::ShellJacket)
            .with("head_mm", Fact::number(value, Evidence::Measured));
        let view = check(&rules, &[item], &[Offer::new(0)], &race).verdicts.remove(0);
        assert_eq!(view.verdict, Verdict::NotShown);
        assert!(view.value.is_none_or(f64::is_finite));
    }
    // A text where the registry has a number is not known either.
    let item = Candidate::new(id, "shell A", domain::item_kind::ItemKind::ShellJacket)
        .with("head_mm", Fact::new(domain::rules::Value::Text("a lot".to_owned()), Evidence::Label));
    assert_eq!(eligibility(&Leaf::of(&rules.rules[0]), &item, None, &race).eligible, Eligible::Unknown);
}

#[test]
fn check_age_of_evidence_counts_to_the_start() {
    let rules = |days: u32| {
        sheet(
            &json!([{"id": "a", "need": "count", "kinds": ["shell_jacket"], "max_age_d": days, "where": [{"attribute": "head_mm", "op": ">=", "value": 10000}]}]),
        )
    };
    let kit = kit(
        &json!([{"name": "shell A", "kind": "shell_jacket", "attributes": {"head_mm": {"value": 20000, "low": 19000, "high": 21000, "evidence": "measured", "on": "2026-07-29"}}}]),
    );
    // The race starts on 28 August, thirty days after the test.
    let verdict = |days| check(&rules(days), &kit.candidates, &kit.offers, &race(&[])).verdicts.remove(0);
    assert_eq!(verdict(30).verdict, Verdict::Met);
    assert_eq!(verdict(29).verdict, Verdict::NotShown);
    assert!(verdict(29).note.contains("30 days old at the start, more than 29"), "{}", verdict(29).note);
    // A rule that tests nothing that ages looks at when the item was last examined.
    let blanket = |checked: Option<&str>| {
        let rules = json!([{"id": "a", "need": "count", "kinds": ["foil_blanket"], "max_age_d": 365}]);
        judge(rules, json!([{"name": "foil A", "kind": "foil_blanket", "checked_on": checked}]))[0].verdict
    };
    assert_eq!(blanket(Some("2026-01-01")), Verdict::Met);
    assert_eq!(blanket(Some("2025-01-01")), Verdict::NotShown);
    assert_eq!(blanket(None), Verdict::NotShown);
}

#[test]
fn check_many_ways_that_all_fail_ends_and_passes_nothing() {
    // Forty rules for two units each of the same thirty items, and twenty pairs that exclude each other: far beyond
    // what can be tried in full.
    let rules: Vec<Json> = (0..40)
        .map(|i| json!({"id": format!("r{i}"), "need": "count", "kinds": ["food"], "count": 2 + i % 3}))
        .collect();
    let items: Vec<Json> = (0..30)
        .map(|i| {
            if i < 20 {
                json!({"name": format!("bar {i}"), "kind": "food", "conflicts_with": [(i + 7) % 30]})
            } else {
                json!({"name": format!("bar {i}"), "kind": "food"})
            }
        })
        .collect();
    let views = judge(json!(rules), json!(items));
    let units: u32 =
        views.iter().filter(|v| v.verdict == Verdict::Met).flat_map(|v| &v.used).map(|u| u.quantity).sum();
    assert!(units <= 30);
    assert!(views.iter().all(|v| v.verdict != Verdict::NotApplicable));
}

#[test]
fn check_value_of_a_miss_is_the_nearest_one() {
    let items = json!([
        {"name": "shell A", "kind": "shell_jacket", "attributes": {"head_mm": 5000}},
        {"name": "shell B", "kind": "shell_jacket", "attributes": {"head_mm": 8000}},
    ]);
    let view = judge(shell(None, ">=", 10_000.0, "head_mm"), items).remove(0);
    assert_eq!((view.value, view.limit, view.margin), (Some(8000.0), Some(10_000.0), Some(-2000.0)));
    assert_eq!(
        view.note,
        "\"shell A\" fails: hydrostatic head 5,000 mm < 10,000 mm; \"shell B\" fails: hydrostatic head 8,000 mm < 10,000 mm"
    );
    assert_eq!(serde_json::to_value(&view).unwrap()["verdict"], "not_met");
}
