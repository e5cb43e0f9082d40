//! Pool life: every row of the check files (textbook remission data, lifelines), then refusals and invariance.

use domain::no_estimate::NoEstimate;
use domain::pool_life::*;
use proptest::prelude::*;

use crate::rows::{Row, after, assert_all_printed, assert_close, assert_printed, numbers, read};

fn lives(file: &str, keep: impl Fn(&Row) -> bool) -> Vec<ItemLife> {
    read(file)
        .iter()
        .filter(|row| keep(row))
        .map(|row| ItemLife::new(row.number("time"), row.text("event") == "1"))
        .collect()
}

fn six_mp() -> Vec<ItemLife> {
    lives("pool_life/six_mp.csv", |_| true)
}

fn waltons() -> Vec<ItemLife> {
    lives("pool_life/waltons.csv", |_| true)
}

/// `S(6)=.857 S(7)=.806`: every age named, and what is expected there.
fn check_survival(id: &str, curve: &KaplanMeier, expected: &str, tolerance: f64) {
    let mut checked = 0;
    for part in expected.split("S(").skip(1) {
        let age = numbers(part)[0].value;
        assert_printed(id, curve.survival_at(age).unwrap(), after(part, "="), tolerance);
        checked += 1;
    }
    assert!(checked > 0);
}

#[test]
fn pool_life_every_row_holds_at_its_tolerance() {
    let rows = read("pool_life/pool_life.csv");
    assert_eq!(rows.len(), 10);
    let curve = kaplan_meier(&six_mp(), 0.95).unwrap();
    let step = |age: f64| curve.steps.iter().find(|step| step.age == age).unwrap();
    for row in &rows {
        let (id, expected) = (row.text("check_id"), row.text("expected"));
        let is = |got: f64, label: &str| assert_printed(id, got, after(expected, label), row.tolerance());
        match id {
            "D19" => {
                // The row itself holds the lives, a `+` marking those still in remission.
                let data = row.text("input").split_once(") ").unwrap().1;
                let written: Vec<ItemLife> = data
                    .split_whitespace()
                    .map(|t| ItemLife::new(t.trim_end_matches('+').parse().unwrap(), !t.ends_with('+')))
                    .collect();
                assert_eq!(kaplan_meier(&written, 0.95).unwrap(), curve);
                check_survival(id, &curve, expected, row.tolerance());
            }
            "D20" => {
                let got = [6.0, 10.0, 23.0].map(|age| step(age).se);
                assert_all_printed(id, &got, &numbers(expected), row.tolerance());
            }
            "D21" => {
                let at = step(after(row.text("input"), "at ").value);
                assert_all_printed(id, &[at.low, at.high], &numbers(expected), row.tolerance());
            }
            "D22" => assert_eq!(curve.median, Some(numbers(expected)[0].value)),
            "D23" => {
                let fitted = fit_weibull(&six_mp()).unwrap();
                is(fitted.curve.scale, "lambda=");
                is(fitted.curve.shape, "rho=");
                is(fitted.log_likelihood, "loglik=");
                is(fitted.curve.age_at_failed(0.5).unwrap(), "median=");
            }
            "D24" => {
                let curve = kaplan_meier(&waltons(), 0.95).unwrap();
                assert_eq!((curve.n, curve.events), (163, 156));
                assert_eq!(curve.median, Some(after(expected, "median=").value));
                check_survival(id, &curve, expected, row.tolerance());
            }
            "D25" => {
                let fitted = fit_weibull(&waltons()).unwrap();
                is(fitted.curve.scale, "lambda=");
                is(fitted.curve.shape, "rho=");
                is(fitted.log_likelihood, "loglik=");
                let errors: Vec<f64> = expected.split("se ").skip(1).map(|s| numbers(s)[0].value).collect();
                assert_close(id, fitted.se_scale, errors[0], row.tolerance());
                assert_close(id, fitted.se_shape, errors[1], row.tolerance());
            }
            "D26" => {
                let group = |name: &str| lives("pool_life/waltons.csv", |row| row.text("group") == name);
                let (control, treated) = (group("control"), group("miR-137"));
                let test = log_rank(&[&control, &treated]).unwrap();
                is(test.chi2, "chi2=");
                let p = after(expected, "p=").value;
                assert_close(id, test.p / p, 1.0, 1e-3);
            }
            "D27" => {
                let input = row.text("input");
                let curve =
                    WeibullCurve::new(after(input, "lambda=").value, after(input, "rho=").value).unwrap();
                is(curve.mean().unwrap(), "mean=");
                is(curve.age_at_failed(0.1).unwrap(), "B10=");
                is(curve.survival_given(300.0, 200.0).unwrap(), "R(300|200)=");
            }
            "D30" => {
                let in_use: Vec<ItemLife> = (1..=5).map(|age| ItemLife::new(f64::from(age), false)).collect();
                let curve = kaplan_meier(&in_use, 0.95).unwrap();
                assert_eq!((curve.median, curve.steps.len(), curve.few_events), (None, 0, true));
                assert_eq!(curve.survival_at(5.0), Ok(1.0));
                assert_eq!(fit_weibull(&in_use), Err(NoEstimate::AllCensored));
            }
            id => panic!("no check for row {id}"),
        }
    }
}

