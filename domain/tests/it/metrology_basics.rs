//! Combination, comparison and weighted mean: what must hold for any input, and what bad input gets.

use domain::metrology::*;
use domain::no_estimate::NoEstimate;
use proptest::prelude::*;

fn exact(u: f64) -> Component {
    Component::direct(u, Dof::Infinite)
}

#[test]
fn combine_correlated_inputs_follows_the_propagation_law() {
    // JCGM 100:2008, 5.2.2 note 1: fully correlated inputs add linearly (ten resistors of its example).
    let parts = vec![exact(0.1); 10];
    let pairs: Vec<Correlation> = (0..10)
        .flat_map(|first| (first + 1..10).map(move |second| Correlation { first, second, r: 1.0 }))
        .collect();
    let combined = combine(&parts, &pairs).unwrap();
    assert!((combined.u - 1.0).abs() < 1e-12, "{combined:?}");
    assert_eq!(combined.dof, Some(Dof::Infinite));
    assert!((combined.expanded(0.95).unwrap().k - 1.959_963_984_540_054).abs() < 1e-12);
}

#[test]
fn combine_correlated_inputs_of_finite_dof_leaves_dof_undefined() {
    let parts = [Component::direct(1.0, Dof::Finite(4.0)), exact(1.0)];
    let combined = combine(&parts, &[Correlation { first: 0, second: 1, r: 0.5 }]).unwrap();
    assert!((combined.u - 3f64.sqrt()).abs() < 1e-12);
    assert_eq!(combined.dof, None);
    assert!(matches!(combined.expanded(0.95), Err(NoEstimate::Because(_))));
    assert!((combined.times(2.0).unwrap() - 2.0 * 3f64.sqrt()).abs() < 1e-12);
}

#[test]
fn combine_impossible_correlations_refused() {
    let parts = [exact(1.0), exact(1.0), exact(1.0)];
    let contradictory = [
        Correlation { first: 0, second: 1, r: 0.9 },
        Correlation { first: 1, second: 2, r: 0.9 },
        Correlation { first: 0, second: 2, r: -0.9 },
    ];
    assert!(matches!(combine(&parts, &contradictory), Err(NoEstimate::Because(_))));
    for (first, second, r) in [(0, 0, 0.5), (0, 3, 0.5), (0, 1, 1.5), (0, 1, f64::NAN)] {
        assert!(combine(&parts, &[Correlation { first, second, r }]).is_err());
    }
}

#[test]
fn metrology_bad_numbers_get_a_reason() {
    let bad = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -1.0];
    assert!(combine(&[], &[]).is_err());
    assert!(weighted_mean(&[]).is_err());
    for value in bad {
        assert!(resolution_u(value).is_err());
        assert!(combine(&[exact(value)], &[]).is_err());
        assert!(combine(&[Component::direct(1.0, Dof::Finite(value))], &[]).is_err() || value.is_infinite());
        assert!(weighted_mean(&[(1.0, value)]).is_err());
        assert!(mpe_r76_g(value, 1.0, AccuracyClass::III, Verification::Initial).is_err());
        assert!(mpe_r76_g(1.0, value, AccuracyClass::III, Verification::Initial).is_err());
        assert!(m1_weight_mpe_mg(value).is_err());
        assert!(smallest_detectable_change(value, 0.95).is_err());
        assert!(smallest_detectable_change(1.0, value).is_err());
        assert!(two_weighings(Measured::new(1.0, value), Measured::new(1.0, 1.0), 0.0, 0.95).is_err());
        assert!(en_number((1.0, value), (2.0, 1.0)).is_err());
    }
    assert!(weighted_mean(&[(1.0, 0.0)]).is_err());
    assert!(en_number((1.0, 0.0), (2.0, 0.0)).is_err());
    assert!(two_weighings(Measured::new(1.0, 0.5), Measured::new(2.0, 0.5), 0.6, 0.95).is_err());
    assert!(two_weighings(Measured::new(1.0, 0.5), Measured::new(2.0, 0.5), 0.5, 0.95).is_err());
    assert!(mpe_r76_g(1e300, 1e-300, AccuracyClass::I, Verification::Initial).is_err());
    assert!(weighted_mean(&[(1e300, 1.0), (-1e300, 1.0)]).is_err());
    assert!(m1_weight_mpe_mg(300.0).is_err());
}

#[test]
fn mpe_r76_interval_counts_blurred_by_rounding_stay_on_their_step() {
    // 0.3 / 0.1 style quotients: 50 g at 0.001 g is 50 000 e and a hair more in binary.
    for tenths in 1..=5_000u32 {
        let e = 0.1;
        let mass = f64::from(tenths) * e;
        let got = mpe_r76_g(mass, e, AccuracyClass::II, Verification::Initial).unwrap();
        assert_eq!(got, 0.05, "{tenths} intervals");
    }
    assert_eq!(mpe_r76_g(1e9, 1.0, AccuracyClass::I, Verification::Initial), Ok(1.5));
}

