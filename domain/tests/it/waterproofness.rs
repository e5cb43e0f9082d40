//! Waterproofness: every row of the check files, then limits, refusals and order.

use domain::metrology::resolution_u;
use domain::no_estimate::NoEstimate;
use domain::waterproofness::*;
use proptest::prelude::*;

use crate::rows::{Row, after, assert_close, assert_printed, numbers, read};

fn conditions(rate: Rate, drops: Drops) -> TestConditions {
    TestConditions { rate, drops, part: Part::Fabric }
}

#[test]
fn waterproofness_every_row_holds_at_its_tolerance() {
    let rows = read("waterproofness/waterproofness.csv");
    assert_eq!(rows.len(), 24);
    rows.iter().for_each(check);
}

fn check(row: &Row) {
    let (id, input, expected) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let arg = |label: &str| after(input, label).value;
    let first = numbers(input).first().map_or(f64::NAN, |n| n.value);
    let close = |got: f64| assert_printed(id, got, numbers(expected)[0], row.tolerance());
    let class = |got: u8| assert_eq!(f64::from(got), after(expected, "class ").value, "{id}");
    match row.text("topic") {
        "head_to_pa" if input.contains("convention") => close(head_to_pa(arg("h=")).unwrap()),
        "head_to_pa" => close(head_to_pa_at(arg("h="), arg("water ")).unwrap()),
        "pa_to_head" => {
            // "1 bar" is 1e5 Pa.
            let pressure = if input.ends_with("bar") { first * 1e5 } else { first };
            close(pa_to_head(pressure).unwrap());
        }
        "rho_water" => close(domain::provisions::water_density_kg_m3(arg("t=")).unwrap()),
        "test_duration" => {
            let rate = Rate::from_cm_per_min(arg("at ")).unwrap();
            close(test_duration_min(arg("target "), rate).unwrap());
        }
        "iso811_result" => {
            let places: Vec<f64> = numbers(input).iter().map(|n| n.value).collect();
            let result = specimen_head(&places, None, conditions(Rate::Sixty, Drops::Third)).unwrap();
            close(result.head_mm);
            assert_eq!(result.relation, Relation::Exact);
        }
        "en343_2019_wp" => {
            let seams_after_pa = Some(arg("seams after "));
            let evidence = WaterEvidence {
                fabric_before_pa: None,
                fabric_after_pa: numbers(input).first().map(|n| n.value),
                seams_before_pa: Some(arg("seams before ")),
                seams_after_pa,
            };
            class(water_class(&evidence, Edition::En343Of2019).unwrap().unwrap().class);
        }
        "en343_2019_ret" => class(ret_class(arg("Ret="), Edition::En343Of2019).unwrap().class),
        "en343_2003_ret" => class(ret_class(arg("Ret="), Edition::En343Of2003).unwrap().class),
        "ret_to_permeability" => {
            assert_printed(
                id,
                permeability_from_ret(arg("Ret=")).unwrap(),
                after(expected, "Wd="),
                row.tolerance(),
            );
        }
        "psi_to_mm" => close(pa_to_head(psi_to_pa(first).unwrap()).unwrap()),
        "contact_pressure" => {
            let pressure = contact_pressure_pa(first, arg("on ") as u32, arg("x ")).unwrap();
            let tolerances = numbers(row.text("tolerance"));
            close(pressure);
            assert_printed(id, pa_to_head(pressure).unwrap(), after(expected, "= "), tolerances[1].value);
        }
        "method_guard" => {
            let compared = compare_vapour(
                VapourResult::standard(VapourMethod::JisB1, arg("compare ")),
                VapourResult::standard(VapourMethod::JisA1, arg("with ")),
            );
            assert!(matches!(compared, Err(NoEstimate::Because(_))), "{expected}");
        }
        topic => panic!("no check for {topic}"),
    }
}

#[test]
fn head_to_pa_tabulated_heads_match() {
    for row in read("waterproofness/head_to_pa.csv") {
        let head = row.number("head_mm");
        let got = match row.text("water_temp_C_or_conventional") {
            "conventional" => head_to_pa(head),
            temperature => head_to_pa_at(head, temperature.parse().unwrap()),
        };
        assert_close(
            row.text("head_mm"),
            got.unwrap(),
            row.number("expected_Pa"),
            row.number("tolerance_Pa"),
        );
    }
}

