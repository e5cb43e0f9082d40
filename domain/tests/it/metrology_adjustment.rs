//! Sittings and items adjusted together: against dense least squares, and where no mass can be told.

use domain::metrology::*;
use domain::no_estimate::NoEstimate;
use nalgebra::{DMatrix, DVector};
use proptest::prelude::*;

type Reading = SittingReading<usize, usize>;

const WEIGHT: usize = 1_000;

fn item(sitting: usize, item: usize, reading_g: f64) -> Reading {
    SittingReading { sitting, load: Load::Item(item), reading_g, time: sitting as f64 }
}

fn weight(sitting: usize, reading_g: f64, mass_g: f64, u_g: f64) -> Reading {
    let load = Load::Weight { name: WEIGHT, mass_g, u_g };
    SittingReading { sitting, load, reading_g, time: sitting as f64 }
}

fn with_resolution(d: f64) -> AdjustmentModel<usize> {
    AdjustmentModel { resolution_g: Some(d), drifting: vec![] }
}

#[test]
fn adjust_without_check_weight_labels_masses_relative() {
    let readings = [item(0, 1, 100.0), item(0, 2, 200.0), item(1, 1, 101.0), item(1, 2, 201.2)];
    let adjusted = adjust(&readings, &with_resolution(0.1)).unwrap();
    assert!(adjusted.items.iter().all(|item| item.relative));
    assert_eq!(adjusted.dof, 1);
    let offsets: f64 = adjusted.sittings.iter().map(|sitting| sitting.offset_g).sum();
    assert!(offsets.abs() < 1e-9, "the offsets' mean is the datum");
    let difference = adjusted.difference(&1, &2).unwrap();
    assert!((difference.difference_g - 100.1).abs() < 1e-9);
    // Two differences of two readings each: s sqrt(2 / 2).
    assert!((difference.u_g - adjusted.scatter_g).abs() < 1e-9);
}

#[test]
fn adjust_disconnected_groups_adjusted_apart() {
    let readings = [
        weight(0, 100.2, 100.0, 0.0),
        item(0, 1, 50.2),
        item(1, 1, 50.0),
        item(5, 2, 70.0),
        item(6, 2, 71.0),
    ];
    let adjusted = adjust(&readings, &with_resolution(1.0)).unwrap();
    let labels: Vec<(usize, bool)> = adjusted.items.iter().map(|item| (item.group, item.relative)).collect();
    assert_eq!(labels, [(0, false), (1, true)]);
    assert!((adjusted.items[0].mass_g - 50.0).abs() < 1e-9);
    assert!(matches!(adjusted.difference(&1, &2), Err(NoEstimate::Singular { .. })));
    assert!(matches!(adjusted.difference(&1, &9), Err(NoEstimate::Because(_))));
}

#[test]
fn adjust_weights_own_uncertainty_is_shared() {
    // One sitting, the weight read 1 g heavy with u 0.5 g: both items carry that 0.5 g in common.
    let readings = [weight(0, 101.0, 100.0, 0.5), item(0, 1, 51.0), item(0, 2, 61.0)];
    let adjusted = adjust(&readings, &with_resolution(0.1)).unwrap();
    let scatter = 0.1 / 12f64.sqrt() * 2f64.sqrt();
    for item in &adjusted.items {
        assert!((item.u_scatter_g - scatter).abs() < 1e-12);
        assert!((item.u_g - scatter.hypot(0.5)).abs() < 1e-12);
    }
    let difference = adjusted.difference(&1, &2).unwrap();
    assert!((difference.u_g - scatter).abs() < 1e-12, "{difference:?}");
    assert!((adjusted.sittings[0].u_g - (0.1 / 12f64.sqrt()).hypot(0.5)).abs() < 1e-12);
}

#[test]
fn adjust_drift_without_stable_weight_cannot_be_told() {
    let readings: Vec<Reading> = (0..4).map(|sitting| item(sitting, 1, 100.0 - sitting as f64)).collect();
    let drifting = AdjustmentModel { resolution_g: Some(0.1), drifting: vec![1] };
    assert!(matches!(adjust(&readings, &drifting), Err(NoEstimate::Singular { .. })));
    let once = [weight(0, 100.0, 100.0, 0.0), item(0, 1, 5.0)];
    assert!(matches!(adjust(&once, &drifting), Err(NoEstimate::Singular { .. })));
}

#[test]
fn adjust_bad_readings_get_a_reason() {
    assert!(matches!(adjust::<usize, usize>(&[], &with_resolution(1.0)), Err(NoEstimate::TooFew { .. })));
    assert!(adjust(&[weight(0, 1.0, 1.0, 0.0)], &with_resolution(1.0)).is_err());
    for value in [f64::NAN, f64::INFINITY] {
        assert!(adjust(&[item(0, 1, value)], &with_resolution(1.0)).is_err());
        assert!(adjust(&[weight(0, 1.0, value, 0.0), item(0, 1, 1.0)], &with_resolution(1.0)).is_err());
        assert!(adjust(&[item(0, 1, 1.0)], &with_resolution(value)).is_err());
    }
    let contradictory = [weight(0, 100.0, 100.0, 0.0), weight(1, 100.0, 100.0, 0.1), item(0, 1, 1.0)];
    assert!(matches!(adjust(&contradictory, &with_resolution(1.0)), Err(NoEstimate::Because(_))));
    let no_dof = [weight(0, 100.0, 100.0, 0.0), item(0, 1, 1.0)];
    assert!(matches!(adjust(&no_dof, &AdjustmentModel::default()), Err(NoEstimate::TooFew { .. })));
    let exact = [item(0, 1, 1.0), item(0, 1, 1.0)];
    assert!(matches!(adjust(&exact, &AdjustmentModel::default()), Err(NoEstimate::NoSpread { .. })));
    let overflow = [item(0, 1, 1e308), item(0, 1, -1e308)];
    assert!(adjust(&overflow, &with_resolution(1.0)).is_err());
}

