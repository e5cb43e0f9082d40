//! Every row of the food and water checks, and the same course once more as a loadout of entries.

use domain::no_estimate::NoEstimate;
use domain::provisions::*;
use domain::units::{Hours, Kilocalories, MassMg, Millilitres};
use proptest::prelude::*;

use crate::rows::{Row, after, assert_all_printed, assert_close, assert_printed, numbers, read};

const NOTHING: Required = Required { food_kcal: 0.0, water_ml: 0.0 };

fn row(id: &str) -> Row {
    read("provisions/provisions.csv").into_iter().find(|row| row.text("check_id") == id).unwrap()
}

/// The course of F7, with the food density of F9.
fn f7(required: Required) -> LegByLeg {
    let row = row("F7");
    let input = row.text("input");
    let stations = numbers(input.split_once(")=").unwrap().1.split_once(';').unwrap().0);
    let mut stations: Vec<Vec<f64>> =
        stations.chunks(3).map(|s| s.iter().map(|n| n.value).collect()).collect();
    stations.push(vec![after(input, "end ").value]);
    let legs: Vec<LegLoad> = stations
        .windows(2)
        .map(|s| LegLoad { hours: s[1][0] - s[0][0], food_g: s[0][1], water_ml: s[0][2] })
        .collect();
    let tail = numbers(input.rsplit_once(';').unwrap().1);
    let rates = Rates { food_g_per_h: tail[0].value, kcal_per_g: 4.2, water_ml_per_h: tail[1].value };
    carried_mass(after(input, "base ").value, &legs, rates, &required).unwrap()
}

#[test]
fn provisions_every_row_holds_at_its_tolerance() {
    let rows = read("provisions/provisions.csv");
    for row in &rows {
        check(row);
    }
    assert_eq!(rows.len(), 9);
}

fn check(row: &Row) {
    let (id, input, expected) = (row.text("check_id"), row.text("input"), row.text("expected"));
    let (given, all) = (numbers(input), numbers(expected));
    let given: Vec<f64> = given.iter().map(|n| n.value).collect();
    match id {
        "F1" => {
            let eaten = legs_of(&[given[0]], given[1], 0.0);
            let asked = loadout_course(&eaten.0, &eaten.1).unwrap();
            // As much as is eaten in these hours is missing from a store that is larger.
            assert_close(id, 50_000.0 - asked.arrivals[0].food_kcal, all[0].value, 1e-9);
            assert_eq!(IntakeBand::Energy.place(given[1]), Ok(Band::Inside));
        }
        "F2" => assert_printed(id, food_mass_g(given[0], given[1]).unwrap(), all[0], row.tolerance()),
        "F3" => {
            let nutrients = Nutrients {
                carbohydrate_g: given[0],
                protein_g: given[1],
                fat_g: given[2],
                fibre_g: given[3],
                ..Nutrients::default()
            };
            let kcal = nutrients.energy_kcal().unwrap();
            assert_all_printed(id, &[kcal, kcal_to_kj(kcal).unwrap()], &all, row.tolerance());
        }
        "F4" => {
            assert_eq!(IntakeBand::Energy.place(given[0]), Ok(Band::Below));
            assert!(expected.starts_with("below"));
            assert_eq!(IntakeBand::Energy.ends(), (150.0, 400.0));
        }
        "F5" => {
            assert_eq!(IntakeBand::Fluid.place(given[0]), Ok(Band::Inside));
            assert!(expected.starts_with("inside"));
            assert_eq!(IntakeBand::Fluid.ends(), (450.0, 750.0));
        }
        "F6" => assert_printed(id, water_mass_g(given[0], given[1]).unwrap(), all[0], row.tolerance()),
        "F7" => {
            let course = f7(NOTHING);
            assert_printed(id, course.start_g, after(expected, "start "), row.tolerance());
            assert_printed(id, course.mean_g, after(expected, "mean "), row.tolerance());
            let arrivals: Vec<f64> = course.arrivals.iter().map(|a| a.carried_g).collect();
            assert_all_printed(id, &arrivals, &all[2..], row.tolerance());
            assert_eq!((course.maximum_g, course.maximum_leg), (5000.0, 2));
            assert_close(id, course.finish_g, 3360.0, 1e-9);
        }
        "F8" => {
            let course = f7(NOTHING);
            let water: Vec<f64> = course.arrivals.iter().map(|a| a.water_ml).collect();
            assert_all_printed(id, &water, &all[..4], 1e-9);
            // Station 3 is where the second leg ends.
            assert_eq!(course.findings, [Finding::WaterRunsOut { leg: 1, lacking_h: 0.0 }]);
        }
        "F9" => {
            let required = Required { food_kcal: after(input, "required ").value, water_ml: 0.0 };
            let course = f7(required);
            let left: Vec<f64> = course
                .arrivals
                .iter()
                .map(|a| a.food_g)
                .chain(course.arrivals.iter().map(|a| a.food_kcal))
                .collect();
            assert_all_printed(id, &left, &all, row.tolerance());
            assert!(!course.findings.iter().any(|f| matches!(f, Finding::FoodReserveLow { .. })));
            let more = f7(Required { food_kcal: 800.0, water_ml: 250.0 });
            assert!(more.findings.iter().any(|f| matches!(f, Finding::FoodReserveLow { leg: 3, .. })));
            let short = more.findings.iter().filter(|f| matches!(f, Finding::WaterReserveLow { .. }));
            assert_eq!(short.count(), 3);
        }
        other => panic!("no check for {other}"),
    }
}