#[test]
fn kaplan_meier_every_step_matches_lifelines() {
    let curves = [("6mp", six_mp()), ("waltons", waltons())]
        .map(|(name, lives)| (name, kaplan_meier(&lives, 0.95).unwrap()));
    let rows = read("pool_life/kaplan_meier.csv");
    let steps: usize = curves.iter().map(|(_, curve)| curve.steps.len()).sum();
    assert_eq!(rows.len(), steps, "every step is in the file");
    for row in rows {
        let curve = &curves.iter().find(|(name, _)| *name == row.text("dataset")).unwrap().1;
        let step = curve.steps.iter().find(|step| step.age == row.number("time")).unwrap();
        assert_eq!(step.at_risk as f64, row.number("at_risk"));
        assert_eq!(step.events as f64, row.number("events"));
        let close = |got: f64, column: &str| assert_close(column, got, row.number(column), row.tolerance());
        close(step.survival, "expected_S");
        close(step.se, "expected_se_greenwood");
        close(step.low, "expected_ci_low");
        close(step.high, "expected_ci_high");
    }
}

#[test]
fn pool_life_too_little_seen_refused() {
    let four: Vec<ItemLife> = (1..=9).map(|age| ItemLife::new(f64::from(age), age <= 4)).collect();
    assert!(matches!(fit_weibull(&four), Err(NoEstimate::TooFew { needed: 5, got: 4, .. })));
    assert!(matches!(log_rank(&[&four[..4], &four[4..]]), Err(NoEstimate::TooFew { needed: 5, got: 4, .. })));
    assert!(kaplan_meier(&four, 0.95).unwrap().few_events);
    let at_once: Vec<ItemLife> = (0..6).map(|_| ItemLife::new(3.0, true)).collect();
    assert!(matches!(fit_weibull(&at_once), Err(NoEstimate::NoSpread { .. })));
    assert!(matches!(log_rank(&[&at_once]), Err(NoEstimate::TooFew { .. })));
    assert!(log_rank(&[&at_once, &[]]).is_err());
    assert!(matches!(kaplan_meier(&[], 0.95), Err(NoEstimate::TooFew { .. })));
    // Never at risk together: one pool failed before the other entered.
    let early: Vec<ItemLife> = (1..=5).map(|age| ItemLife::new(f64::from(age), true)).collect();
    let late: Vec<ItemLife> =
        (1..=5).map(|age| ItemLife { entry: 10.0, exit: 10.0 + f64::from(age), failed: true }).collect();
    assert!(matches!(log_rank(&[&early, &late]), Err(NoEstimate::Singular { .. })));
}

#[test]
fn pool_life_bad_ages_get_a_reason() {
    let good = six_mp();
    for bad in [
        ItemLife::new(f64::NAN, true),
        ItemLife::new(f64::INFINITY, true),
        ItemLife::new(-1.0, true),
        ItemLife::new(0.0, true),
        ItemLife { entry: 5.0, exit: 4.0, failed: true },
        ItemLife { entry: f64::NAN, exit: 4.0, failed: false },
    ] {
        let mut lives = good.clone();
        lives.push(bad);
        assert!(kaplan_meier(&lives, 0.95).is_err() && fit_weibull(&lives).is_err());
        assert!(log_rank(&[&good, &lives]).is_err());
    }
    assert!(kaplan_meier(&good, 1.0).is_err() && kaplan_meier(&good, f64::NAN).is_err());
    assert!(kaplan_meier(&good, 0.95).unwrap().survival_at(36.0).is_err());
    assert!(WeibullCurve::new(0.0, 1.0).is_err() && WeibullCurve::new(1.0, f64::NAN).is_err());
    let curve = WeibullCurve::new(400.0, 2.0).unwrap();
    assert!(curve.survival_given(100.0, 200.0).is_err() && curve.age_at_failed(1.0).is_err());
    assert!(WeibullCurve::new(1.0, 1e-3).unwrap().mean().is_err());
}