#[test]
fn weighted_mean_one_value_has_no_chi_square() {
    let mean = weighted_mean(&[(412.0, 0.5)]).unwrap();
    assert_eq!((mean.mean, mean.u, mean.dof), (412.0, 0.5, 0));
    assert_eq!((mean.p, mean.birge, mean.u_external), (None, None, None));
    assert!(mean.consistent);
}

#[test]
fn two_weighings_common_part_drops_out() {
    // sqrt(0.5^2 - 0.4^2) = 0.3 is left of each.
    let compared = two_weighings(Measured::new(412.0, 0.5), Measured::new(413.0, 0.5), 0.4, 0.95).unwrap();
    assert!((compared.u - 0.3 * 2f64.sqrt()).abs() < 1e-12);
    assert!(compared.significant);
    let without = two_weighings(Measured::new(412.0, 0.5), Measured::new(413.0, 0.5), 0.0, 0.95).unwrap();
    assert!(!without.significant);
}

#[test]
fn two_weighings_few_degrees_of_freedom_judged_by_students_t() {
    let few = |value| Measured { value, u: 0.5, dof: Dof::Finite(2.0) };
    let compared = two_weighings(few(10.0), few(11.6), 0.0, 0.95).unwrap();
    // z = 2.2627 passes 1.96 but not t(0.975; 4) = 2.7764 (tables of Student's t).
    assert_eq!(compared.dof, Dof::Finite(4.0));
    assert!((compared.critical - 2.776_445_105).abs() < 1e-8);
    assert!(compared.z > 1.96 && !compared.significant && compared.p > 0.05);
}

prop_compose! {
    fn measured_values()(n in 2usize..12)(
        values in prop::collection::vec((100.0f64..1000.0, 0.05f64..5.0), n)
    ) -> Vec<(f64, f64)> { values }
}

proptest! {
    #[test]
    fn weighted_mean_shifted_scaled_shuffled_follows(
        values in measured_values(), shift in -500.0f64..500.0, scale in 0.1f64..10.0, turn in 0usize..12,
    ) {
        let base = weighted_mean(&values).unwrap();
        let mut moved: Vec<(f64, f64)> = values.iter().map(|(x, u)| (x * scale + shift, u * scale)).collect();
        let len = moved.len();
        moved.rotate_left(turn % len);
        moved.reverse();
        let got = weighted_mean(&moved).unwrap();
        prop_assert!((got.mean - (base.mean * scale + shift)).abs() < 1e-8);
        prop_assert!((got.u_internal - base.u_internal * scale).abs() < 1e-10 * scale.max(1.0));
        prop_assert!((got.chi2 - base.chi2).abs() < 1e-7 * base.chi2.max(1.0));
        prop_assert_eq!(got.n, base.n);
        let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v.0), h.max(v.0)));
        prop_assert!(low - 1e-9 <= base.mean && base.mean <= high + 1e-9);
    }

    #[test]
    fn combine_scaled_and_shuffled_inputs_scale_and_agree(
        parts in prop::collection::vec((-3.0f64..3.0, 0.0f64..2.0, 1.0f64..60.0), 1..8), scale in 1e-6f64..1e6,
    ) {
        let components = |factor: f64| -> Vec<Component> {
            parts.iter().map(|(c, u, dof)| Component { sensitivity: *c, u: u * factor, dof: Dof::Finite(*dof) }).collect()
        };
        let base = combine(&components(1.0), &[]).unwrap();
        let mut reversed = components(scale);
        reversed.reverse();
        let scaled = combine(&reversed, &[]).unwrap();
        prop_assert!((scaled.u - base.u * scale).abs() <= 1e-9 * scaled.u);
        if base.u > 0.0 {
            let (Some(Dof::Finite(a)), Some(Dof::Finite(b))) = (base.dof, scaled.dof) else { panic!() };
            prop_assert!((a - b).abs() < 1e-6 * a);
            let least = parts.iter().map(|p| p.2).fold(f64::MAX, f64::min);
            let sum: f64 = parts.iter().map(|p| p.2).sum();
            prop_assert!(a >= least * (1.0 - 1e-9) && a <= sum * (1.0 + 1e-9), "GUM G.4.1: {least} <= {a} <= {sum}");
        }
    }

    #[test]
    fn two_weighings_swapped_only_turn_the_sign(
        a in 0.0f64..1000.0, b in 0.0f64..1000.0, ua in 0.01f64..3.0, ub in 0.01f64..3.0, shift in -100.0f64..100.0,
    ) {
        let one = two_weighings(Measured::new(a, ua), Measured::new(b, ub), 0.0, 0.95).unwrap();
        let other = two_weighings(Measured::new(b + shift, ub), Measured::new(a + shift, ua), 0.0, 0.95).unwrap();
        prop_assert!((one.difference + other.difference).abs() < 1e-9);
        prop_assert!((one.z - other.z).abs() < 1e-6 * one.z.max(1.0));
        prop_assert!((0.0..=1.0).contains(&one.p));
        prop_assert_eq!(one.significant, one.z > one.critical);
    }
}