fn entry(grams: f64) -> Entry {
    Entry {
        mass: Some(EntryMass { mass: MassMg::new(grams).unwrap(), own_u_g: Some(0.5), shared: vec![] }),
        quantity: 1,
        place: CarryPlace::Stowed,
        food: false,
        energy: None,
        fill: None,
        reserve: false,
        from_leg: 0,
        to_leg: None,
    }
}

fn food(grams: f64, kcal: f64) -> Entry {
    Entry { food: true, energy: Some(Kilocalories::new(kcal).unwrap()), ..entry(grams) }
}

fn vessel(grams: f64, fill_ml: f64) -> Entry {
    Entry { fill: Some(Millilitres::new(fill_ml).unwrap()), ..entry(grams) }
}

fn legs(hours: &[f64], refill: Refill) -> Vec<Leg> {
    hours.iter().map(|&h| Leg { hours: Hours::new(h).unwrap(), refill }).collect()
}

const WATER: Refill = Refill { water: true, food: false, drop_bag: true };

/// One large store of food, eaten for some hours.
fn legs_of(hours: &[f64], eat: f64, drink: f64) -> (Loadout<'static>, Vec<Leg>) {
    let entries: &'static [Entry] = Box::leak(Box::new([food(12_000.0, 50_000.0)]));
    let loadout = Loadout { entries, eat_kcal_per_h: eat, drink_ml_per_h: drink, required: NOTHING };
    (loadout, legs(hours, Refill::default()))
}

#[test]
fn loadout_course_of_f7_told_in_entries_gives_its_figures() {
    // What F7 adds at its stations waits in drop bags; the second vessel is handed off after the third leg.
    let pick_up = |entry: Entry, leg| Entry { place: CarryPlace::DropBag, from_leg: leg, ..entry };
    let entries = [
        Entry { place: CarryPlace::InHand, ..entry(3000.0) },
        food(900.0, 3780.0),
        pick_up(food(40.0, 168.0), 1),
        pick_up(food(100.0, 420.0), 2),
        pick_up(food(200.0, 840.0), 3),
        vessel(0.0, 1000.0),
        Entry { to_leg: Some(2), ..pick_up(vessel(0.0, 500.0), 2) },
        Entry { place: CarryPlace::OnBody, ..entry(700.0) },
    ];
    let loadout =
        Loadout { entries: &entries, eat_kcal_per_h: 252.0, drink_ml_per_h: 200.0, required: NOTHING };
    let course = loadout_course(&loadout, &legs(&[4.0, 5.0, 5.0, 4.0], WATER)).unwrap();
    let (row, carried) = (row("F7"), &course.carried);
    let expected = row.text("expected");
    assert_printed("start", carried.start.value_g, after(expected, "start "), 1e-9);
    assert_printed("mean", carried.mean.as_ref().unwrap().value_g, after(expected, "mean "), row.tolerance());
    let arrivals: Vec<f64> = course.arrivals.iter().map(|a| a.carried_g).collect();
    assert_all_printed("arrivals", &arrivals, &numbers(expected)[2..], 1e-9);
    let maximum = carried.maximum.as_ref().unwrap();
    assert_close("maximum", maximum.mass.value_g, 5000.0, 1e-9);
    assert_eq!(maximum.leg, 2);
    assert_close("worn", course.total.finish.as_ref().unwrap().value_g, 3360.0 + 700.0, 1e-9);
    assert_eq!(course.findings, [Finding::WaterRunsOut { leg: 1, lacking_h: 0.0 }]);
}