#[test]
fn specimen_head_fewer_places_than_asked_gives_a_bound() {
    let third = conditions(Rate::Ten, Drops::Third);
    let held = specimen_head(&[1_900.0, 1_500.0], Some(2_000.0), third).unwrap();
    assert_eq!((held.head_mm, held.relation), (2_000.0, Relation::AtLeast));
    let first =
        specimen_head(&[1_900.0, 1_500.0], Some(2_000.0), conditions(Rate::Ten, Drops::First)).unwrap();
    assert_eq!((first.head_mm, first.relation), (1_500.0, Relation::Exact));
    assert!(matches!(
        specimen_head(&[1_500.0], None, third),
        Err(NoEstimate::TooFew { needed: 3, got: 1, .. })
    ));
    assert!(specimen_head(&[2_500.0], Some(2_000.0), third).is_err());
    assert!(specimen_head(&[f64::NAN], Some(2_000.0), third).is_err());
    assert!(specimen_head(&[-1.0, 2.0, 3.0], None, third).is_err());
}

#[test]
fn mean_head_bounds_and_mixed_conditions_refused() {
    let seen = |head_mm, relation, rate| SpecimenHead {
        head_mm,
        relation,
        conditions: conditions(rate, Drops::Third),
    };
    let five = [9_800.0, 10_100.0, 10_350.0, 10_600.0, 10_150.0]
        .map(|head| seen(head, Relation::Exact, Rate::Sixty));
    let mean = mean_head(&five).unwrap();
    assert!((mean.mean_mm - 10_200.0).abs() < 1e-9 && mean.enough && mean.n == 5);
    // Squares about 10 200: 160 000 + 10 000 + 22 500 + 160 000 + 2 500, over 4.
    assert!((mean.sd_mm.unwrap() - 88_750f64.sqrt()).abs() < 1e-9);
    let with = |other| mean_head(&[five[0], other]);
    assert!(matches!(with(seen(12_000.0, Relation::AtLeast, Rate::Sixty)), Err(NoEstimate::Because(_))));
    assert!(matches!(with(seen(10_000.0, Relation::Exact, Rate::Ten)), Err(NoEstimate::Because(_))));
    assert_eq!(mean_head(&[seen(2_000.0, Relation::AtLeast, Rate::Ten)]), Err(NoEstimate::AllCensored));
    assert!(mean_head(&[]).is_err());
    assert!(mean_head(&[seen(f64::NAN, Relation::Exact, Rate::Ten)]).is_err());
}

#[test]
fn rate_within_the_standards_tolerance_is_nominal() {
    assert_eq!(Rate::from_cm_per_min(10.5), Ok(Rate::Ten));
    assert_eq!(Rate::from_cm_per_min(57.0), Ok(Rate::Sixty));
    assert_eq!(Rate::from_cm_per_min(30.0), Ok(Rate::Other(30.0)));
    assert!(Rate::from_cm_per_min(0.0).is_err());
    assert!(test_duration_min(1.0, Rate::Other(f64::NAN)).is_err());
}

#[test]
fn water_class_unknown_evidence_shows_nothing() {
    let none = WaterEvidence::default();
    assert_eq!(water_class(&none, Edition::En343Of2019), Ok(None));
    let new_only = WaterEvidence { fabric_before_pa: Some(30_000.0), ..none };
    assert_eq!(water_class(&new_only, Edition::En343Of2019).unwrap().unwrap().class, 1);
    assert_eq!(water_class(&new_only, Edition::En343Of2003), Ok(None), "its seams are not shown");
    // Boundaries of both editions (public reproductions).
    let after = |fabric, seams| WaterEvidence {
        fabric_after_pa: Some(fabric),
        seams_before_pa: Some(seams),
        ..WaterEvidence::default()
    };
    for (fabric, seams, class) in [(8_000.0, 8_000.0, 2), (13_000.0, 13_000.0, 3), (13_000.0, 12_999.0, 2)] {
        for edition in [Edition::En343Of2003, Edition::En343Of2019] {
            assert_eq!(water_class(&after(fabric, seams), edition).unwrap().unwrap().class, class);
        }
    }
    let bad = WaterEvidence { seams_after_pa: Some(f64::NAN), ..none };
    assert!(water_class(&bad, Edition::En343Of2019).is_err());
}

#[test]
fn class_demonstrates_head_class_four_does_not_show_ten_metres() {
    let four = WaterClass { edition: Edition::En343Of2019, class: 4 };
    assert_eq!(class_demonstrates_head(four, 10_000.0), Ok(false));
    assert_eq!(class_demonstrates_head(four, 2_039.0), Ok(true));
    let four_of_2003 = WaterClass { edition: Edition::En343Of2003, class: 4 };
    assert!(matches!(class_demonstrates_head(four_of_2003, 1_000.0), Err(NoEstimate::Because(_))));
}

