//! Outliers, calibration lines, gain and offset, the environment: general behaviour and bad input.

use domain::metrology::environment::REFERENCE_AIR_DENSITY;
use domain::metrology::*;
use domain::no_estimate::NoEstimate;
use proptest::prelude::*;

const BAD: [f64; 2] = [f64::NAN, f64::INFINITY];

#[test]
fn readings_bad_numbers_get_a_reason() {
    for bad in BAD {
        assert!(modified_z(&[1.0, 2.0, bad], 1.0).is_err());
        assert!(modified_z(&[1.0, 2.0, 3.0], bad).is_err());
        assert!(grubbs(&[1.0, 2.0, bad], 0.05, Side::Both).is_err());
        assert!(grubbs_critical(5, bad, Side::Both).is_err());
        assert!(calibration_line(&[1.0, 2.0, bad], &[1.0, 2.0, 3.0], 0.0).is_err());
        assert!(calibration_line(&[1.0, 2.0, 3.0], &[1.0, 2.0, bad], 0.0).is_err());
        assert!(calibration_line(&[1.0, 2.0, 3.0], &[1.0, 2.0, 4.0], bad).is_err());
        assert!(simultaneous_means(&[vec![1.0], vec![bad]]).is_err());
        assert!(buoyancy_corrected_g(bad, 1000.0, 1.2).is_err());
        assert!(normal_gravity(bad, 0.0).is_err());
    }
    assert!(matches!(modified_z(&[5.0, 5.0, 5.0], 0.0), Err(NoEstimate::NoSpread { .. })));
    assert!(matches!(grubbs(&[5.0; 4], 0.05, Side::Both), Err(NoEstimate::NoSpread { .. })));
    assert!(matches!(grubbs(&[1.0, 2.0], 0.05, Side::Both), Err(NoEstimate::TooFew { .. })));
    assert!(matches!(calibration_line(&[2.0; 3], &[1.0, 2.0, 3.0], 0.0), Err(NoEstimate::NoSpread { .. })));
    assert!(calibration_line(&[1.0, 2.0], &[1.0, 2.0], 0.0).is_err());
    assert!(calibration_line(&[1.0, 2.0, 3.0], &[1.0, 2.0], 0.0).is_err());
    assert!(simultaneous_means(&[vec![1.0, 2.0], vec![1.0]]).is_err());
    assert!(simultaneous_means(&[vec![1.0, 2.0]]).is_err());
    assert!(normal_gravity(90.1, 0.0).is_err());
    assert!(buoyancy_corrected_g(1.0, 1.0, REFERENCE_AIR_DENSITY).is_err());
    assert!(grubbs(&[1e308, -1e308, 0.0], 0.05, Side::Both).is_err());
}

#[test]
fn gain_offset_bad_weights_get_a_reason() {
    let reading = |known_g, reading_g| CheckReading { known_g, u_known_g: 0.0, reading_g };
    assert!(matches!(gain_offset(&[reading(100.0, 100.0)], 0.1), Err(NoEstimate::TooFew { .. })));
    let same = [reading(100.0, 100.0), reading(100.0, 100.1)];
    assert!(matches!(gain_offset(&same, 0.1), Err(NoEstimate::NoSpread { .. })));
    let falling = [reading(100.0, 100.0), reading(200.0, 90.0)];
    assert!(matches!(gain_offset(&falling, 0.1), Err(NoEstimate::Because(_))));
    assert!(gain_offset(&[reading(100.0, f64::NAN), reading(200.0, 200.0)], 0.1).is_err());
    assert!(gain_offset(&[reading(100.0, 100.0), reading(200.0, 200.0)], 0.0).is_err());
}

#[test]
fn gain_offset_readings_off_the_line_widen_the_uncertainty() {
    let reading = |known_g, reading_g| CheckReading { known_g, u_known_g: 0.0, reading_g };
    let straight = [reading(0.0, 1.0), reading(100.0, 101.0), reading(200.0, 201.0)];
    let bent = [reading(0.0, 1.0), reading(100.0, 103.0), reading(200.0, 201.0)];
    let (straight, bent) = (gain_offset(&straight, 0.1).unwrap(), gain_offset(&bent, 0.1).unwrap());
    assert!((straight.offset_g - 1.0).abs() < 1e-12 && straight.birge.unwrap() < 1e-9);
    // Residuals -2/3, 4/3, -2/3: chi2 = (24/9) / 0.01, one degree of freedom.
    let birge = (24.0f64 / 9.0 / 0.01).sqrt();
    assert!((bent.birge.unwrap() - birge).abs() < 1e-9);
    assert!((bent.u_gain / straight.u_gain - birge).abs() < 1e-9);
}

proptest! {
    #[test]
    fn modified_z_shifted_scaled_shuffled_follows(
        values in prop::collection::vec(0.0f64..100.0, 3..20), shift in -100.0f64..100.0, scale in 0.1f64..10.0,
    ) {
        let base = modified_z(&values, 0.5).unwrap();
        let mut moved: Vec<f64> = values.iter().map(|x| x * scale + shift).collect();
        moved.reverse();
        let got = modified_z(&moved, 0.5 * scale).unwrap();
        for (a, b) in base.z.iter().zip(got.z.iter().rev()) {
            prop_assert!((a - b).abs() < 1e-8 * a.abs().max(1.0));
        }
    }

    #[test]
    fn grubbs_shifted_scaled_shuffled_follows(
        values in prop::collection::vec(0.0f64..100.0, 3..20), shift in -100.0f64..100.0, scale in 0.1f64..10.0,
    ) {
        let base = grubbs(&values, 0.05, Side::Both).unwrap();
        let mut moved: Vec<f64> = values.iter().map(|x| -x * scale + shift).collect();
        moved.reverse();
        let got = grubbs(&moved, 0.05, Side::Both).unwrap();
        prop_assert!((got.g - base.g).abs() < 1e-8);
        prop_assert!((got.sd - base.sd * scale).abs() < 1e-8 * got.sd);
        // The greatest possible value of the statistic.
        let n = values.len() as f64;
        prop_assert!(base.g <= (n - 1.0) / n.sqrt() + 1e-9 && base.critical < (n - 1.0) / n.sqrt());
    }

    #[test]
    fn calibration_line_moved_reference_keeps_the_line(
        y in prop::collection::vec(-5.0f64..5.0, 4..15), x0 in -20.0f64..20.0, at in -20.0f64..40.0,
    ) {
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64 * 1.5).collect();
        let (one, other) = (calibration_line(&x, &y, x0).unwrap(), calibration_line(&x, &y, 3.0).unwrap());
        let (a, b) = (one.at(at).unwrap(), other.at(at).unwrap());
        prop_assert!((a.value - b.value).abs() < 1e-8);
        prop_assert!((a.u - b.u).abs() < 1e-6 * b.u.max(1e-3));
        prop_assert!((one.slope - other.slope).abs() < 1e-12 && (-1.0..=1.0).contains(&one.r));
    }
}
