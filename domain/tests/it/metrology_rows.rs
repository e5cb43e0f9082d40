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
        "M5" => {
            let sets: Vec<Vec<f64>> = read("weighing/gum_h2.csv")
                .iter()
                .map(|set| vec![set.number("V_V"), set.number("I_mA") / 1_000.0, set.number("phi_rad")])
                .collect();
            let means = simultaneous_means(&sets).unwrap();
            let results = propagate(&means, |x| {
                let (v, i, phi) = (x[0], x[1], x[2]);
                vec![v / i * phi.cos(), v / i * phi.sin(), v / i]
            })
            .unwrap();
            // Each quantity is followed by its u; take the u after its own label.
            for (k, label) in ["R=", "X=", "Z="].iter().enumerate() {
                is(results.values[k], label);
                let own = &expected[expected.find(label).unwrap()..];
                assert_printed(id, results.u[k], after(own, "u="), tolerance);
            }
            // JCGM 100:2008, table H.4, prints the coefficients to three decimals.
            for ((i, j), label) in [(0, 1), (0, 2), (1, 2)].iter().zip(["r(R,X)=", "r(R,Z)=", "r(X,Z)="]) {
                is(results.r[*i][*j], label);
            }
        }
        "M6" => {
            let rows = read("weighing/gum_h3.csv");
            let t: Vec<f64> = rows.iter().map(|row| row.number("t_C")).collect();
            let b: Vec<f64> = rows.iter().map(|row| row.number("b_C")).collect();
            let line = calibration_line(&t, &b, 20.0).unwrap();
            is(line.intercept, "y1=");
            is(line.slope, "y2=");
            is(line.r, "r=");
            let from_slope = &expected[expected.find("y2=").unwrap()..];
            assert_printed(id, line.u_intercept, after(expected, "s="), tolerance);
            assert_printed(id, line.u_slope, after(from_slope, "s="), tolerance);
            let after_r = &expected[expected.find("r=").unwrap()..];
            assert_printed(id, line.s, after(after_r, "s="), tolerance);
            let at_30 = line.at(30.0).unwrap();
            is(at_30.value, "b(30)=");
            is(at_30.u, "u=");
            assert_eq!(at_30.dof, 9);
        }
        "M10" | "M11" => {
            let corrected =
                buoyancy_corrected_g(arg("R="), arg("rho="), environment::REFERENCE_AIR_DENSITY).unwrap();
            first_is(corrected - arg("R="));
        }
        "M12" => {
            let air = numbers(&input[input.find("rho_a").unwrap()..]);
            let at = |air| buoyancy_corrected_g(300.0, 1140.0, air).unwrap();
            // "1.2->1.0066": the arrow's hyphen is no sign.
            let (before, then) = (air[0].value, after(input, "->").value);
            first_is(at(then) - at(before));
        }
        "M13" => {
            for label in ["g(0)", "g(45)", "g(60)", "g(90)"] {
                assert!(input.contains(label));
            }
            let got = [0.0, 45.0, 60.0, 90.0].map(|latitude| normal_gravity(latitude, 0.0).unwrap());
            assert_all_printed(id, &got, &all[..4], tolerance);
        }
        "M14" => {
            let mass = arg("");
            let shown = moved_scale_reading_g(mass, (60.0, 0.0), (28.0, 2_000.0)).unwrap();
            assert!(input.contains("60N sea level") && input.contains("28N 2000 m"));
            first_is(shown - mass);
        }
        "M20" => {
            let adjusted = two_way();
            let got: Vec<f64> = adjusted.items.iter().map(|item| item.mass_g).collect();
            for (got, label) in got.iter().zip(["A=", "B=", "C="]) {
                is(*got, label);
            }
            let offsets: Vec<f64> = adjusted.sittings.iter().map(|sitting| sitting.offset_g).collect();
            let printed = numbers(&expected[expected.find('[').unwrap()..]);
            assert_all_printed(id, &offsets, &printed[..3], tolerance);
            is(adjusted.s_g.unwrap(), "s=");
            is(adjusted.dof as f64, "dof=");
            is(adjusted.items[0].u_g, "se(A)=");
            assert!(adjusted.items.iter().all(|item| !item.relative));
        }
        "M21" => {
            let means: Vec<f64> = two_way().items.iter().map(|item| item.plain_mean_g).collect();
            for (got, label) in means.iter().zip(["A=", "B=", "C="]) {
                is(*got, label);
            }
        }
        "M22" => {
            let (weight, item) = input.split_once("] A=").unwrap();
            let weight = values(weight.split_once('[').unwrap().1);
            let item = values(item.split_once(']').unwrap().0);
            let readings = drifting_readings(&weight, &item);
            let model = AdjustmentModel { resolution_g: None, drifting: vec!["A"] };
            let adjusted = adjust(&readings, &model).unwrap();
            let a = &adjusted.items[0];
            is(a.mass_g, "A0=");
            is(a.drift_g.unwrap(), "slope=");
            is(a.u_drift_g.unwrap(), "se ");
            is(adjusted.s_g.unwrap(), "s=");
            let times: Vec<f64> = (0..item.len()).map(|t| t as f64).collect();
            is(calibration_line(&times, &item, 0.0).unwrap().slope, "naive slope ");
        }
        "M23" => {
            let pairs: Vec<CheckReading> = [("100->", 100.0), ("500->", 500.0)]
                .iter()
                .map(|(label, known_g)| CheckReading {
                    known_g: *known_g,
                    u_known_g: 0.0,
                    reading_g: arg(label),
                })
                .collect();
            let line = gain_offset(&pairs, 0.1 / 12f64.sqrt()).unwrap();
            is(line.gain, "gain ");
            is(line.offset_g, "offset ");
            is(line.correct(arg("raw "), 0.03).unwrap().mass_g, "corrected ");
        }
        "M24" | "M25" => {
            let side = if input.contains("two-sided") { Side::Both } else { Side::Upper };
            let sizes = values(&input[input.find("n=").unwrap() + 2..]);
            let got: Vec<f64> =
                sizes.iter().map(|n| grubbs_critical(*n as usize, arg("alpha "), side).unwrap()).collect();
            assert_all_printed(id, &got, &all, tolerance);
        }
        "M26" => {
            let readings = values(input);
            let test = grubbs(&readings, 0.05, Side::Both).unwrap();
            is(test.mean, "mean ");
            is(test.sd, "s ");
            is(test.g, "G=");
            is(readings[test.index], "outlier ");
            assert!(test.outlier);
        }
        "M27" => {
            let readings = values(input);
            let distances = modified_z(&readings, 0.1).unwrap();
            is(distances.median, "median ");
            is(distances.mad, "MAD ");
            is(distances.z[distances.flagged[0]], "modified z(419)=");
            assert_eq!(distances.flagged.len(), 1);
        }
        "M28" => {
            let readings = values(input.split_once("with").unwrap().0);
            let distances = modified_z(&readings, arg("d=")).unwrap();
            is(distances.mad, "MAD=");
            is(distances.scale, "d/(2sqrt3)=");
            is(distances.z[5], "z(419)=");
            assert!(distances.floored && distances.flagged.contains(&5));
        }
        // The settled reading of a stream has its check where the rule is: stable_reading_rows.
        "M29" => {}
        id => panic!("no check for row {id}"),
    }
}

