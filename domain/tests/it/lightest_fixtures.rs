//! The lightest set against optima of general-purpose solvers: HiGHS (Huangfu and Hall, 2018), CP-SAT of OR-Tools, and an
//! enumeration of all sets. The instances and who solved them: `fixtures/lightest/README.md`.

use std::collections::BTreeMap;

use domain::lightest::kit_like::Instance;
use domain::lightest::{
    Answer, Item, Limits, Need, Pocket, Problem, Reach, Requirement, Status, reasons, solve,
};
use serde::Deserialize;

#[derive(Deserialize)]
struct Expected {
    status: Status,
    mass_g: Option<u64>,
}

#[derive(Deserialize)]
struct WithExpected {
    expected: Expected,
    #[serde(flatten)]
    instance: Instance,
}

fn ids(problem: &Problem, answer: &Answer) -> Vec<String> {
    let mut ids: Vec<String> = answer.chosen.iter().map(|c| problem.items[c.item].id.clone()).collect();
    ids.sort();
    ids
}

#[test]
fn solve_kit_instances_same_status_and_mass_as_highs() {
    let text = include_str!("../../../fixtures/lightest/kit_instances.json");
    let all: Vec<WithExpected> = serde_json::from_str(text).unwrap();
    assert_eq!(all.len(), 24);
    for case in all {
        let problem = case.instance.problem();
        let answer = solve(&problem, &mut Limits::default()).unwrap();
        assert_eq!(answer.status, case.expected.status, "{}", case.instance.name);
        assert_eq!(answer.mass_mg, case.expected.mass_g.map(|g| g * 1000), "{}", case.instance.name);
        if answer.mass_mg.is_some() {
            assert!(answer.tie_break_proven);
            let why = reasons(&problem, &answer);
            for c in &answer.chosen {
                assert!(why.iter().any(|r| r.item == c.item), "{}", case.instance.name);
            }
            assert!(why.iter().all(|r| !r.text.contains("no lighter set without it")), "{why:#?}");
        } else {
            assert!(!answer.blame.is_empty(), "{}", case.instance.name);
        }
    }
}

#[derive(Deserialize)]
struct Loadout {
    instance: LoadoutInstance,
    optimum_g: Option<u64>,
    optimal_sets: Option<Vec<Vec<String>>>,
}

#[derive(Deserialize)]
struct LoadoutInstance {
    name: String,
    items: Vec<LoadoutItem>,
    reqs: Vec<LoadoutNeed>,
    #[serde(default)]
    excl: Vec<(String, String)>,
    #[serde(default)]
    comps: BTreeMap<String, u64>,
}

#[derive(Deserialize)]
struct LoadoutItem {
    id: String,
    mass: u64,
    vol: u64,
    tags: Vec<String>,
    attrs: BTreeMap<String, f64>,
    comp: Option<Vec<String>>,
}

#[derive(Deserialize)]
struct LoadoutNeed {
    r#type: String,
    tag: String,
    #[serde(default)]
    n: u32,
    #[serde(default)]
    exclusive: bool,
    #[serde(default)]
    min: BTreeMap<String, (String, f64)>,
    #[serde(default)]
    attr: String,
    #[serde(default)]
    min_total: i64,
}

fn loadout(instance: &LoadoutInstance, with_pockets: bool) -> Problem {
    let names: Vec<&String> = instance.comps.keys().collect();
    let index = |id: &String| instance.items.iter().position(|i| i.id == *id).unwrap();
    let items = instance.items.iter().map(|i| Item {
        volume: i.vol,
        only_in: i
            .comp
            .as_ref()
            .map(|c| c.iter().map(|c| names.iter().position(|n| *n == c).unwrap()).collect()),
        ..Item::new(i.id.clone(), i.mass * 1000)
    });
    let requirements = instance.reqs.iter().map(|r| {
        let able: Vec<usize> = (0..instance.items.len())
            .filter(|&i| instance.items[i].tags.contains(&r.tag))
            .filter(|&i| {
                r.min.iter().all(|(name, (op, limit))| {
                    instance.items[i].attrs.get(name).is_some_and(|v| match op.as_str() {
                        ">=" => v >= limit,
                        _ => v == limit,
                    })
                })
            })
            .collect();
        let need = if r.r#type == "count" {
            Need::Count { eligible: able, units: r.n, shareable: !r.exclusive }
        } else {
            let amounts = able.iter().map(|&i| (i, instance.items[i].attrs[&r.attr] as i64)).collect();
            Need::Total { amounts, at_least: Some(r.min_total), at_most: None }
        };
        Requirement::new(r.tag.clone(), need)
    });
    let pockets = instance.comps.iter().map(|(name, volume)| Pocket {
        id: name.clone(),
        volume: *volume,
        mass_cap_mg: None,
        reach: Reach::Moving,
        waterproof: false,
    });
    Problem {
        items: items.collect(),
        requirements: requirements.collect(),
        conflicts: instance.excl.iter().map(|(a, b)| (index(a), index(b))).collect(),
        pockets: (with_pockets && !instance.comps.is_empty()).then(|| pockets.collect()),
        ..Problem::default()
    }
}

#[test]
fn solve_loadout_instances_the_unique_optimum() {
    let text = include_str!("../../../fixtures/lightest/loadout_instances.json");
    let all: Vec<Loadout> = serde_json::from_str(text).unwrap();
    assert!(all.len() >= 5);
    for case in &all {
        let problem = loadout(&case.instance, true);
        let answer = solve(&problem, &mut Limits::default()).unwrap();
        assert_eq!(answer.mass_mg, case.optimum_g.map(|g| g * 1000), "{}", case.instance.name);
        match &case.optimal_sets {
            Some(sets) => {
                assert_eq!(answer.status, Status::Proven);
                let mut sets: Vec<Vec<String>> = sets.clone();
                sets.iter_mut().for_each(|s| s.sort());
                assert_eq!(sets.len(), 1);
                assert_eq!(ids(&problem, &answer), sets[0], "{}", case.instance.name);
            }
            None => {
                assert_eq!(answer.status, Status::Infeasible);
                let blame: Vec<&str> =
                    answer.blame.iter().map(|&r| problem.requirements[r].id.as_str()).collect();
                assert_eq!(blame, ["shell"]);
                assert!(!answer.blame_fit && answer.blame_minimal);
            }
        }
    }
    // Row P5 of 09_loadout.csv: the compartments' instance without its compartments.
    let pockets = all.iter().find(|c| !c.instance.comps.is_empty()).unwrap();
    let answer = solve(&loadout(&pockets.instance, false), &mut Limits::default()).unwrap();
    assert_eq!(answer.mass_mg, Some(1_080_000));
}

#[test]
fn solve_greedy_trap_optimum_at_equality() {
    // Row P7 of 09_loadout.csv: 800 kcal exactly; choosing by kcal per gram and pruning gives 195 g.
    let foods = [("A", 60, 270), ("B", 100, 430), ("C", 95, 400), ("D", 90, 370)];
    let problem = Problem {
        items: foods.iter().map(|f| Item::new(f.0, f.1 * 1000)).collect(),
        requirements: vec![Requirement::new(
            "food",
            Need::Total {
                amounts: foods.iter().enumerate().map(|(i, f)| (i, f.2)).collect(),
                at_least: Some(800),
                at_most: None,
            },
        )],
        ..Problem::default()
    };
    let answer = solve(&problem, &mut Limits::default()).unwrap();
    assert_eq!(answer.mass_mg, Some(190_000));
    assert_eq!(ids(&problem, &answer), ["B", "D"]);
}