#[test]
fn loadout_course_reserve_food_and_water_reach_the_finish() {
    let entries = [
        food(300.0, 1200.0),
        Entry { reserve: true, ..food(100.0, 400.0) },
        vessel(30.0, 500.0),
        Entry { reserve: true, ..vessel(30.0, 250.0) },
    ];
    let required = Required { food_kcal: 400.0, water_ml: 250.0 };
    let loadout = Loadout { entries: &entries, eat_kcal_per_h: 300.0, drink_ml_per_h: 300.0, required };
    let course = loadout_course(&loadout, &legs(&[2.0, 4.0], Refill::default())).unwrap();
    let last = course.arrivals[1];
    assert_eq!((last.food_kcal, last.reserve_kcal), (400.0, 400.0));
    assert_eq!((last.water_ml, last.reserve_water_ml), (250.0, 250.0));
    // The reserve holds, and yet food and water run out: 1200 kcal in 4 h, 500 ml in 1 h 40 min.
    let [
        Finding::WaterRunsOut { leg: 0, lacking_h: first },
        Finding::WaterRunsOut { leg: 1, lacking_h: second },
        Finding::FoodRunsOut { leg: 1, lacking_h: hungry },
    ] = course.findings[..]
    else {
        panic!("{:?}", course.findings)
    };
    assert_close("dry", first, 1.0 / 3.0, 1e-12);
    assert_close("dry", second, 4.0, 1e-12);
    assert_close("hungry", hungry, 2.0, 1e-12);
    let greedy = Loadout { required: Required { food_kcal: 401.0, water_ml: 251.0 }, ..loadout };
    let found = loadout_course(&greedy, &legs(&[2.0, 4.0], Refill::default())).unwrap().findings;
    assert!(found.contains(&Finding::FoodReserveLow { leg: 1, left_kcal: 400.0, required_kcal: 401.0 }));
    assert!(found.contains(&Finding::WaterReserveLow { leg: 0, left_ml: 250.0, required_ml: 251.0 }));
}

#[test]
fn loadout_course_food_refill_brings_nothing() {
    let entries = [food(400.0, 1600.0)];
    let loadout =
        Loadout { entries: &entries, eat_kcal_per_h: 200.0, drink_ml_per_h: 0.0, required: NOTHING };
    let eaten = |food| {
        let refill = Refill { food, ..Refill::default() };
        loadout_course(&loadout, &legs(&[3.0, 3.0], refill)).unwrap().arrivals[1].food_kcal
    };
    assert_eq!((eaten(true), eaten(false)), (400.0, 400.0));
}

#[test]
fn loadout_course_shared_uncertainty_adds_linearly() {
    let with_shared = |grams, quantity| {
        let mass = MassMg::new(grams).unwrap();
        let shared = vec![SharedPart { source: 7, u_g: 0.3 }];
        Entry { mass: Some(EntryMass { mass, own_u_g: Some(0.4), shared }), quantity, ..entry(grams) }
    };
    let entries = [with_shared(100.0, 1), with_shared(50.0, 2)];
    let loadout = Loadout { entries: &entries, eat_kcal_per_h: 0.0, drink_ml_per_h: 0.0, required: NOTHING };
    let start = loadout_course(&loadout, &[]).unwrap().carried.start;
    // Own parts 0.4 and 2 x 0.4 in quadrature, the shared part 3 x 0.3 once.
    assert_close("u", start.u_g.unwrap(), (0.16f64 + 0.64 + 0.81).sqrt(), 1e-12);
    assert_eq!(start.value_g, 200.0);
}

#[test]
fn loadout_course_unknowns_are_told_and_never_zero() {
    let entries = [
        Entry { mass: None, ..entry(1.0) },
        Entry { energy: None, ..food(50.0, 1.0) },
        Entry { place: CarryPlace::DropBag, from_leg: 1, ..entry(80.0) },
        Entry { place: CarryPlace::DropBag, from_leg: 9, ..entry(80.0) },
        Entry {
            mass: Some(EntryMass { mass: MassMg::new(20.0).unwrap(), own_u_g: None, shared: vec![] }),
            ..entry(1.0)
        },
    ];
    let loadout =
        Loadout { entries: &entries, eat_kcal_per_h: 100.0, drink_ml_per_h: 0.0, required: NOTHING };
    let course = loadout_course(&loadout, &legs(&[1.0, 1.0], Refill::default())).unwrap();
    for finding in [
        Finding::MassUnknown { entry: 0 },
        Finding::EnergyUnknown { entry: 1 },
        Finding::NoDropBagThere { entry: 2, leg: 1 },
        Finding::NeverPickedUp { entry: 3 },
    ] {
        assert!(course.findings.contains(&finding), "{finding:?}");
    }
    assert_eq!(course.carried.start, MassFigure { value_g: 70.0, u_g: None });
    // What may hold energy is not eaten on the strength of not knowing.
    assert_eq!(course.carried.finish.unwrap().value_g, 150.0);
    let standing = loadout_course(&loadout, &[]).unwrap();
    assert_eq!(standing.carried.mean, Err(NoEstimate::Because("the race has no legs")));
    assert!(standing.carried.maximum.is_err() && standing.carried.finish.is_err());
}

