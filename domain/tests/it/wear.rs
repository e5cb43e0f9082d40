//! The wear models: refusals, agreement with each other where they must agree, and how they move with their input.

use domain::no_estimate::NoEstimate;
use domain::waterproofness::Relation;
use domain::wear::*;
use proptest::prelude::*;

const NEW: UsePath = UsePath { from: UsePoint { worn_h: 0.0, washes: 0.0 }, washes_per_h: 0.0 };

fn worn(worn_h: f64) -> UsePoint {
    UsePoint { worn_h, washes: 0.0 }
}

fn exact(points: &[(f64, f64)]) -> Vec<HeadTest> {
    points.iter().map(|(t, head)| HeadTest::exact(*t, 0.0, *head)).collect()
}

fn falling() -> Vec<HeadTest> {
    exact(&[(0.0, 20_000.0), (40.0, 18_500.0), (90.0, 15_800.0), (150.0, 14_000.0), (220.0, 11_200.0)])
}

fn bound(worn_h: f64, head_mm: f64, relation: Relation) -> HeadTest {
    HeadTest { at: worn(worn_h), head_mm, relation }
}

/// The default prior without washes and without the cut.
fn open_prior() -> Prior {
    Prior { loss_per_wash: None, losses_not_negative: false, ..Prior::from_label(20_000.0).unwrap() }
}

#[test]
fn fit_ols_unfit_tests_get_a_reason() {
    let mut four = falling();
    four.pop();
    assert!(matches!(fit_ols(&four), Err(NoEstimate::TooFew { needed: 5, got: 4, .. })));
    let same_hours = exact(&[(10.0, 1.0), (10.0, 2.0), (10.0, 3.0), (10.0, 4.0), (10.0, 5.0)]);
    assert!(matches!(fit_ols(&same_hours), Err(NoEstimate::NoSpread { .. })));
    let flat = exact(&[(0.0, 9.0), (1.0, 9.0), (2.0, 9.0), (3.0, 9.0), (4.0, 9.0)]);
    assert!(matches!(fit_ols(&flat), Err(NoEstimate::NoSpread { .. })));
    let mut bounded = falling();
    bounded[0].relation = Relation::AtLeast;
    assert!(matches!(fit_ols(&bounded), Err(NoEstimate::Because(_))));
    for (head, hours) in [(f64::NAN, 1.0), (0.0, 1.0), (-1.0, 1.0), (1.0, f64::INFINITY), (1.0, -1.0)] {
        let mut bad = falling();
        bad[2] = HeadTest::exact(hours, 0.0, head);
        assert!(
            fit_ols(&bad).is_err() && fit_tobit(&bad, None).is_err() && update(&open_prior(), &bad).is_err()
        );
    }
}

#[test]
fn fit_ols_washes_in_step_with_hours_counted_to_the_hours() {
    let with = |washes: [f64; 6]| -> Vec<HeadTest> {
        let heads = [20_000.0, 18_400.0, 15_900.0, 14_000.0, 11_200.0, 10_100.0];
        let hours = [0.0, 40.0, 80.0, 120.0, 200.0, 240.0];
        (0..6).map(|i| HeadTest::exact(hours[i], washes[i], heads[i])).collect()
    };
    let in_step = fit_ols(&with([0.0, 1.0, 2.0, 3.0, 5.0, 6.0])).unwrap();
    assert!(in_step.washes_in_step && in_step.per_wash.is_none());
    let apart = fit_ols(&with([0.0, 0.0, 3.0, 3.0, 4.0, 8.0])).unwrap();
    assert!(!apart.washes_in_step && apart.per_wash.is_some() && apart.dof == 3);
    let path = UsePath { from: worn(0.0), washes_per_h: 0.02 };
    let life = apart.life(&path, 10_000.0, 0.5).unwrap();
    let there = apart.forecast(path.at(life.total_h), 0.9).unwrap();
    assert!((there.median_mm - 10_000.0).abs() < 1e-3, "the median meets the limit on the path");
}

