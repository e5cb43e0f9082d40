//! What shifting, scaling, turning and shuffling do to a trend, and what bad input gets.

use domain::ids::ItemId;
use domain::no_estimate::NoEstimate;
use domain::trends::*;
use proptest::prelude::*;
use uuid::Uuid;

fn series() -> impl Strategy<Value = (Vec<f64>, Vec<f64>)> {
    (12usize..60).prop_flat_map(|n| {
        (prop::collection::vec(1u32..9, n), prop::collection::vec(3800i32..4300, n)).prop_map(
            |(gaps, grams)| {
                let mut day = 0;
                let times = gaps.iter().map(|gap| {
                    day += gap;
                    f64::from(day)
                });
                (times.collect(), grams.iter().map(|&g| f64::from(g) / 8.0).collect())
            },
        )
    })
}

fn not_level(y: &[f64]) -> bool {
    y.iter().any(|v| *v != y[0])
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * (1.0 + a.abs().max(b.abs()))
}

fn map(values: &[f64], f: impl Fn(f64) -> f64) -> Vec<f64> {
    values.iter().map(|v| f(*v)).collect()
}

proptest! {
    #[test]
    fn lines_shifted_and_scaled_values_follow((x, y) in series(), factor in prop::sample::select(vec![0.5, 2.0, 4.0])) {
        prop_assume!(not_level(&y));
        let moved = map(&y, |v| v * factor + 64.0);
        let (a, b) = (theil_sen(&x, &y, 0.9).unwrap(), theil_sen(&x, &moved, 0.9).unwrap());
        prop_assert!(close(a.slope * factor, b.slope));
        prop_assert!(close(a.interval.low * factor, b.interval.low) && close(a.interval.high * factor, b.interval.high));
        let (a, b) = (fit_line(&x, &y).unwrap(), fit_line(&x, &moved).unwrap());
        prop_assert!(close(a.slope * factor, b.slope) && close(a.intercept * factor + 64.0, b.intercept));
        prop_assert!(close(a.residual_sd * factor, b.residual_sd) && close(a.r_squared, b.r_squared));
    }

    #[test]
    fn lines_shifted_times_keep_the_slope((x, y) in series(), origin in prop::sample::select(vec![-5e4, 2e4, 1.7e9])) {
        prop_assume!(not_level(&y));
        let moved = map(&x, |t| t + origin);
        prop_assert_eq!(theil_sen(&x, &y, 0.9).unwrap().slope, theil_sen(&moved, &y, 0.9).unwrap().slope);
        let (a, b) = (fit_line(&x, &y).unwrap(), fit_line(&moved, &y).unwrap());
        prop_assert!((a.slope - b.slope).abs() <= 1e-9 && (a.slope_se - b.slope_se).abs() <= 1e-9);
        let (here, there) = (a.predict(70.0, 0.95).unwrap(), b.predict(70.0 + origin, 0.95).unwrap());
        prop_assert!(close(here.observation.low, there.observation.low) && close(here.mean.high, there.mean.high));
    }

    #[test]
    fn lines_shuffled_points_give_the_same((x, y) in series(), seed in any::<u64>()) {
        prop_assume!(not_level(&y));
        let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
        points.sort_by_key(|p| (p.0.to_bits() ^ seed).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let (u, v): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        prop_assert_eq!(theil_sen(&x, &y, 0.95), theil_sen(&u, &v, 0.95));
        let (a, b) = (fit_line(&x, &y).unwrap(), fit_line(&u, &v).unwrap());
        prop_assert!(close(a.slope, b.slope) && close(a.residual_sd, b.residual_sd));
    }

    #[test]
    fn tests_negated_values_change_sign_only((x, y) in series()) {
        prop_assume!(not_level(&y));
        let turned = map(&y, |v| -v);
        let (here, there) = (Series::new(&x, &y).unwrap(), Series::new(&x, &turned).unwrap());
        let (a, b) = (mann_kendall(&here).unwrap(), mann_kendall(&there).unwrap());
        prop_assert_eq!((a.s, a.var_s, a.p()), (-b.s, b.var_s, b.p()));
        prop_assert_eq!(pettitt(&here), pettitt(&there));
        let (a, b) = (cusum(&here).unwrap(), cusum(&there).unwrap());
        prop_assert!(close(a.max_abs, b.max_abs) && close(a.p, b.p));
    }

    #[test]
    fn mann_kendall_any_rising_map_changes_nothing((x, y) in series()) {
        prop_assume!(not_level(&y));
        let bent = map(&y, |v| (v / 100.0).exp());
        let a = mann_kendall(&Series::new(&x, &y).unwrap()).unwrap();
        let b = mann_kendall(&Series::new(&x, &bent).unwrap()).unwrap();
        prop_assert_eq!(a, b);
    }

    #[test]
    fn pelt_shifted_and_scaled_values_keep_the_changes((x, y) in series(), min_size in 1usize..5) {
        prop_assume!(not_level(&y));
        let moved = map(&y, |v| 2.0 * v - 300.0);
        let (a, b) = (Series::new(&x, &y).unwrap(), Series::new(&x, &moved).unwrap());
        let (p, q) = (penalty(&a, 1.0).unwrap(), penalty(&b, 1.0).unwrap());
        let (a, b) = (pelt(&a, p, min_size).unwrap(), pelt(&b, q, min_size).unwrap());
        prop_assert!((4.0 * a.cost - b.cost).abs() <= 1e-9 * b.cost.abs().max(1.0));
        prop_assert!(a.segments.iter().all(|s| s.to - s.from >= min_size));
    }

    #[test]
    fn comparisons_swapped_groups_change_sign(
        a in prop::collection::vec(3800i32..4300, 5..30),
        b in prop::collection::vec(3800i32..4300, 5..30),
    ) {
        let (a, b): (Vec<f64>, Vec<f64>) = (a.iter().map(|&v| v.into()).collect(), b.iter().map(|&v| v.into()).collect());
        let (Ok(here), Ok(there)) = (welch(&a, &b, 0.95), welch(&b, &a, 0.95)) else { return Ok(()) };
        prop_assert!(close(here.t, -there.t) && close(here.p, there.p) && close(here.interval.low, -there.interval.high));
        let n = a.len().min(b.len());
        let (Ok(here), Ok(there)) = (signed_rank(&a[..n], &b[..n]), signed_rank(&b[..n], &a[..n])) else { return Ok(()) };
        prop_assert_eq!((here.w, here.p, here.w_plus), (there.w, there.p, there.w_minus));
    }

    #[test]
    fn season_change_any_two_sets_close_to_the_milligram(
        before in prop::collection::vec((0u64..12, 0i64..900_000), 0..12),
        after in prop::collection::vec((0u64..12, 0i64..900_000), 1..12),
    ) {
        let set = |lines: &[(u64, i64)]| -> Vec<ItemMass> {
            lines.iter().map(|&(id, mg)| ItemMass { item: item(id), mass_mg: mg, u_g: 0.3 }).collect()
        };
        let sum = |lines: &[(u64, i64)]| lines.iter().map(|l| l.1).sum::<i64>();
        let change = season_change(&set(&before), &set(&after)).unwrap();
        let parts = [&change.added, &change.removed, &change.lighter, &change.heavier];
        prop_assert_eq!(change.total_mg, sum(&after) - sum(&before));
        prop_assert_eq!(parts.iter().map(|p| SeasonChange::sum_mg(p)).sum::<i64>(), change.total_mg);
        prop_assert!(change.lighter.iter().all(|c| c.change_mg() < 0) && change.heavier.iter().all(|c| c.change_mg() > 0));
    }

    /// Whatever bits come in: a number that is one, or a reason.
    #[test]
    fn estimators_any_numbers_neither_panic_nor_give_nan(
        x in prop::collection::vec(any_number(), 0..16),
        y in prop::collection::vec(any_number(), 0..16),
        level in any_number(),
    ) {
        let finite = |values: &[f64]| values.iter().all(|v| v.is_finite());
        for level in [level, 0.95] {
            if let Ok(fit) = theil_sen(&x, &y, level) {
                prop_assert!(finite(&[fit.slope, fit.interval.low, fit.interval.high, fit.intercept_joint]));
            }
            if let Ok(fit) = fit_line(&x, &y) {
                prop_assert!(finite(&[fit.intercept, fit.intercept_se, fit.slope, fit.slope_se, fit.r_squared]));
                if let Ok(there) = fit.predict(level, 0.9) {
                    prop_assert!(finite(&[there.value, there.observation.low, there.observation.high]));
                }
            }
            if let Ok(test) = welch(&x, &y, level) {
                prop_assert!(finite(&[test.t, test.dof, test.p, test.interval.low]));
            }
            if let Ok(test) = paired_t(&x, &y, level) {
                prop_assert!(finite(&[test.t, test.p, test.interval.low]));
            }
            if let Ok(found) = bootstrap(&y, |v| v.iter().sum::<f64>() / v.len() as f64, level, 200, 1) {
                prop_assert!(finite(&[found.bca.low, found.percentile.high, found.standard_error]));
            }
        }
        if let Ok(test) = signed_rank(&x, &y) {
            prop_assert!(finite(&[test.w, test.p]));
        }
        if let Ok(series) = Series::new(&x, &y) {
            let test = mann_kendall(&series).unwrap();
            prop_assert!(finite(&[test.z, test.p(), test.tau_b]));
            if let Ok(test) = cusum(&series) {
                prop_assert!(finite(&[test.max_abs, test.scaled, test.p]));
            }
            if let Ok(found) = change_points(&series, 2.0) {
                prop_assert!(finite(&[found.sse, found.cost]));
            }
            prop_assert!(pettitt(&series).is_ok_and(|t| t.p.is_finite()) || y.len() < MIN_SERIES);
        }
    }
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -50f64..50.0,
        2 => (-4i8..4).prop_map(f64::from),
        1 => any::<f64>(),
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, -0.0, 1e99, 1e-300, 5e-324]),
    ]
}