fn two_way() -> Adjustment<u32, String> {
    let readings: Vec<SittingReading<u32, String>> = read("weighing/two_way_observations.csv")
        .iter()
        .map(|row| SittingReading {
            sitting: row.number("session") as u32,
            load: if row.text("known_mass_g").is_empty() {
                Load::Item(row.text("item").to_owned())
            } else {
                Load::Weight {
                    name: row.text("item").to_owned(),
                    mass_g: row.number("known_mass_g"),
                    u_g: 0.0,
                }
            },
            reading_g: row.number("reading_g"),
            time: 0.0,
        })
        .collect();
    adjust(&readings, &AdjustmentModel::default()).unwrap()
}

fn drifting_readings(weight: &[f64], item: &[f64]) -> Vec<SittingReading<usize, &'static str>> {
    let of =
        |sitting: usize, load, reading_g| SittingReading { sitting, load, reading_g, time: sitting as f64 };
    let known = Load::Weight { name: "K200", mass_g: 200.0, u_g: 0.0 };
    weight
        .iter()
        .zip(item)
        .enumerate()
        .flat_map(|(at, (weight, item))| [of(at, known.clone(), *weight), of(at, Load::Item("A"), *item)])
        .collect()
}

#[test]
fn grubbs_critical_tabulated_sizes_match_scipy() {
    for row in read("weighing/grubbs_critical.csv") {
        let side = match row.text("sided") {
            "two" => Side::Both,
            "one" => Side::Upper,
            side => panic!("no side {side}"),
        };
        let got = grubbs_critical(row.number("n") as usize, row.number("alpha"), side).unwrap();
        assert_close(
            &format!("n={} {}", row.text("n"), row.text("sided")),
            got,
            row.number("expected"),
            row.tolerance(),
        );
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
