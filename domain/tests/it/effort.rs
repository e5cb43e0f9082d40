//! Every row of the checks of the cost of moving and carrying.

use domain::effort::*;
use domain::no_estimate::NoEstimate;
use proptest::prelude::*;

use crate::rows::{Row, after, assert_all_printed, assert_close, assert_printed, numbers, read};

fn gradient(i: f64) -> Gradient {
    Gradient::new(i).unwrap()
}

#[test]
fn effort_every_row_holds_at_its_tolerance() {
    let rows = read("effort/effort.csv");
    for row in &rows {
        check(row);
    }
    assert_eq!(rows.len(), 17);
}

/// The course of C8.
fn c8(gait: Gait) -> CourseCost {
    let row = read("effort/effort.csv").into_iter().find(|row| row.text("check_id") == "C8").unwrap();
    let all: Vec<f64> = numbers(row.text("input")).iter().map(|n| n.value).collect();
    let stretches: Vec<Stretch> =
        all[..6].chunks(2).map(|pair| Stretch::new(1000.0 * pair[0], pair[1]).unwrap()).collect();
    course_cost(&stretches, gait, all[6], 30.0).unwrap()
}

fn check(row: &Row) {
    let (id, input, expected) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let all = numbers(expected);
    let gradients = || numbers(input.split_once("i=").unwrap().1);
    match id {
        "C1" | "C2" | "C3" | "C5" => {
            let gait = if row.text("topic") == "minetti_walk" { Gait::Walking } else { Gait::Running };
            let got: Vec<f64> = gradients().iter().map(|i| gait.cost_j_kg_m(gradient(i.value))).collect();
            assert_all_printed(id, &got, &all, row.tolerance());
        }
        "C4" => {
            let least = least_cost_per_metre();
            assert_all_printed(id, &[least.cost, least.gradient], &all, row.tolerance());
        }
        "C6" => {
            let least = least_cost_per_metre_climbed();
            assert_all_printed(id, &[least.cost, least.gradient], &all, row.tolerance());
        }
        "C7" => {
            let steep = gradients()[0].value;
            assert!(matches!(Gradient::new(steep), Err(NoEstimate::OutOfRange { .. })));
            assert!(Stretch::new(100.0, -steep).is_err());
        }
        "C8" => {
            let cost = c8(Gait::Running);
            assert_all_printed(id, &[cost.energy_j_kg, cost.energy_kcal], &all, row.tolerance());
        }
        "C9" => {
            let extra = c8(Gait::Running).per_100_g;
            assert_printed(id, extra.kcal.central, all[0], row.tolerance());
            assert_printed(id, extra.percent.central, after(expected, "relative "), row.tolerance());
            assert_printed(id, extra.minutes.central, after(expected, "h -> "), 5e-5);
            assert_eq!(extra.whole_minutes().to_string(), "about 2-3 min (plausible 1-4)");
        }
        "C10" => {
            let cost = c8(Gait::Cheaper);
            assert_printed(id, cost.energy_j_kg, all[0], row.tolerance());
            assert_printed(id, cost.per_100_g.kcal.central, all[1], row.tolerance());
        }
        "C11" => {
            let all_in: Vec<f64> = numbers(input).iter().map(|n| n.value).collect();
            let floor = lift_floor_kcal(all_in[0], all_in[1], all_in[2]).unwrap();
            assert_printed(id, floor, all[0], row.tolerance());
        }
        "C12" | "C13" | "C14" => {
            // "W70 L5 V1.34 G10 eta1.2": the numbers are stuck to their names.
            let spaced = input.replace(['W', 'L', 'V', 'G'], " ").replace("eta", " ");
            let [w, l, v, g, eta] = numbers(&spaced)[..] else { panic!("{input}") };
            let watts = |load: f64| pandolf(w.value, load, v.value, g.value, eta.value).unwrap();
            assert_printed(id, watts(l.value), all[0], row.tolerance());
            if id == "C14" {
                assert_printed(id, watts(l.value + 0.1) - watts(l.value), all[1], row.tolerance());
            }
        }
        "C15" => {
            let got: Vec<f64> = input
                .split(';')
                .map(|case| lcda_walking(after(case, "S=").value, after(case, "G=").value).unwrap())
                .collect();
            assert_all_printed(id, &got, &all, row.tolerance());
        }
        "C16" => {
            let quoted = [SHOE_MASS_ENERGY_PERCENT_PER_100_G, SHOE_MASS_TIME_PERCENT_PER_100_G];
            assert_printed(id, quoted[0], after(expected, "energy "), 0.0);
            assert_printed(id, quoted[1], after(expected, "time "), 0.0);
        }
        "C17" => {
            let percent = numbers(input)[0].value;
            let got = [WeightSupport::RollingTrolley, WeightSupport::FixedPulley]
                .map(|support| net_rate_at_body_weight(percent, support).unwrap());
            assert_close(id, got[0], all[0].value, row.tolerance());
            assert_close(id, got[1], all[1].value, row.tolerance());
        }
        other => panic!("no check for {other}"),
    }
}