fn item(n: u64) -> ItemId {
    ItemId::new(Uuid::from_u64_pair(0x0190_0000_0000_7000, 0x8000_0000_0000_0000 | n)).unwrap()
}

#[test]
fn season_change_items_of_two_seasons_split_by_cause() {
    let line =
        |id, grams: f64| ItemMass { item: item(id), mass_mg: (grams * 1000.0).round() as i64, u_g: 0.5 };
    let before = [line(1, 412.0), line(2, 318.6), line(3, 75.5), line(4, 20.0)];
    let after = [line(1, 409.5), line(2, 319.0), line(4, 20.0), line(5, 60.0)];
    let change = season_change(&before, &after).unwrap();
    assert_eq!(change.total_mg, -17_600);
    assert_eq!(SeasonChange::sum_mg(&change.added), 60_000);
    assert_eq!(SeasonChange::sum_mg(&change.removed), -75_500);
    assert_eq!(SeasonChange::sum_mg(&change.lighter), -2_500);
    assert_eq!(SeasonChange::sum_mg(&change.heavier), 400);
    assert_eq!(change.unchanged, 1);
    // Three items weighed twice and two once, each to 0.5 g: sqrt(3 * 2 + 2) / 2.
    assert!((change.u_g - 8f64.sqrt() / 2.0).abs() < 1e-12);
    assert!(season_change(&[], &[]).is_err());
}