#[test]
fn kaplan_meier_items_bought_used_count_from_their_entry() {
    // By hand: at age 2 only the items that entered before are at risk.
    let lives = [
        ItemLife::new(2.0, true),
        ItemLife::new(6.0, true),
        ItemLife { entry: 3.0, exit: 5.0, failed: true },
        ItemLife { entry: 4.0, exit: 8.0, failed: false },
    ];
    let curve = kaplan_meier(&lives, 0.95).unwrap();
    let table: Vec<(f64, usize, f64)> = curve.steps.iter().map(|s| (s.age, s.at_risk, s.survival)).collect();
    assert_eq!(table[0], (2.0, 2, 0.5));
    assert_eq!((table[1].0, table[1].1), (5.0, 3));
    assert!((table[1].2 - 1.0 / 3.0).abs() < 1e-15 && (table[2].2 - 1.0 / 6.0).abs() < 1e-15);
}

prop_compose! {
    fn pool()(n in 12usize..40)(
        items in prop::collection::vec((1.0f64..500.0, 0.0f64..0.9, any::<bool>()), n)
    ) -> Vec<ItemLife> {
        items.into_iter().enumerate().map(|(i, (exit, entry, failed))| ItemLife {
            entry: if i % 3 == 0 { exit * entry } else { 0.0 },
            exit,
            failed: failed || i < 6,
        }).collect()
    }
}

proptest! {
    #[test]
    fn pool_life_scaled_and_shuffled_follows(lives in pool(), scale in 0.01f64..100.0, turn in 0usize..40) {
        let mut moved: Vec<ItemLife> = lives.iter()
            .map(|l| ItemLife { entry: l.entry * scale, exit: l.exit * scale, ..*l }).collect();
        let len = moved.len();
        moved.rotate_left(turn % len);
        let (a, b) = (kaplan_meier(&lives, 0.9).unwrap(), kaplan_meier(&moved, 0.9).unwrap());
        prop_assert_eq!(a.steps.len(), b.steps.len());
        for (a, b) in a.steps.iter().zip(&b.steps) {
            prop_assert!((a.survival - b.survival).abs() < 1e-12 && (a.low - b.low).abs() < 1e-9);
            prop_assert!(a.low <= a.survival && a.survival <= a.high && (0.0..=1.0).contains(&a.survival));
        }
        match (fit_weibull(&lives), fit_weibull(&moved)) {
            (Ok(a), Ok(b)) => {
                prop_assert!((a.curve.shape / b.curve.shape - 1.0).abs() < 1e-7);
                prop_assert!((a.curve.scale * scale / b.curve.scale - 1.0).abs() < 1e-7);
                prop_assert!((a.se_scale * scale / b.se_scale - 1.0).abs() < 1e-5);
            }
            (a, b) => prop_assert!(a.is_err() && b.is_err()),
        }
    }

    #[test]
    fn fit_weibull_maximum_not_beaten_by_neighbours(lives in pool()) {
        let Ok(fitted) = fit_weibull(&lives) else { return Ok(()) };
        let log_likelihood = |scale: f64, shape: f64| -> f64 {
            lives.iter().map(|l| {
                let event = if l.failed { shape.ln() - shape * scale.ln() + (shape - 1.0) * l.exit.ln() } else { 0.0 };
                event - (l.exit / scale).powf(shape) + (l.entry / scale).powf(shape)
            }).sum()
        };
        let (scale, shape) = (fitted.curve.scale, fitted.curve.shape);
        let best = log_likelihood(scale, shape);
        prop_assert!((best - fitted.log_likelihood).abs() < 1e-8 * best.abs().max(1.0));
        for (ds, dr) in [(1.001, 1.0), (0.999, 1.0), (1.0, 1.001), (1.0, 0.999), (1.001, 0.999)] {
            prop_assert!(log_likelihood(scale * ds, shape * dr) <= best + 1e-9);
        }
        // The curvature in the scale, by differences, against the error of the scale at a held shape.
        let step = 1e-4 * scale;
        let bend = (log_likelihood(scale + step, shape) - 2.0 * best + log_likelihood(scale - step, shape)) / (step * step);
        let held = fitted.se_scale * (1.0 - fitted.correlation.powi(2)).sqrt();
        prop_assert!((held * (-bend).sqrt() - 1.0).abs() < 1e-3);
    }

    #[test]
    fn log_rank_pools_in_any_order_agree(a in pool(), b in pool(), c in pool()) {
        let (one, other) = (log_rank(&[&a, &b, &c]).unwrap(), log_rank(&[&c, &a, &b]).unwrap());
        prop_assert!((one.chi2 - other.chi2).abs() < 1e-7 * one.chi2.max(1.0));
        let total: f64 = one.expected.iter().sum();
        prop_assert!((total - one.observed.iter().sum::<usize>() as f64).abs() < 1e-8);
    }
}
