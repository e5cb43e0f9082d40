//! Questions that are no questions, and limits that run out.

use domain::lightest::{
    Item, Limits, Lock, LockedPlace, Need, Pocket, Problem, ProblemError, Reach, Requirement, Status,
    reasons, solve,
};

use crate::lightest_support::small_problem;

fn two_items() -> Problem {
    Problem {
        items: vec![Item::new("a", 5), Item::new("b", 7)],
        requirements: vec![count("r", vec![0, 1], 1)],
        ..Problem::default()
    }
}

fn count(id: &str, eligible: Vec<usize>, units: u32) -> Requirement {
    Requirement::new(id, Need::Count { eligible, units, shareable: false })
}

fn lock(item: usize, place: LockedPlace) -> Lock {
    Lock { item, units: 1, place }
}

fn refused(problem: &Problem) -> String {
    solve(problem, &mut Limits::default()).unwrap_err().to_string()
}

#[test]
fn solve_contradictory_locks_refused_with_the_item() {
    let mut p = two_items();
    p.locks.push(lock(0, LockedPlace::Free));
    p.excluded.push(0);
    assert!(refused(&p).contains("\"a\" is both demanded and excluded"));
    p.excluded.clear();
    p.locks.push(lock(0, LockedPlace::Free));
    assert!(refused(&p).contains("2 units of \"a\" are demanded and there are 1"));
    p.locks[1].item = 1;
    p.conflicts.push((1, 0));
    assert!(refused(&p).contains("exclude each other"));
    p.conflicts.clear();
    p.locks[1].place = LockedPlace::Inside(0);
    assert!(refused(&p).contains("\"a\" holds nothing"));
    let slow =
        Pocket { id: "rear".into(), volume: 9, mass_cap_mg: None, reach: Reach::VestOff, waterproof: false };
    p.pockets = Some(vec![slow]);
    p.items[1].reach = Reach::Moving;
    p.locks[1].place = LockedPlace::Pocket(0);
    assert!(refused(&p).contains("\"b\" is needed faster than pocket \"rear\""));
}

#[test]
fn solve_ill_formed_problems_refused_with_the_place() {
    let mut p = two_items();
    p.requirements.push(count("r", vec![], 1));
    assert_eq!(refused(&p), "two rules have the id \"r\"");
    p.requirements[1] = count("s", vec![2], 1);
    assert_eq!(refused(&p), "item 2 of rule \"s\" names nothing");
    let total =
        |amount, least| Need::Total { amounts: vec![(0, amount)], at_least: Some(least), at_most: None };
    p.requirements[1] = Requirement::new("s", total(-1, 1));
    assert!(refused(&p).contains("negative"));
    p.requirements[1] = Requirement::new("s", total(1, i64::MAX));
    assert!(refused(&p).contains("the most is"));
    let mut deep = count("deep", vec![0], 1);
    for k in 0..100 {
        deep = Requirement::new(format!("d{k}"), Need::AnyOf(vec![vec![deep]]));
    }
    p.requirements[1] = deep;
    assert!(matches!(solve(&p, &mut Limits::default()), Err(ProblemError::TooDeep(_))));
    let mut p = two_items();
    p.items[1].id = "a".into();
    assert!(refused(&p).contains("two items"));
    p.items[1] = Item::new("b", u64::MAX);
    assert!(refused(&p).contains("the mass of item \"b\""));
}

#[test]
fn solve_locked_item_never_dropped_and_rule_alone_blamed() {
    let mut p = two_items();
    p.locks.push(lock(1, LockedPlace::Free));
    let answer = solve(&p, &mut Limits::default()).unwrap();
    assert_eq!(answer.mass_mg, Some(7));
    assert_eq!(reasons(&p, &answer)[0].text, "locked");
    p.requirements.push(Requirement::new("ban", Need::Forbid(vec![1])));
    let answer = solve(&p, &mut Limits::default()).unwrap();
    assert_eq!((answer.status, &answer.blame[..]), (Status::Infeasible, &[1][..]));
}

#[test]
fn solve_out_of_nodes_bound_below_optimum() {
    let mut bounds = 0;
    for seed in 0..300 {
        let p = small_problem(seed);
        let whole = solve(&p, &mut Limits::default()).unwrap();
        for nodes in [0, 1, 2, 4] {
            let part = solve(&p, &mut Limits::nodes(nodes)).unwrap();
            bounds += u32::from(part.status == Status::Bound);
            if let Some(mass) = whole.mass_mg {
                assert!(part.lower_bound_mg.is_some_and(|b| b <= mass), "seed {seed}");
                assert!(part.mass_mg.is_none_or(|m| m >= mass), "seed {seed}");
            } else {
                assert_eq!(part.mass_mg, None);
            }
        }
        let mut stop = || true;
        let stopped = solve(&p, &mut Limits::default().stop_when(&mut stop)).unwrap();
        assert_eq!(stopped.status, Status::Bound);
    }
    assert!(bounds > 300);
}

#[test]
fn reasons_lighter_items_named_with_what_fails() {
    // A shell of 174 g; one 26 g lighter fails the head, another eligible one does not fit.
    let mut p = two_items();
    p.items = vec![Item::new("thin", 148_000), Item::new("bulky", 160_000), Item::new("shell", 174_000)];
    p.items[1].volume = 900;
    p.items[2].volume = 400;
    p.requirements = vec![count("shell-rule", vec![1, 2], 1)];
    p.requirements[0].near_misses = vec![(0, "8,000 mm < 10,000 mm".into())];
    p.pockets = Some(vec![Pocket {
        id: "rear".into(),
        volume: 500,
        mass_cap_mg: None,
        reach: Reach::VestOff,
        waterproof: false,
    }]);
    let answer = solve(&p, &mut Limits::default()).unwrap();
    let why = reasons(&p, &answer);
    assert_eq!(why.len(), 1);
    assert_eq!(
        why[0].text,
        "demanded by \"shell-rule\"; the lighter \"thin\" (26 g less) fails: 8,000 mm < 10,000 mm; \
         with the lighter \"bulky\" (14 g less) instead, the pockets do not hold it"
    );
}