#[test]
fn provisions_poor_input_gives_a_typed_reason() {
    let rates = Rates { food_g_per_h: 60.0, kcal_per_g: 4.2, water_ml_per_h: 200.0 };
    let leg = LegLoad { hours: 1.0, food_g: 10.0, water_ml: 10.0 };
    assert!(matches!(carried_mass(1.0, &[], rates, &NOTHING), Err(NoEstimate::TooFew { what: "legs", .. })));
    assert!(carried_mass(f64::NAN, &[leg], rates, &NOTHING).is_err());
    assert!(carried_mass(1.0, &[LegLoad { food_g: -1.0, ..leg }], rates, &NOTHING).is_err());
    assert!(carried_mass(1.0, &[LegLoad { hours: 0.0, ..leg }], rates, &NOTHING).is_err());
    assert!(carried_mass(1.0, &[leg], Rates { kcal_per_g: 9.2, ..rates }, &NOTHING).is_err());
    assert!(check_density(500.0, 50.0).is_err() && check_density(450.0, 50.0).is_ok());
    assert!(food_mass_g(100.0, 0.0).is_err() && water_mass_g(500.0, 41.0).is_err());
    assert!(IntakeBand::Energy.place(f64::NAN).is_err() && kcal_to_kj(-1.0).is_err());
    let entries = [Entry { from_leg: 2, to_leg: Some(1), ..entry(1.0) }];
    let loadout = Loadout { entries: &entries, eat_kcal_per_h: 0.0, drink_ml_per_h: 0.0, required: NOTHING };
    assert!(loadout_course(&loadout, &[]).is_err());
    assert!(
        loadout_course(&Loadout { eat_kcal_per_h: f64::INFINITY, entries: &[], ..loadout }, &[]).is_err()
    );
}

proptest! {
    #[test]
    fn carried_mass_split_legs_change_nothing(
        hours in 0.5f64..12.0, share in 0.05f64..0.95, food in 0f64..900.0, water in 0f64..2000.0, drink in 0f64..600.0,
    ) {
        let rates = Rates { food_g_per_h: 60.0, kcal_per_g: 4.2, water_ml_per_h: drink };
        let whole = [LegLoad { hours, food_g: food, water_ml: water }];
        let one = carried_mass(3000.0, &whole, rates, &NOTHING).unwrap();
        let first = LegLoad { hours: hours * share, ..whole[0] };
        let half_way = carried_mass(3000.0, &[first], rates, &NOTHING).unwrap().arrivals[0];
        let second = LegLoad { hours: hours * (1.0 - share), food_g: half_way.food_g, water_ml: half_way.water_ml };
        let two = carried_mass(3000.0, &[first, second], rates, &NOTHING).unwrap();
        prop_assert!((one.mean_g - two.mean_g).abs() < 1e-6 && (one.finish_g - two.finish_g).abs() < 1e-6);
    }

    #[test]
    fn loadout_course_shuffled_entries_weigh_the_same(
        grams in prop::collection::vec((1f64..500.0, 0u8..4, prop::bool::ANY), 1..12), eat in 0f64..400.0,
    ) {
        let mut entries: Vec<Entry> = grams
            .iter()
            .map(|&(g, kind, reserve)| {
                let g = (g * 10.0).round() / 10.0;
                let made = match kind {
                    0 => food(g, 4.0 * g),
                    1 => vessel(g, 2.0 * g),
                    2 => Entry { place: CarryPlace::OnBody, ..entry(g) },
                    _ => entry(g),
                };
                Entry { reserve, ..made }
            })
            .collect();
        let course = |entries: &[Entry]| {
            let loadout = Loadout { entries, eat_kcal_per_h: eat, drink_ml_per_h: 200.0, required: NOTHING };
            loadout_course(&loadout, &legs(&[3.0, 2.5], WATER)).unwrap()
        };
        let a = course(&entries);
        entries.reverse();
        let b = course(&entries);
        prop_assert!((a.carried.mean.unwrap().value_g - b.carried.mean.unwrap().value_g).abs() < 1e-6);
        prop_assert!((a.total.finish.clone().unwrap().value_g - b.total.finish.unwrap().value_g).abs() < 1e-6);
        prop_assert!(a.total.finish.unwrap().value_g <= a.total.maximum.unwrap().mass.value_g + 1e-9);
    }
}
