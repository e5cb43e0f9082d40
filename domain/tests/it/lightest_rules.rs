//! The lightest set of a kit for a rule sheet against the verdicts: what is proposed gets all MET, and on small kits no
//! lighter set does when every one of them is tried.

use domain::lightest::{
    KitCandidate, LightestSet, Limits, Lock, LockedPlace, Pocket, Question, Reach, Status, lightest_set,
    offers,
};
use domain::rules::{Offer, Race, RuleSheet, Verdict, check};
use domain::units::{MassMg, Millilitres};
use serde_json::{Value as Json, json};

use crate::lightest_support::Random;
use crate::rules_support::{kit, race, sheet};

fn random_item(r: &mut Random, k: usize) -> Json {
    let kinds =
        ["shell_jacket", "mid_layer", "gloves", "over_mitts", "head_lamp", "spare_cell", "food", "hat"];
    let kind = kinds[r.within(0, 7) as usize];
    let mut attributes = serde_json::Map::new();
    let mut set = |name: &str, value: Json| {
        attributes.insert(name.to_owned(), value);
    };
    match kind {
        "shell_jacket" if !r.one_in(5) => {
            set("head_mm", json!([8000, 10_000, 20_000][r.within(0, 2) as usize]));
            set("seams_taped", json!(!r.one_in(3)));
        }
        "head_lamp" => {
            set("burn_h", json!(r.within(2, 9)));
            set("lumens", json!([40, 150, 300][r.within(0, 2) as usize]));
            set("cell_type", json!(["A3", "C1"][r.within(0, 1) as usize]));
        }
        "spare_cell" => {
            set("burn_h", json!(r.within(2, 6)));
            set("cell_type", json!(["a3", "C1"][r.within(0, 1) as usize]));
        }
        "food" => set("energy_kcal", json!(r.within(1, 4) * 100)),
        _ => {}
    }
    let mut item = json!({"name": format!("{kind} {k}"), "kind": kind, "attributes": attributes});
    if r.one_in(6) {
        item["also_serves"] = json!(["hat"]);
    }
    if r.one_in(8) {
        item["conflicts_with"] = json!([r.within(0, 4)]);
    }
    if kind == "food" && r.one_in(2) {
        item["stock"] = json!(3);
    }
    if r.one_in(12) {
        item["state"] = json!("retired");
    }
    item
}

fn random_rules(r: &mut Random, few: bool) -> Json {
    let all = [
        json!({"id": "shell", "need": "count", "kinds": ["shell_jacket"], "count": 1, "where": [
            {"attribute": "head_mm", "op": ">=", "value": 10_000}, {"attribute": "seams_taped", "op": "=", "value": true}]}),
        json!({"id": "warm", "need": "any_of", "options": [
            [{"id": "warm-mid", "need": "count", "kinds": ["mid_layer"], "count": 1}],
            [{"id": "warm-two", "need": "count", "kinds": ["shell_jacket", "hat"], "count": 2},
             {"id": "warm-hands", "need": "count", "kinds": ["gloves"], "count": 1, "shareable": true}]]}),
        json!({"id": "hands", "need": "count", "kinds": ["gloves", "over_mitts"], "count": 1}),
        json!({"id": "hat", "need": "count", "kinds": ["hat"], "count": 1}),
        json!({"id": "lamp", "need": "count", "kinds": ["head_lamp"], "count": r.within(1, 2), "where": [
            {"attribute": "lumens", "op": ">=", "value": 150}]}),
        json!({"id": "cell", "need": "pair", "for": "lamp", "kinds": ["spare_cell"], "same_attribute": "cell_type"}),
        json!({"id": "light", "need": "burn", "margin": 0.2}),
        json!({"id": "food", "need": "total", "kinds": ["food"], "measure": "energy_kcal",
            "at_least": r.within(1, 5) * 100}),
        json!({"id": "reserve", "need": "total", "kinds": ["food"], "measure": "energy_kcal", "reserve": true,
            "scope": "at_all_times", "at_least": 200, "at_most": 900}),
        json!({"id": "no-mitts", "need": "forbid", "kinds": ["over_mitts"], "when": "warm_day"}),
    ];
    let mut chosen: Vec<Json> = all.iter().filter(|_| r.one_in(3) == few).cloned().collect();
    if !chosen.iter().any(|c| c["id"] == "lamp") {
        chosen.retain(|c| c["id"] != "cell");
    }
    json!(chosen)
}