#[test]
fn life_that_cannot_be_told_refused() {
    let rising =
        exact(&[(0.0, 10_000.0), (40.0, 10_300.0), (90.0, 11_000.0), (150.0, 11_200.0), (220.0, 12_500.0)]);
    let model = fit_ols(&rising).unwrap();
    assert!(matches!(model.life(&NEW, 5_000.0, 0.95), Err(NoEstimate::Because(_))));
    assert_eq!(model.half_life_h, None);
    let slow =
        exact(&[(0.0, 20_000.0), (10.0, 19_990.0), (20.0, 19_970.0), (30.0, 19_965.0), (40.0, 19_950.0)]);
    let slow = fit_ols(&slow).unwrap();
    assert!(matches!(slow.life(&NEW, 1_000.0, 0.95), Err(NoEstimate::Because(_))));
    let line = fit_ols(&falling()).unwrap();
    assert!(line.life(&NEW, f64::NAN, 0.95).is_err() && line.life(&NEW, 0.0, 0.95).is_err());
    assert!(line.life(&NEW, 10_000.0, 1.0).is_err() && line.life(&NEW, 10_000.0, f64::NAN).is_err());
    assert!(line.forecast(worn(f64::NAN), 0.9).is_err() && line.forecast(worn(-1.0), 0.9).is_err());
}

#[test]
fn life_already_below_the_limit_has_nothing_left() {
    let line = fit_ols(&falling()).unwrap();
    let path = UsePath { from: worn(300.0), washes_per_h: 0.0 };
    let life = line.life(&path, 10_000.0, 0.95).unwrap();
    assert!(life.already_below && life.left_h == 0.0);
    let from_200 = line.life(&UsePath { from: worn(200.0), washes_per_h: 0.0 }, 10_000.0, 0.95).unwrap();
    let from_new = line.life(&NEW, 10_000.0, 0.95).unwrap();
    assert!((from_200.total_h - from_new.total_h).abs() < 1e-6);
    assert!((from_200.left_h - (from_new.total_h - 200.0)).abs() < 1e-6 && !from_200.already_below);
}

#[test]
fn forecast_beyond_twice_the_tested_use_flagged() {
    let line = fit_ols(&falling()).unwrap();
    assert!(!line.forecast(worn(440.0), 0.9).unwrap().extrapolated);
    assert!(line.forecast(worn(441.0), 0.9).unwrap().extrapolated);
}

#[test]
fn forecast_picks_the_model_the_tests_allow() {
    let prior = Prior::from_label(20_000.0).unwrap();
    let method =
        |tests: &[HeadTest]| forecast(tests, Some(&prior), &NEW, worn(150.0), 10_000.0).unwrap().head.method;
    assert_eq!(method(&falling()), WearMethod::LeastSquares);
    let mut censored = falling();
    censored.push(bound(10.0, 19_000.0, Relation::AtLeast));
    assert_eq!(method(&censored), WearMethod::CensoredLikelihood);
    assert_eq!(method(&falling()[..2]), WearMethod::IntegratedPrior);
    let open = forecast(&falling()[..2], Some(&open_prior()), &NEW, worn(150.0), 10_000.0).unwrap();
    assert_eq!(open.head.method, WearMethod::ConjugatePrior);
    assert!(open.assumption.is_some());
    assert!(matches!(
        forecast(&falling()[..4], None, &NEW, worn(150.0), 10_000.0),
        Err(NoEstimate::TooFew { .. })
    ));
    let alone = forecast(&[], Some(&prior), &NEW, worn(150.0), 10_000.0).unwrap();
    assert!(alone.head.mostly_assumption && alone.head.n == 0 && alone.head.extrapolated);
    let json = serde_json::to_value(&alone).unwrap();
    assert_eq!(json["assumption"][0], "assumed");
}