/// The same model by dense least squares: columns for items then sittings, weights subtracted.
fn dense(readings: &[Reading], items: usize, sittings: usize) -> (DVector<f64>, DMatrix<f64>, f64) {
    let x = DMatrix::from_fn(readings.len(), items + sittings, |row, column| {
        let own = match readings[row].load {
            Load::Item(item) => item == column,
            Load::Weight { .. } => false,
        };
        f64::from(u8::from(own || readings[row].sitting + items == column))
    });
    let y = DVector::from_iterator(
        readings.len(),
        readings.iter().map(|r| match r.load {
            Load::Item(_) => r.reading_g,
            Load::Weight { mass_g, .. } => r.reading_g - mass_g,
        }),
    );
    let inverse = (x.transpose() * &x).try_inverse().unwrap();
    let beta = &inverse * x.transpose() * &y;
    let rss = (y - x * &beta).norm_squared();
    (beta, inverse, rss)
}

prop_compose! {
    /// Three to five items in two to four sittings; every sitting reads the weight and at least the items drawn.
    fn campaign()(items in 2usize..6, sittings in 2usize..5)(
        masses in prop::collection::vec(20.0f64..900.0, items),
        offsets in prop::collection::vec(-2.0f64..2.0, sittings),
        noise in prop::collection::vec(-0.3f64..0.3, (items + 1) * sittings * 2),
        present in prop::collection::vec(any::<bool>(), items * sittings),
        weighed in prop::collection::vec(any::<bool>(), sittings),
        items in Just(items), sittings in Just(sittings),
    ) -> (Vec<Reading>, usize, usize) {
        let mut readings = Vec::new();
        let mut noise = noise.into_iter().cycle();
        let mut next = || noise.next().unwrap();
        for sitting in 0..sittings {
            if sitting == 0 || weighed[sitting] {
                readings.push(weight(sitting, 500.0 + offsets[sitting] + next(), 500.0, 0.02));
            }
            for of in 0..items {
                // The first item is in every sitting, so that all hang together; the first sitting has every item.
                if of == 0 || sitting == 0 || present[of * sittings + sitting] {
                    readings.push(item(sitting, of, masses[of] + offsets[sitting] + next()));
                }
            }
        }
        readings.push(item(0, 0, masses[0] + offsets[0] + next()));
        (readings, items, sittings)
    }
}

proptest! {
    #[test]
    fn adjust_random_campaign_matches_dense_least_squares((readings, items, sittings) in campaign()) {
        let (beta, inverse, rss) = dense(&readings, items, sittings);
        let adjusted = adjust(&readings, &with_resolution(1e-9)).unwrap();
        prop_assert_eq!(adjusted.dof, readings.len() - items - sittings);
        let s2 = rss / adjusted.dof as f64;
        prop_assert!((adjusted.s_g.unwrap().powi(2) - s2).abs() < 1e-8 * s2.max(1e-6));
        for (at, item) in adjusted.items.iter().enumerate() {
            prop_assert!((item.mass_g - beta[at]).abs() < 1e-8);
            prop_assert!((item.u_scatter_g - (s2 * inverse[(at, at)]).sqrt()).abs() < 1e-8);
        }
        for (at, sitting) in adjusted.sittings.iter().enumerate() {
            prop_assert!((sitting.offset_g - beta[items + at]).abs() < 1e-8);
        }
        let variance = inverse[(0, 0)] + inverse[(1, 1)] - 2.0 * inverse[(0, 1)];
        let difference = adjusted.difference(&0, &1).unwrap();
        prop_assert!((difference.u_g - (s2 * variance).sqrt()).abs() < 1e-6, "weight cancels for a full tie");
    }

    #[test]
    fn adjust_weight_moved_by_its_uncertainty_moves_masses_by_theirs((readings, _, _) in campaign()) {
        // The sensitivity to the check weight, by finite difference.
        let moved: Vec<Reading> = readings.iter().cloned().map(|mut reading| {
            if let Load::Weight { mass_g, .. } = &mut reading.load { *mass_g += 0.02; }
            reading
        }).collect();
        let (base, shifted) =
            (adjust(&readings, &with_resolution(0.01)).unwrap(), adjust(&moved, &with_resolution(0.01)).unwrap());
        for (a, b) in base.items.iter().zip(&shifted.items) {
            let from_weight = (a.u_g.powi(2) - a.u_scatter_g.powi(2)).sqrt();
            prop_assert!(((b.mass_g - a.mass_g).abs() - from_weight).abs() < 1e-7);
        }
    }

    #[test]
    fn adjust_shifted_scaled_shuffled_follows(
        (readings, _, _) in campaign(), shift in -50.0f64..50.0, turn in 0usize..40,
    ) {
        let base = adjust(&readings, &with_resolution(0.01)).unwrap();
        let mut moved = readings.clone();
        // A common zero error goes into the offsets and leaves the masses alone.
        moved.iter_mut().for_each(|reading| reading.reading_g += shift);
        let len = moved.len();
        moved.rotate_left(turn % len);
        moved.reverse();
        let got = adjust(&moved, &with_resolution(0.01)).unwrap();
        for (a, b) in base.items.iter().zip(&got.items) {
            prop_assert!((a.mass_g - b.mass_g).abs() < 1e-7);
            prop_assert!((a.u_g - b.u_g).abs() < 1e-7);
        }
        for (a, b) in base.sittings.iter().zip(&got.sittings) {
            prop_assert!((a.offset_g + shift - b.offset_g).abs() < 1e-7);
        }
    }
}
