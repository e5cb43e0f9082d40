//! Every row of the weighing checks: published worked examples, tables of standards and values of scipy and numpy.

use domain::metrology::*;

use crate::rows::{Row, after, assert_all_printed, assert_close, assert_printed, numbers, read};

fn values(text: &str) -> Vec<f64> {
    numbers(text).iter().map(|n| n.value).collect()
}

fn pairs_with_u(text: &str) -> Vec<(f64, f64)> {
    // "412 u.65; 413.2 u.30": the u is stuck to its number.
    let text = text.replace('u', " ");
    values(&text).chunks(2).map(|pair| (pair[0], pair[1])).collect()
}

#[test]
fn weighing_every_row_holds_at_its_tolerance() {
    let mut checked = 0;
    for row in read("weighing/weighing.csv") {
        check(&row);
        checked += 1;
    }
    assert_eq!(checked, 29);
}

fn check(row: &Row) {
    let (id, input, expected, tolerance) =
        (row.text("check_id"), row.text("input"), row.text("expected"), row.tolerance());
    let is = |got: f64, label: &str| assert_printed(id, got, after(expected, label), tolerance);
    let first_is = |got: f64| assert_printed(id, got, numbers(expected)[0], tolerance);
    let arg = |label: &str| after(input, label).value;
    let all = numbers(expected);
    match id {
        "M1" => first_is(resolution_u(arg("d=")).unwrap()),
        "M2" => first_is(reading_pair_u(arg("d=")).unwrap()),
        "M3" => {
            let (d, s) = (arg("d="), arg("s="));
            let numbers = values(input);
            let model = ScaleModel {
                d_g: d,
                d0_g: d,
                repeatability: Repeatability { sd_g: s, dof: Dof::Finite(arg("n-1=")), lifts: 1 },
                eccentricity: Some(Eccentricity { greatest_g: arg("ecc "), load_g: arg("g at ") }),
                check_weight: Some(CheckWeight {
                    mass_g: arg("check weight "),
                    u_g: m1_weight_u_g(arg("check weight ")).unwrap(),
                    readings: arg("read ") as u32,
                    sd_g: *numbers.last().unwrap(),
                }),
                u_drift_g: 0.0,
            };
            let combined = reading_uncertainty(&model, arg("I=")).unwrap();
            is(combined.u, "uc=");
            let Some(Dof::Finite(dof)) = combined.dof else { panic!("{combined:?}") };
            is(dof, "veff=");
            let expanded = combined.expanded(0.95).unwrap();
            is(expanded.k, "k=");
            is(expanded.half_width, "U95=");
        }
        "M4" => {
            let (u, dof) = input.split_once(';').unwrap();
            let components: Vec<Component> = values(u)
                .into_iter()
                .zip(values(dof))
                .map(|(u, dof)| Component::direct(u, Dof::Finite(dof)))
                .collect();
            let combined = combine(&components, &[]).unwrap();
            is(combined.u, "uc=");
            let Some(Dof::Finite(dof)) = combined.dof else { panic!("{combined:?}") };
            is(dof, "veff=");
            let expanded = combined.expanded(0.99).unwrap();
            assert_eq!(expanded.dof, Dof::Finite(16.0));
            is(expanded.k, "t99(16)=");
            is(expanded.half_width, "U99=");
        }
        "M7" => {
            let masses = values(&input[input.find("m=").unwrap() + 2..]);
            let got: Vec<f64> = masses
                .iter()
                .map(|m| mpe_r76_g(*m, arg("e="), AccuracyClass::III, Verification::Initial).unwrap())
                .collect();
            assert_all_printed(id, &got, &all, 0.0);
        }
        "M8" => {
            let beyond = mpe_r76_g(arg("m="), arg("e="), AccuracyClass::III, Verification::Initial);
            assert!(matches!(beyond, Err(domain::no_estimate::NoEstimate::OutOfRange { .. })), "{beyond:?}");
        }
        "M9" => {
            let nominal = values(&input.replace("M1", ""));
            let got: Vec<f64> = nominal.iter().map(|m| m1_weight_mpe_mg(*m).unwrap()).collect();
            assert_all_printed(id, &got, &all, 0.0);
        }
        "M15" | "M16" => {
            let masses = values(input);
            let u = arg("u=");
            let compared =
                two_weighings(Measured::new(masses[0], u), Measured::new(masses[1], u), 0.0, 0.95).unwrap();
            is(compared.z, "z=");
            is(compared.p, "p=");
            assert_eq!(compared.significant, !expected.contains("not significant"));
        }
        "M17" => first_is(smallest_detectable_change(arg("u="), 0.95).unwrap()),
        "M18" => {
            let masses = values(input);
            let en = en_number((masses[0], arg("U=")), (masses[1], arg("U="))).unwrap();
            first_is(en.en);
            assert!(!en.agrees);
        }
        "M19" => {
            let mean = weighted_mean(&pairs_with_u(input)).unwrap();
            is(mean.mean, "m=");
            is(mean.u_internal, "u=");
            is(mean.chi2, "chi2=");
            is(mean.p.unwrap(), "p=");
            is(mean.birge.unwrap(), "Birge=");
            assert!(!mean.consistent);
            assert_eq!(mean.u, mean.u_external.unwrap());
        }
        _ => {}
    }
}

#[test]
fn mpe_r76_tabulated_loads_match_the_table() {
    for row in read("weighing/mpe_r76.csv") {
        let class = match row.text("class") {
            "I" => AccuracyClass::I,
            "II" => AccuracyClass::II,
            "III" => AccuracyClass::III,
            "IIII" => AccuracyClass::IIII,
            class => panic!("no class {class}"),
        };
        let (mass, e) = (row.number("mass_g"), row.number("e_g"));
        let got = mpe_r76_g(mass, e, class, Verification::Initial);
        if row.text("expected_mpe_g") == "OUT_OF_RANGE" {
            assert!(got.is_err(), "{mass} g");
        } else {
            let expected = row.number("expected_mpe_g");
            assert_close(row.text("mass_g"), got.unwrap(), expected, row.tolerance());
            let in_service = mpe_r76_g(mass, e, class, Verification::InService).unwrap();
            assert_close("in service", in_service, 2.0 * expected, row.tolerance());
        }
    }
}