#[test]
fn update_losses_not_negative_integrates_to_the_cut_normal() {
    // One parameter decides: the loss by hour, N(m, m/2) cut at 0. Its mean is m + sd phi(2)/Phi(2), with
    // phi(2) = 0.053990966513 and Phi(2) = 0.977249868052 (tables of the normal distribution).
    let prior = Prior { losses_not_negative: true, ..open_prior() };
    let posterior = update(&prior, &[]).unwrap();
    let rate = prior.loss_per_hour;
    let expected = rate.mean + rate.sd * 0.053_990_966_513 / 0.977_249_868_052;
    assert!((posterior.loss_per_hour.mean / expected - 1.0).abs() < 1e-9);
    // Variance factor 1 - 2 h - h^2 with h the same quotient.
    let h = 0.053_990_966_513 / 0.977_249_868_052;
    let sd = rate.sd * (1.0f64 - 2.0 * h - h * h).sqrt();
    assert!((posterior.loss_per_hour.sd / sd - 1.0).abs() < 1e-8);
    assert!((posterior.ln_head_new.mean - prior.ln_head_new.mean).abs() < 1e-10);
}

#[test]
fn update_rising_heads_with_the_cut_keep_the_loss_above_zero() {
    let prior = Prior { losses_not_negative: true, ..Prior::from_label(10_000.0).unwrap() };
    let rising = exact(&[(0.0, 10_000.0), (100.0, 16_000.0), (200.0, 25_000.0), (300.0, 40_000.0)]);
    let posterior = update(&prior, &rising).unwrap();
    assert!(posterior.loss_per_hour.mean > 0.0 && posterior.loss_per_hour.sd.is_finite());
    let head = posterior.forecast(worn(300.0), 0.9).unwrap();
    assert!(head.low_mm < head.median_mm && head.median_mm < head.high_mm);
}

#[test]
fn update_bound_far_below_changes_nothing() {
    let prior = Prior::from_label(20_000.0).unwrap();
    let (without, with) =
        (update(&prior, &[]).unwrap(), update(&prior, &[bound(100.0, 500.0, Relation::AtLeast)]).unwrap());
    let at = UsePoint { worn_h: 150.0, washes: 5.0 };
    let (a, b) = (without.ln_head(at).unwrap(), with.ln_head(at).unwrap());
    assert!((a.0 - b.0).abs() < 1e-8 && (a.1 - b.1).abs() < 1e-8);
    assert!(with.mostly_assumption(at).unwrap());
}

#[test]
fn update_two_bounds_close_in_on_the_head() {
    // ">= 11 900" and "< 12 100" thirty times over are as good as 12 000 seen often.
    let tests: Vec<HeadTest> = (0..30)
        .flat_map(|_| [bound(100.0, 11_900.0, Relation::AtLeast), bound(100.0, 12_100.0, Relation::Below)])
        .collect();
    let posterior = update(&open_prior(), &tests).unwrap();
    let (mean, sd, _) = posterior.ln_head(worn(100.0)).unwrap();
    assert!((mean.exp() - 12_000.0).abs() < 120.0 && sd < 0.03, "{} {sd}", mean.exp());
}

#[test]
fn update_bad_priors_get_a_reason() {
    assert!(Prior::from_label(0.0).is_err() && Prior::from_label(f64::NAN).is_err());
    for bad in [f64::NAN, 0.0, -1.0, f64::INFINITY] {
        let prior = Prior { sigma: bad, ..open_prior() };
        assert!(update(&prior, &[]).is_err());
        let prior = Prior { ln_head_new: Gaussian { mean: 9.0, sd: bad }, ..open_prior() };
        assert!(update(&prior, &[]).is_err());
    }
    let washed = [HeadTest::exact(10.0, 1.0, 15_000.0)];
    assert!(matches!(update(&open_prior(), &washed), Err(NoEstimate::Because(_))));
}

