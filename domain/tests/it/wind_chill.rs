//! Every row of the wind-chill checks, and the published chart.

use domain::no_estimate::NoEstimate;
use domain::wind_chill::*;
use proptest::prelude::*;

use crate::rows::{Row, after, assert_close, assert_printed, numbers, read};

#[test]
fn wind_chill_every_row_holds_at_its_tolerance() {
    let rows = read("wind_chill/wind_chill.csv");
    for row in &rows {
        check(row);
    }
    assert_eq!(rows.len(), 11);
}

fn check(row: &Row) {
    let (id, input, expected) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let all = numbers(expected);
    match row.text("topic") {
        "wind_chill_C" if id != "H5" => {
            let chill = wind_chill_c(after(input, "T=").value, after(input, "V=").value).unwrap();
            assert_printed(id, chill.index, all[0], row.tolerance());
            assert_close(id, f64::from(chill.rounded), after(expected, "-> ").value, 0.0);
        }
        "wind_chill_C" => {
            let cells = read("wind_chill/chart.csv");
            let equal = cells.iter().filter(|cell| {
                let chill = wind_chill_c(cell.number("T_C"), cell.number("V_kmh")).unwrap();
                assert_close(id, chill.index, cell.number("computed_unrounded"), 5.1e-5);
                f64::from(chill.rounded) == cell.number("published_WCI")
            });
            assert_eq!(format!("{}/{} equal", equal.count(), cells.len()), expected);
        }
        "wind_chill_F" => {
            for (case, printed) in input.split(';').zip(expected.split(';')) {
                let chill = wind_chill_f(after(case, "T=").value, after(case, "V=").value).unwrap();
                assert_printed(id, chill.index, numbers(printed)[0], row.tolerance());
                if let Some((_, rounded)) = printed.split_once("->") {
                    assert_close(id, f64::from(chill.rounded), numbers(rounded)[0].value, 0.0);
                }
            }
        }
        "wind_chill_range" => {
            assert_eq!(expected, "NOT APPLICABLE");
            for (t, v) in [(after(input, "T=").value, 20.0), (-5.0, after(input, "V<").value - 0.01)] {
                let Err(NoEstimate::Because(why)) = wind_chill_c(t, v) else { panic!("{id}: {t} {v}") };
                assert!(why.contains("does not apply"));
            }
            assert!(wind_chill_c(9.9, 4.8).is_ok());
        }
        "clo" => {
            for (clo, printed) in numbers(input).iter().zip(&all) {
                assert_close(id, clo_to_m2_k_w(clo.value).unwrap(), printed.value, row.tolerance());
            }
        }
        "tog" => {
            assert_close(id, TOG_M2_K_W, all[0].value, row.tolerance());
            assert_printed(id, tog_to_clo(1.0).unwrap(), after(expected, "= "), row.tolerance());
        }
        "hypothermia_stage" => {
            // A table for a help page; nothing computes a stage for a person.
            let stages: Vec<&str> = numbers(input)
                .iter()
                .map(|core| HYPOTHERMIA_STAGES.iter().find(|(low, _)| core.value >= *low).unwrap().1)
                .collect();
            assert_eq!(stages.join(" ; "), expected);
        }
        topic => panic!("no check for {topic}"),
    }
}

// Bands of Environment and Climate Change Canada, as reproduced publicly.
#[test]
fn frostbite_band_ends_belong_to_the_colder_band() {
    let band = |rounded| frostbite(WindChill { index: f64::from(rounded), rounded });
    assert_eq!(band(-27), Frostbite::Low);
    assert_eq!((band(-28), band(-39)), (Frostbite::In10To30Minutes, Frostbite::In10To30Minutes));
    assert_eq!((band(-40), band(-47)), (Frostbite::In5To10Minutes, Frostbite::In5To10Minutes));
    assert_eq!((band(-48), band(-54)), (Frostbite::In2To5Minutes, Frostbite::In2To5Minutes));
    assert_eq!((band(-55), band(-80)), (Frostbite::InLessThan2Minutes, Frostbite::InLessThan2Minutes));
}

#[test]
fn caution_names_rain_and_who_decides() {
    for words in ["rain", "race director", "mountain-rescue", "is not being safe"] {
        assert!(CAUTION.contains(words), "{words}");
    }
}

#[test]
fn wind_chill_poor_input_gives_a_typed_reason() {
    assert!(matches!(wind_chill_c(f64::NAN, 20.0), Err(NoEstimate::NotFinite { .. })));
    assert!(wind_chill_c(-10.0, f64::INFINITY).is_err() && wind_chill_c(-10.0, -5.0).is_err());
    assert!(
        wind_chill_c(-300.0, 20.0).is_err()
            && wind_chill_f(60.0, 20.0).is_err()
            && wind_chill_f(0.0, 1.0).is_err()
    );
    assert!(clo_to_m2_k_w(f64::NAN).is_err() && tog_to_clo(f64::INFINITY).is_err());
}

proptest! {
    #[test]
    fn wind_chill_colder_air_and_more_wind_feel_colder(t in -50f64..9.0, v in 5f64..100.0) {
        let here = wind_chill_c(t, v).unwrap().index;
        prop_assert!(wind_chill_c(t - 1.0, v).unwrap().index < here);
        prop_assert!(wind_chill_c(t, v + 1.0).unwrap().index < here);
        // Both scales tell the same within what their separate rounding of coefficients allows.
        let fahrenheit = wind_chill_f(1.8 * t + 32.0, v / 1.609_344);
        if let Ok(f) = fahrenheit {
            prop_assert!(((f.index - 32.0) / 1.8 - here).abs() < 0.25);
        }
    }
}