#[test]
fn minetti_every_row_holds_at_its_tolerance() {
    for row in read("effort/minetti.csv") {
        let i = gradient(row.number("gradient"));
        let check = row.text("gradient");
        assert_close(check, Gait::Running.cost_j_kg_m(i), row.number("expected_Cr_J_kg_m"), row.tolerance());
        assert_close(check, Gait::Walking.cost_j_kg_m(i), row.number("expected_Cw_J_kg_m"), row.tolerance());
    }
}

// Minetti et al. 2002, abstract: mean and standard deviation of the measured costs.
#[test]
fn minetti_measured_costs_lie_within_their_spread() {
    let measured = [
        (Gait::Running, 0.0, 3.40, 0.24),
        (Gait::Running, 0.45, 18.93, 1.74),
        (Gait::Running, -0.20, 1.73, 0.36),
        (Gait::Running, -0.45, 3.92, 0.81),
        (Gait::Walking, 0.45, 17.33, 1.11),
        (Gait::Walking, -0.10, 0.81, 0.37),
        (Gait::Walking, -0.45, 3.46, 0.95),
    ];
    for (gait, i, cost, sd) in measured {
        assert_close("measured", gait.cost_j_kg_m(gradient(i)), cost, sd);
    }
}

#[test]
fn pandolf_every_row_holds_at_its_tolerance() {
    for row in read("effort/pandolf.csv") {
        let arg = |name| row.number(name);
        let watts = pandolf(arg("W_kg"), arg("L_kg"), arg("V_m_s"), arg("grade_pct"), arg("eta")).unwrap();
        assert_close(row.text("L_kg"), watts, arg("expected_W"), row.tolerance());
    }
}

#[test]
fn course_cost_100_g_is_a_range_with_words() {
    let cost = c8(Gait::Running);
    let kcal = cost.per_100_g.kcal;
    assert!(kcal.low < kcal.central && kcal.central < kcal.high);
    assert_close("low", kcal.low, 0.8 * kcal.central, 1e-12);
    assert_close("high", kcal.high, 1.3 * kcal.central, 1e-12);
    assert!(CAVEATS.contains("ten runners on treadmills") && CAVEATS.contains("organiser"));
    let short = course_cost(&[Stretch::new(10_000.0, 0.0).unwrap()], Gait::Running, 74.0, 1.0).unwrap();
    assert_eq!(short.per_100_g.whole_minutes().to_string(), "less than 1 min (plausible 0-1)");
}

#[test]
fn stretch_from_totals_is_climb_and_descent_of_one_steepness() {
    let leg = Stretch::from_totals(10_000.0, 600.0, 400.0).unwrap();
    assert_eq!(leg, [Stretch::new(6000.0, 0.1).unwrap(), Stretch::new(4000.0, -0.1).unwrap()]);
    assert_eq!(Stretch::from_totals(500.0, 0.0, 0.0).unwrap(), [Stretch::new(500.0, 0.0).unwrap()]);
    assert!(matches!(Stretch::from_totals(1000.0, 500.0, 0.0), Err(NoEstimate::OutOfRange { .. })));
    assert!(
        Stretch::from_totals(0.0, 5.0, 0.0).is_err() && Stretch::from_totals(f64::NAN, 5.0, 0.0).is_err()
    );
}