#[test]
fn wear_limit_between_rows_takes_the_warmer() {
    // EN 343:2003+A1:2007, table of wearing times as reproduced publicly.
    let of = |class, temperature| wear_limit(RetClass { edition: Edition::En343Of2003, class }, temperature);
    assert_eq!([of(1, 25.0), of(2, 25.0), of(3, 25.0)], [Ok(Some(60.0)), Ok(Some(105.0)), Ok(Some(205.0))]);
    assert_eq!([of(1, 18.0), of(2, 18.0), of(3, 18.0)], [Ok(Some(75.0)), Ok(Some(250.0)), Ok(None)]);
    assert_eq!([of(1, 15.0), of(1, 10.0), of(1, 5.0)], [Ok(Some(100.0)), Ok(Some(240.0)), Ok(None)]);
    assert!(of(1, 26.0).is_err() && of(4, 20.0).is_err() && of(1, f64::NAN).is_err());
    assert!(wear_limit(RetClass { edition: Edition::En343Of2019, class: 2 }, 20.0).is_err());
}

#[test]
fn compare_vapour_only_within_one_method_and_condition() {
    let plate = |ret| VapourResult::standard(VapourMethod::Iso11092, ret);
    let compared = compare_vapour(plate(13.0), plate(6.0)).unwrap();
    assert_eq!((compared.difference, compared.second_more_permeable), (-7.0, Some(true)));
    let cup = |flux| VapourResult::standard(VapourMethod::JisB1, flux);
    assert_eq!(compare_vapour(cup(20_000.0), cup(15_000.0)).unwrap().second_more_permeable, Some(false));
    assert_eq!(compare_vapour(cup(20_000.0), cup(20_000.0)).unwrap().second_more_permeable, None);
    let windy = VapourResult { air_speed_m_s: Some(2.0), ..plate(6.0) };
    assert!(matches!(compare_vapour(plate(6.0), windy), Err(NoEstimate::Because(_))));
    assert!(compare_vapour(plate(f64::NAN), plate(6.0)).is_err());
    assert!(permeability_from_ret(701.0).is_err() && permeability_from_ret(0.0).is_err());
}

#[test]
fn waterproofness_bad_numbers_get_a_reason() {
    for bad in [f64::NAN, f64::INFINITY, -1.0] {
        assert!(head_to_pa(bad).is_err() && pa_to_head(bad).is_err() && psi_to_pa(bad).is_err());
        assert!(head_to_pa_at(bad, 20.0).is_err() && head_to_pa_at(1.0, bad).is_err());
        assert!(contact_pressure_pa(bad, 2, 35.0).is_err() && contact_pressure_pa(80.0, 2, bad).is_err());
        assert!(ret_class(bad, Edition::En343Of2019).is_err());
        assert!(column_uncertainty(bad, 5.0, 0.0018).is_err());
        assert!(gauge_uncertainty(bad, 1.6, 160_000.0).is_err());
    }
    assert!(contact_pressure_pa(80.0, 0, 35.0).is_err());
    assert!(domain::provisions::water_density_kg_m3(40.1).is_err());
    assert!(gauge_uncertainty(200_000.0, 1.6, 160_000.0).is_err());
    assert!(head_to_pa(1e308).is_err());
    assert!(resolution_u(f64::NAN).is_err());
}

proptest! {
    #[test]
    fn pa_to_head_of_a_heads_pressure_returns(head in 0.0f64..1e5) {
        let back = pa_to_head(head_to_pa(head).unwrap()).unwrap();
        prop_assert!((back - head).abs() <= 1e-9 * head.max(1.0));
    }

    #[test]
    fn specimen_head_shuffled_and_shifted_places_follow(
        mut places in prop::collection::vec(0.0f64..20_000.0, 3..8), shift in 0.0f64..500.0,
    ) {
        let third = conditions(Rate::Sixty, Drops::Third);
        let base = specimen_head(&places, None, third).unwrap().head_mm;
        places.reverse();
        places.iter_mut().for_each(|place| *place += shift);
        let got = specimen_head(&places, None, third).unwrap().head_mm;
        prop_assert!((got - base - shift).abs() < 1e-9);
        prop_assert_eq!(places.iter().filter(|place| **place < got).count(), 2);
    }

    #[test]
    fn ret_class_greater_resistance_never_a_better_class(a in 0.1f64..100.0, b in 0.1f64..100.0) {
        for edition in [Edition::En343Of2003, Edition::En343Of2019] {
            let (low, high) = (ret_class(a.min(b), edition).unwrap(), ret_class(a.max(b), edition).unwrap());
            prop_assert!(low.class >= high.class);
        }
    }
}