#[test]
fn fit_tobit_nothing_seen_refused() {
    let all = [bound(0.0, 1.0, Relation::AtLeast), bound(9.0, 1.0, Relation::AtLeast)];
    assert_eq!(fit_tobit(&all, None).err(), Some(NoEstimate::AllCensored));
    assert!(matches!(fit_tobit(&[], None), Err(NoEstimate::TooFew { .. })));
    let one = [HeadTest::exact(1.0, 0.0, 9_000.0), bound(9.0, 1.0, Relation::AtLeast)];
    assert!(matches!(fit_tobit(&one, Some(0.1)), Err(NoEstimate::TooFew { .. })));
    let same = exact(&[(1.0, 9_000.0), (1.0, 8_000.0), (1.0, 8_500.0)]);
    assert!(matches!(fit_tobit(&same, None), Err(NoEstimate::NoSpread { .. })));
    let straight = exact(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0)]);
    assert!(fit_tobit(&straight, None).is_err());
    assert!(fit_tobit(&falling(), Some(-0.1)).is_err());
}

#[test]
fn fit_tobit_without_bounds_is_least_squares() {
    let (line, tobit) = (fit_ols(&falling()).unwrap(), fit_tobit(&falling(), None).unwrap());
    assert!((tobit.intercept - line.intercept).abs() < 1e-8);
    assert!((tobit.per_hour - line.per_hour).abs() < 1e-10);
    // Maximum likelihood divides by n, least squares by n - 2.
    assert!((tobit.sigma - line.s * (3.0f64 / 5.0).sqrt()).abs() < 1e-8);
}

#[test]
fn limit_shown_bounds_show_only_what_they_bound() {
    let shown = |head, relation| limit_shown(&bound(10.0, head, relation), 10_000.0).unwrap();
    assert_eq!(shown(10_000.0, Relation::Exact), LimitShown::Met);
    assert_eq!(shown(9_999.0, Relation::Exact), LimitShown::NotMet);
    assert_eq!(shown(10_000.0, Relation::AtLeast), LimitShown::Met);
    assert_eq!(shown(2_000.0, Relation::AtLeast), LimitShown::NotShown);
    assert_eq!(shown(10_000.0, Relation::Below), LimitShown::NotMet);
    assert_eq!(shown(12_000.0, Relation::Below), LimitShown::NotShown);
    assert!(limit_shown(&bound(10.0, 1.0, Relation::Exact), f64::NAN).is_err());
}

#[test]
fn summarise_spray_counts_and_takes_the_median() {
    // Correspondence of ISO 4920 and AATCC 22 as published in summaries of the methods.
    let pairs = [(5, 100), (4, 90), (3, 80), (2, 70), (1, 50), (0, 0)];
    for (iso, aatcc) in pairs {
        assert_eq!(SprayGrade::from_iso(iso).unwrap().aatcc(), aatcc);
        assert_eq!(SprayGrade::from_aatcc(aatcc).unwrap().iso(), iso);
    }
    let grades: Vec<SprayGrade> = [100, 90, 70, 50].map(|r| SprayGrade::from_aatcc(r).unwrap()).to_vec();
    let summary = summarise_spray(&grades).unwrap();
    assert_eq!((summary.median, summary.worst, summary.n), (SprayGrade::G2, SprayGrade::G1, 4));
    assert_eq!(summary.counts, [0, 1, 1, 0, 1, 1]);
    assert!(summarise_spray(&[]).is_err() && SprayGrade::from_iso(6).is_err());
    assert!(SprayGrade::from_aatcc(60).is_err());
    assert_eq!(serde_json::to_string(&SprayGrade::G3).unwrap(), "3");
    assert!(serde_json::from_str::<SprayGrade>("7").is_err());
}

prop_compose! {
    fn series()(n in 5usize..12)(
        points in prop::collection::vec((0.0f64..400.0, -0.15f64..0.15), n), rate in 0.0005f64..0.006,
    ) -> Vec<HeadTest> {
        points.iter().map(|(t, e)| HeadTest::exact(*t, 0.0, 20_000.0 * (e - rate * t).exp())).collect()
    }
}