#[test]
fn walk_above_threshold_changes_the_gait_there() {
    let gait = Gait::WalkAbove(gradient(0.15));
    assert_eq!(gait.cost_j_kg_m(gradient(0.15)), Gait::Running.cost_j_kg_m(gradient(0.15)));
    assert_eq!(gait.cost_j_kg_m(gradient(0.16)), Gait::Walking.cost_j_kg_m(gradient(0.16)));
}

#[test]
fn effort_poor_input_gives_a_typed_reason() {
    assert!(matches!(Gradient::new(f64::NAN), Err(NoEstimate::NotFinite { .. })));
    assert!(Gradient::new(f64::NEG_INFINITY).is_err() && Gradient::new(0.45).is_ok());
    assert!(Stretch::new(-1.0, 0.0).is_err());
    let flat = [Stretch::new(1000.0, 0.0).unwrap()];
    assert!(matches!(course_cost(&[], Gait::Running, 74.0, 1.0), Err(NoEstimate::TooFew { .. })));
    assert!(course_cost(&[Stretch::new(0.0, 0.1).unwrap()], Gait::Running, 74.0, 1.0).is_err());
    assert!(course_cost(&flat, Gait::Running, 0.0, 1.0).is_err());
    assert!(course_cost(&flat, Gait::Running, 74.0, -1.0).is_err());
    assert!(pandolf(70.0, 5.0, 0.5, 0.0, 1.0).is_err() && pandolf(70.0, 5.0, 1.3, -1.0, 1.0).is_err());
    assert!(pandolf(70.0, 71.0, 1.3, 0.0, 1.0).is_err() && pandolf(f64::NAN, 5.0, 1.3, 0.0, 1.0).is_err());
    assert!(lcda_walking(2.5, 0.0).is_err() && lcda_walking(1.0, 60.0).is_err());
    assert!(net_rate_at_body_weight(110.0, WeightSupport::FixedPulley).is_err());
    assert!(lift_floor_kcal(-0.1, 1.0, 0.25).is_err() && lift_floor_kcal(0.1, 1.0, 0.0).is_err());
}

proptest! {
    #[test]
    fn course_cost_cut_and_shuffled_stretches_cost_the_same(
        rows in prop::collection::vec((1f64..5000.0, -0.45f64..0.45), 1..20), mass in 40f64..120.0,
    ) {
        let whole: Vec<Stretch> = rows.iter().map(|&(d, i)| Stretch::new(d, i).unwrap()).collect();
        let cut: Vec<Stretch> =
            rows.iter().rev().flat_map(|&(d, i)| [Stretch::new(0.25 * d, i).unwrap(), Stretch::new(0.75 * d, i).unwrap()]).collect();
        let cost = |s: &[Stretch], gait| course_cost(s, gait, mass, 20.0).unwrap();
        let (a, b) = (cost(&whole, Gait::Running), cost(&cut, Gait::Running));
        prop_assert!((a.energy_kcal - b.energy_kcal).abs() <= 1e-9 * a.energy_kcal);
        // A heavier runner needs more, and 100 g are a smaller share of it.
        let heavier = course_cost(&whole, Gait::Running, mass + 10.0, 20.0).unwrap();
        prop_assert!(heavier.energy_kcal > a.energy_kcal && heavier.per_100_g.percent.central < a.per_100_g.percent.central);
        prop_assert!((heavier.per_100_g.kcal.central - a.per_100_g.kcal.central).abs() < 1e-12);
        let cheaper = cost(&whole, Gait::Cheaper).energy_j_kg;
        prop_assert!(cheaper <= a.energy_j_kg && cheaper <= cost(&whole, Gait::Walking).energy_j_kg && cheaper > 0.0);
    }
}