struct Case {
    sheet: RuleSheet,
    race: Race,
    kit: Vec<KitCandidate>,
}

fn case(seed: u64, items: usize) -> Case {
    let r = &mut Random(seed);
    let rules = random_rules(r, items < 10);
    let json: Vec<Json> = (0..items).map(|k| random_item(r, k)).collect();
    let candidates = kit(&json!(json)).candidates;
    let known =
        json!({"dark_h": r.within(0, 9), "active_sets": if r.one_in(2) { vec!["warm_day"] } else { vec![] }});
    let reaches = [Reach::Moving, Reach::AtStop, Reach::VestOff];
    Case {
        sheet: sheet(&rules),
        race: race(&[&known]),
        kit: candidates
            .into_iter()
            .map(|candidate| KitCandidate {
                candidate,
                mass: MassMg::new(r.within(20, 200) as f64).ok(),
                volume: Millilitres::new(r.within(10, 300) as f64).ok(),
                reach_needed: reaches[r.within(0, 2) as usize],
                holds: None,
                may_wear: false,
            })
            .collect(),
    }
}

fn solve(case: &Case, locks: &[Lock], pockets: Option<&[Pocket]>) -> LightestSet {
    let question =
        Question { sheet: &case.sheet, race: &case.race, kit: &case.kit, locks, excluded: &[], pockets };
    lightest_set(&question, &mut Limits::default()).unwrap()
}

fn all_met(case: &Case, offers: &[Offer]) -> bool {
    let candidates: Vec<_> = case.kit.iter().map(|k| k.candidate.clone()).collect();
    let verdicts = check(&case.sheet, &candidates, offers, &case.race).verdicts;
    verdicts.iter().all(|v| matches!(v.verdict, Verdict::Met | Verdict::NotApplicable))
}

#[test]
fn lightest_set_random_kits_all_verdicts_met() {
    let vest =
        [("front", 500.0, Reach::Moving), ("side", 500.0, Reach::AtStop), ("rear", 1500.0, Reach::VestOff)]
            .map(|(id, ml, reach)| Pocket {
                id: id.into(),
                volume: (ml * 1000.0) as u64,
                mass_cap_mg: None,
                reach,
                waterproof: false,
            });
    let (mut proven, mut infeasible) = (0, 0);
    for seed in 0..150 {
        let case = case(seed, 30);
        let lock = Lock { item: 3, units: 1, place: LockedPlace::Free };
        let locks = if seed % 3 == 0 { vec![lock] } else { Vec::new() };
        let set = solve(&case, &locks, Some(&vest));
        match set.status {
            Status::Proven => {
                proven += 1;
                assert!(all_met(&case, &offers(&case.kit, &set.entries)), "seed {seed}: {set:#?}");
                assert!(set.entries.iter().all(|e| e.pocket_id.is_some()));
                let locked = case.kit[3].candidate.item_id;
                assert!(locks.is_empty() || set.entries.iter().any(|e| e.item_id == locked));
                for e in &set.entries {
                    assert!(set.reasons.iter().any(|r| r.item_id == e.item_id), "seed {seed}: no reason");
                }
            }
            Status::Infeasible => {
                infeasible += 1;
                assert!(!set.blame.is_empty() || set.blame_pockets, "seed {seed}");
            }
            Status::Bound => panic!("seed {seed}: {set:#?}"),
        }
    }
    assert!(proven > 50 && infeasible > 5, "{proven} {infeasible}");
}