proptest! {
    #[test]
    fn fit_ols_scaled_stretched_shuffled_follows(
        tests in series(), scale in 0.1f64..10.0, stretch in 0.1f64..10.0, turn in 0usize..12,
    ) {
        let base = fit_ols(&tests).unwrap();
        let mut moved: Vec<HeadTest> = tests.iter()
            .map(|t| HeadTest::exact(t.at.worn_h * stretch, 0.0, t.head_mm * scale)).collect();
        let len = moved.len();
        moved.rotate_left(turn % len);
        let got = fit_ols(&moved).unwrap();
        prop_assert!((got.intercept - base.intercept - scale.ln()).abs() < 1e-8);
        prop_assert!((got.per_hour * stretch - base.per_hour).abs() < 1e-10);
        prop_assert!((got.s - base.s).abs() < 1e-9);
        let (a, b) = (base.forecast(worn(100.0), 0.9).unwrap(), got.forecast(worn(100.0 * stretch), 0.9).unwrap());
        prop_assert!((b.low_mm / a.low_mm / scale - 1.0).abs() < 1e-7);
        prop_assert!((b.high_mm / a.high_mm / scale - 1.0).abs() < 1e-7);
    }

}

proptest! {
    // Each case is several hundred thousand evaluations of a density.
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn update_scaled_stretched_shuffled_follows(
        tests in series(), scale in 0.2f64..5.0, stretch in 0.2f64..5.0, below in any::<bool>(),
    ) {
        let mut tests = tests;
        tests.truncate(3);
        tests.push(bound(50.0, 15_000.0, if below { Relation::Below } else { Relation::AtLeast }));
        let prior = Prior { losses_not_negative: true, ..open_prior() };
        let base = update(&prior, &tests).unwrap();
        let mut moved: Vec<HeadTest> = tests.iter()
            .map(|t| HeadTest { at: worn(t.at.worn_h * stretch), head_mm: t.head_mm * scale, ..*t }).collect();
        moved.reverse();
        let rate = prior.loss_per_hour;
        let scaled_prior = Prior {
            ln_head_new: Gaussian { mean: prior.ln_head_new.mean + scale.ln(), ..prior.ln_head_new },
            loss_per_hour: Gaussian { mean: rate.mean / stretch, sd: rate.sd / stretch },
            ..prior
        };
        let got = update(&scaled_prior, &moved).unwrap();
        let (a, b) = (base.ln_head(worn(150.0)).unwrap(), got.ln_head(worn(150.0 * stretch)).unwrap());
        prop_assert!((a.0 + scale.ln() - b.0).abs() < 1e-6 && (a.1 - b.1).abs() < 1e-6);
        let (p, q) = (
            base.p_at_least(worn(150.0), 12_000.0).unwrap(),
            got.p_at_least(worn(150.0 * stretch), 12_000.0 * scale).unwrap(),
        );
        prop_assert!((p - q).abs() < 1e-6);
        let next = base.p_next_at_least(worn(150.0), 12_000.0).unwrap();
        prop_assert!((next - 0.5) * (p - 0.5) >= -1e-3, "scatter pulls a probability towards one half, not across");
    }

    #[test]
    fn update_integration_without_bounds_matches_the_closed_form(tests in series()) {
        let exact = &tests[..3];
        let closed = update(&open_prior(), exact).unwrap();
        // A bound that is certain to hold forces the integration and says nothing.
        let mut with = exact.to_vec();
        with.push(bound(0.0, 1e-3, Relation::AtLeast));
        let integrated = update(&open_prior(), &with).unwrap();
        prop_assert_eq!(integrated.forecast(worn(9.0), 0.9).unwrap().method, WearMethod::IntegratedPrior);
        for at in [0.0, 150.0, 600.0] {
            let (a, b) = (closed.forecast(worn(at), 0.9).unwrap(), integrated.forecast(worn(at), 0.9).unwrap());
            prop_assert!((a.median_mm / b.median_mm - 1.0).abs() < 1e-7);
            prop_assert!((a.low_mm / b.low_mm - 1.0).abs() < 1e-5 && (a.high_mm / b.high_mm - 1.0).abs() < 1e-5);
            let (p, q) = (
                closed.p_at_least(worn(at), 12_000.0).unwrap(), integrated.p_at_least(worn(at), 12_000.0).unwrap(),
            );
            prop_assert!((p - q).abs() < 1e-6, "at {at}: {p} {q}");
        }
    }
}