#[test]
fn estimators_poor_input_gives_a_typed_reason() {
    let few = NoEstimate::TooFew { what: "points", needed: 3, got: 2 };
    assert_eq!(theil_sen(&[0.0, 1.0], &[1.0, 2.0], 0.95), Err(few.clone()));
    assert_eq!(fit_line(&[0.0, 1.0], &[1.0, 2.0]), Err(few.clone()));
    assert_eq!(Series::new(&[0.0, 1.0], &[1.0, 2.0]), Err(few));
    let (x, y) = ([0.0, 1.0, 2.0], [5.0, 5.0, 5.0]);
    assert_eq!(theil_sen(&x, &y, 0.95), Err(NoEstimate::NoSpread { what: "values" }));
    assert_eq!(fit_line(&y, &x), Err(NoEstimate::NoSpread { what: "times" }));
    assert_eq!(Series::new(&x, &[1.0, f64::NAN, 2.0]), Err(NoEstimate::NotFinite { what: "points" }));
    assert_eq!(Series::new(&x, &[1.0, f64::INFINITY, 2.0]), Err(NoEstimate::NotFinite { what: "points" }));
    assert_eq!(Series::new(&[0.0, 2.0, 1.0], &[1.0, 3.0, 2.0]), Err(NoEstimate::Unordered { what: "times" }));
    assert_eq!(Series::new(&[0.0, 1.0, 1.0], &[1.0, 3.0, 2.0]), Err(NoEstimate::Unordered { what: "times" }));
    assert!(matches!(Series::new(&x, &[1.0, 2.0]), Err(NoEstimate::LengthMismatch { .. })));
    assert!(matches!(theil_sen(&x, &x, 95.0), Err(NoEstimate::OutOfRange { what: "level", .. })));
    assert_eq!(welch(&[1.0; 4], &[2.0; 5], 0.95), Err(NoEstimate::NoSpread { what: "values of each group" }));
    assert_eq!(
        paired_t(&[1.1, 2.1, 3.1], &[1.0, 2.0, 3.0], 0.95),
        Err(NoEstimate::NoSpread { what: "differences" })
    );
    assert_eq!(signed_rank(&x, &x), Err(NoEstimate::NoSpread { what: "pairs" }));
    assert!(bootstrap(&y, |v| v[0], 0.95, 1000, 1).is_err());
    assert!(bootstrap(&x, |_| f64::NAN, 0.95, 1000, 1).is_err());
    let series = Series::new(&x, &x).unwrap();
    assert!(matches!(pettitt(&series), Err(NoEstimate::TooFew { needed: MIN_SERIES, .. })));
    assert!(matches!(change_points(&series, 2.0), Err(NoEstimate::TooFew { needed: MIN_SERIES, .. })));
    let ones = [1.0; 5];
    let twos = [2.0; 5];
    let singular = least_squares(&[&ones, &twos], &[1.0, 2.0, 3.0, 4.0, 6.0]);
    assert_eq!(singular, Err(NoEstimate::Singular { what: "coefficients" }));
    assert!(
        exact_two_sided_p(4, 1).is_err()
            && exact_two_sided_p(4, 8).is_err()
            && exact_two_sided_p(1, 0).is_err()
    );
}

#[test]
fn pettitt_change_at_the_very_end_names_no_change() {
    let mut y: Vec<f64> = (0..20).map(|i| f64::from(i % 3)).collect();
    y[19] = 40.0;
    y[18] = 41.0;
    let x: Vec<f64> = (0..20).map(f64::from).collect();
    let test = pettitt(&Series::new(&x, &y).unwrap()).unwrap();
    assert_eq!(test.t, 17);
    assert!(test.points_before().is_err());
}
