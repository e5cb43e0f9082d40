//! The lightest set against an enumeration of all sets, on small problems with every kind of need, lock and place.

use domain::lightest::{Limits, Problem, Status, solve};

use crate::lightest_support::{Random, enumerate, key, small_problem, works};

fn units(problem: &Problem, answer: &domain::lightest::Answer) -> Vec<u32> {
    let mut units = vec![0; problem.items.len()];
    for c in &answer.chosen {
        units[c.item] += c.units;
    }
    units
}

#[test]
fn solve_small_problems_same_set_as_enumeration() {
    let (mut feasible, mut infeasible) = (0, 0);
    for seed in 0..3000 {
        let problem = small_problem(seed);
        let answer = solve(&problem, &mut Limits::default()).unwrap();
        match enumerate(&problem) {
            Some((best, _)) => {
                feasible += 1;
                assert_eq!(answer.status, Status::Proven, "seed {seed}: {problem:?}");
                let found = key(&problem, &units(&problem, &answer));
                assert_eq!(found, best, "seed {seed}: {problem:#?}");
                assert_eq!(answer.mass_mg, Some(best.0));
                assert!(answer.tie_break_proven);
            }
            None => {
                infeasible += 1;
                assert_eq!(answer.status, Status::Infeasible, "seed {seed}: {problem:#?}");
            }
        }
    }
    println!("{feasible} with a set, {infeasible} without");
    assert!(feasible >= 500 && infeasible >= 200, "{feasible} {infeasible}");
}

#[test]
fn solve_infeasible_blames_a_smallest_part() {
    let mut looked_at = 0;
    for seed in 0..3000 {
        let problem = small_problem(seed);
        let answer = solve(&problem, &mut Limits::default()).unwrap();
        if answer.status != Status::Infeasible {
            continue;
        }
        looked_at += 1;
        assert!(answer.blame_minimal, "seed {seed}");
        let kept = |keep: &[usize]| Problem {
            requirements: keep.iter().map(|&k| problem.requirements[k].clone()).collect(),
            pockets: if answer.blame_fit { problem.pockets.clone() } else { None },
            ..problem.clone()
        };
        assert!(
            enumerate(&kept(&answer.blame)).is_none(),
            "seed {seed}: the blamed rules can be met: {:?} {problem:?}",
            answer.blame
        );
        for &r in &answer.blame {
            let rest: Vec<usize> = answer.blame.iter().copied().filter(|&k| k != r).collect();
            assert!(enumerate(&kept(&rest)).is_some(), "seed {seed}: rule {r} is blamed in vain");
        }
    }
    assert!(looked_at >= 200);
}

#[test]
fn solve_added_item_never_heavier() {
    for seed in 0..300 {
        let problem = small_problem(seed);
        let last = problem.items.len() - 1;
        // The problem without its last item, and with it.
        let mut fewer = problem.clone();
        fewer.excluded.push(last);
        if fewer.validate().is_err() {
            continue;
        }
        let with = solve(&problem, &mut Limits::default()).unwrap();
        let without = solve(&fewer, &mut Limits::default()).unwrap();
        if problem.excluded.contains(&last) || without.mass_mg.is_none() {
            continue;
        }
        assert!(with.mass_mg.is_some() && with.mass_mg <= without.mass_mg, "seed {seed}");
    }
}

#[test]
fn solve_dropped_rule_never_heavier() {
    for seed in 0..300 {
        let problem = small_problem(seed);
        let all = solve(&problem, &mut Limits::default()).unwrap();
        for k in 0..problem.requirements.len() {
            let mut fewer = problem.clone();
            fewer.requirements.remove(k);
            let rest = solve(&fewer, &mut Limits::default()).unwrap();
            if let Some(mass) = all.mass_mg {
                assert!(rest.mass_mg.is_some_and(|m| m <= mass), "seed {seed}, rule {k}");
            }
        }
    }
}

#[test]
fn solve_shuffled_problem_same_set() {
    for seed in 0..300 {
        let problem = small_problem(seed);
        let mut shuffled = problem.clone();
        let mut order: Vec<usize> = (0..problem.items.len()).collect();
        Random(seed).shuffle(&mut order);
        let place = |old: usize| order.iter().position(|&k| k == old).unwrap();
        shuffled.items = order.iter().map(|&k| problem.items[k].clone()).collect();
        renumber(&mut shuffled, place);
        Random(seed + 1).shuffle(&mut shuffled.requirements);
        Random(seed + 2).shuffle(&mut shuffled.conflicts);
        let one = solve(&problem, &mut Limits::default()).unwrap();
        let other = solve(&shuffled, &mut Limits::default()).unwrap();
        assert_eq!(one.status, other.status, "seed {seed}");
        assert_eq!(one.mass_mg, other.mass_mg, "seed {seed}");
        if one.mass_mg.is_some() {
            let (a, b) = (units(&problem, &one), units(&shuffled, &other));
            assert_eq!(key(&problem, &a), key(&shuffled, &b), "seed {seed}");
        }
    }
}

fn renumber(problem: &mut Problem, place: impl Fn(usize) -> usize + Copy) {
    use domain::lightest::{LockedPlace, Need, Requirement};
    fn inner(r: &mut Requirement, place: impl Fn(usize) -> usize + Copy) {
        match &mut r.need {
            Need::Count { eligible, .. } => eligible.iter_mut().for_each(|i| *i = place(*i)),
            Need::Total { amounts, .. } => amounts.iter_mut().for_each(|a| a.0 = place(a.0)),
            Need::AnyOf(options) => options.iter_mut().flatten().for_each(|r| inner(r, place)),
            Need::Pair { groups, .. } => {
                for g in groups {
                    g.items.iter_mut().chain(g.partners.iter_mut()).for_each(|i| *i = place(*i));
                }
            }
            Need::Forbid(items) => items.iter_mut().for_each(|i| *i = place(*i)),
        }
    }
    problem.requirements.iter_mut().for_each(|r| inner(r, place));
    problem.excluded.iter_mut().for_each(|i| *i = place(*i));
    problem.conflicts.iter_mut().for_each(|c| *c = (place(c.0), place(c.1)));
    for (item, others) in &mut problem.requires {
        *item = place(*item);
        others.iter_mut().for_each(|i| *i = place(*i));
    }
    for lock in &mut problem.locks {
        lock.item = place(lock.item);
        if let LockedPlace::Inside(c) = &mut lock.place {
            *c = place(*c);
        }
    }
}

#[test]
fn solve_found_set_works_when_looked_at_plainly() {
    for seed in 5000..5300 {
        let problem = small_problem(seed);
        let answer = solve(&problem, &mut Limits::default()).unwrap();
        if answer.mass_mg.is_some() {
            assert!(works(&problem, &units(&problem, &answer)), "seed {seed}");
        }
    }
}