#[test]
fn lightest_set_small_kits_no_lighter_set_is_all_met() {
    let mut proven = 0;
    for seed in 1000..1400 {
        let case = case(seed, 8);
        let set = solve(&case, &[], None);
        let best = lightest_by_trial(&case);
        let found = set.mass_g.map(|g| (g * 1000.0).round() as u64);
        assert_eq!(found, best, "seed {seed}: {set:#?}\n{:#?}", case.sheet);
        assert_eq!(set.status == Status::Proven, best.is_some());
        proven += u32::from(best.is_some());
    }
    assert!(proven > 100, "{proven}");
}

/// The mass of the lightest selection that gets all MET, every selection tried.
fn lightest_by_trial(case: &Case) -> Option<u64> {
    let most: Vec<u32> = case
        .kit
        .iter()
        .map(|k| if k.candidate.unfit.is_some() { 0 } else { k.candidate.stock.unwrap_or(1) })
        .collect();
    let mut units = vec![0u32; most.len()];
    let mut best: Option<u64> = None;
    loop {
        let mass: i64 =
            units.iter().zip(&case.kit).map(|(&u, k)| i64::from(u) * k.mass.map_or(0, MassMg::scaled)).sum();
        let clash = case.kit.iter().enumerate().any(|(i, k)| {
            units[i] > 0
                && case.kit.iter().enumerate().any(|(j, o)| {
                    units[j] > 0 && k.candidate.conflicts_with.contains(&o.candidate.item_id) && i != j
                })
        });
        if !clash && best.is_none_or(|b| (mass as u64) < b) {
            let offers: Vec<Offer> = (0..units.len())
                .filter(|&i| units[i] > 0)
                .map(|i| Offer { quantity: units[i], reserve: true, ..Offer::new(i) })
                .collect();
            if all_met(case, &offers) {
                best = Some(mass as u64);
            }
        }
        let mut i = 0;
        while i < units.len() && units[i] == most[i] {
            units[i] = 0;
            i += 1;
        }
        if i == units.len() {
            return best;
        }
        units[i] += 1;
    }
}

#[test]
fn lightest_set_unknown_mass_left_out_and_said() {
    let mut case = case(7, 12);
    case.sheet = sheet(&json!([{"id": "hat", "need": "count", "kinds": ["hat"], "count": 1}]));
    let hats =
        json!([{"name": "A", "kind": "hat"}, {"name": "B", "kind": "hat"}, {"name": "C", "kind": "hat"}]);
    let candidates = kit(&hats).candidates;
    case.kit.truncate(3);
    for (k, candidate) in case.kit.iter_mut().zip(candidates) {
        k.candidate = candidate;
    }
    case.kit[0].mass = None;
    let set = solve(&case, &[], None);
    assert_eq!(set.status, Status::Proven);
    assert_ne!(set.entries[0].item_id, case.kit[0].candidate.item_id);
    assert!(set.reasons[0].text.contains("its mass is not known: left out"));
}

#[test]
fn lightest_set_shell_too_thin_said_with_both_numbers() {
    let mut case = case(7, 12);
    case.sheet = sheet(&json!([{"id": "shell", "need": "count", "kinds": ["shell_jacket"], "count": 1,
        "where": [{"attribute": "head_mm", "op": ">=", "value": 10_000}]}]));
    let shells = json!([
        {"name": "A", "kind": "shell_jacket", "attributes": {"head_mm": 8000}},
        {"name": "B", "kind": "shell_jacket", "attributes": {"head_mm": 20_000}}]);
    let candidates = kit(&shells).candidates;
    case.kit.truncate(2);
    for (k, candidate) in case.kit.iter_mut().zip(candidates) {
        k.candidate = candidate;
    }
    case.kit[0].mass = MassMg::new(148.0).ok();
    case.kit[1].mass = MassMg::new(174.0).ok();
    let set = solve(&case, &[], None);
    assert_eq!(set.mass_g, Some(174.0));
    assert!(
        set.reasons[0].text.ends_with("(26 g less) fails: 8,000 mm < 10,000 mm"),
        "{}",
        set.reasons[0].text
    );
}
