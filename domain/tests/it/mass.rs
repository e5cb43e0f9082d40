//! The current mass of an item.

use domain::mass::{
    CheckFact, Evidence, ItemFacts, RepeatSums, ScaleEvidence, SittingEvidence, WeighingFact, item_mass,
};
use domain::units::MassMg;
use domain::wire::item::ItemKind;
use domain::wire::mass::{Calibration, MassBasis};
use domain::wire::shape;
use domain::wire::weighing::WeighingBody;
use serde_json::{Value, json};
use uuid::Uuid;

fn id(n: u32) -> Uuid {
    Uuid::parse_str(&format!("01900000-0000-7000-8000-{n:012x}")).unwrap()
}

fn weighing(n: u32, mut body: Value) -> WeighingFact {
    let fields = body.as_object_mut().unwrap();
    fields.insert("item_id".into(), json!(id(1)));
    fields.entry("observed_at").or_insert(json!(format!("2026-03-{:02}T09:00:00Z", n.min(28))));
    let body: WeighingBody = shape::read(fields).unwrap();
    WeighingFact { id: id(n), body, set_aside: false }
}

const SHELL: ItemFacts = ItemFacts { kind: ItemKind::ShellJacket, label_mass: None };

fn close(actual: Option<f64>, expected: f64, tolerance: f64) {
    let actual = actual.expect("a number");
    assert!((actual - expected).abs() <= tolerance, "{actual} is not {expected}");
}

#[test]
fn item_mass_one_reading_without_check_weight_carries_the_assumed_band() {
    let mass =
        item_mass(SHELL, &[weighing(1, json!({"resolution_g": 1, "reading_g": 412}))], &Evidence::default());
    // Two readings of a 1 g step (GUM F.2.2.1) and +-2 x 0.5 g of class III up to 500 e (OIML R 76-1 table 6), uniform.
    close(mass.mass_g, 412.0, 0.0);
    close(mass.mass_u_g, (2.0 / 12.0_f64 + 1.0 / 3.0).sqrt(), 1e-4);
    assert_eq!(mass.mass_calibration, Some(Calibration::Assumed));
    assert_eq!((mass.mass_basis, mass.mass_n), (MassBasis::Measured, 1));
}

#[test]
fn item_mass_units_weighed_together_divide_value_and_uncertainty() {
    let facts = [weighing(1, json!({"resolution_g": 1, "reading_g": 400, "units": 10}))];
    let mass = item_mass(ItemFacts { kind: ItemKind::Food, label_mass: None }, &facts, &Evidence::default());
    close(mass.mass_g, 40.0, 0.0);
    close(mass.mass_u_g, 0.5_f64.sqrt() / 10.0, 1e-4);
}

fn on_scale(repeats: RepeatSums, checks: Vec<CheckFact>) -> Evidence {
    let mut evidence = Evidence::default();
    evidence.scales.insert(id(90), ScaleEvidence { resolution_g: 1.0, repeats });
    evidence.sittings.insert(id(80), SittingEvidence { scale_id: id(90), checks });
    evidence.sittings.insert(id(81), SittingEvidence { scale_id: id(90), checks: vec![] });
    evidence
}

fn check(reading_g: f64) -> CheckFact {
    CheckFact { weight_name: "200 g".into(), known_g: 200.0, known_u_g: 0.0058, reading_g }
}

#[test]
fn item_mass_check_readings_correct_the_offset_of_their_own_sitting_only() {
    let evidence = on_scale(RepeatSums { sum_squares: 2.25, dof: 9 }, vec![check(201.0), check(202.0)]);
    let mass = item_mass(
        SHELL,
        &[weighing(1, json!({"sitting_id": id(80), "reading_g": 412, "lifts": 2}))],
        &evidence,
    );
    close(mass.mass_g, 410.5, 1e-9);
    // s^2 = 0.25; own: 2/12 + 0.25/2; offset: 2/12 + 0.25/2; the weight's own u once.
    let u2: f64 = 2.0 / 12.0 + 0.125 + 2.0 / 12.0 + 0.125 + 0.0058 * 0.0058;
    close(mass.mass_u_g, u2.sqrt(), 1e-4);
    assert_eq!(mass.mass_calibration, Some(Calibration::Checked));
    let other = item_mass(SHELL, &[weighing(2, json!({"sitting_id": id(81), "reading_g": 412}))], &evidence);
    close(other.mass_g, 412.0, 0.0);
}

#[test]
fn item_mass_older_that_disagrees_with_the_newest_stops_and_is_named() {
    let of = |n, reading: f64| weighing(n, json!({"resolution_g": 1, "reading_g": reading}));
    // Common error of one unnamed scale cancels: u(difference) = sqrt(4/12) = 0.577, 1.96 u = 1.13.
    let mass = item_mass(SHELL, &[of(1, 412.0), of(2, 415.0), of(3, 416.0)], &Evidence::default());
    close(mass.mass_g, 415.5, 1e-9);
    assert_eq!(mass.mass_n, 2);
    let changed = mass.mass_changed.unwrap();
    assert_eq!((changed.from_g, changed.to_g), (412.0, 416.0));
    close(Some(changed.u_difference_g), (4.0 / 12.0_f64).sqrt(), 1e-4);
    // The two agreeing average their own part; the shared part stays whole.
    close(mass.mass_u_g, (2.0 / 12.0 / 2.0 + 1.0 / 3.0_f64).sqrt(), 1e-4);
}

#[test]
fn item_mass_wet_full_and_set_aside_weighings_do_not_count() {
    let flask = ItemFacts { kind: ItemKind::SoftFlask, label_mass: Some(MassMg::new(26.0).unwrap()) };
    let mut voided = weighing(1, json!({"resolution_g": 1, "reading_g": 30}));
    voided.set_aside = true;
    let facts = [
        voided,
        weighing(2, json!({"resolution_g": 1, "reading_g": 31, "wetness": "wet"})),
        weighing(3, json!({"resolution_g": 1, "reading_g": 526, "fill": "full"})),
    ];
    let mass = item_mass(flask, &facts, &Evidence::default());
    assert_eq!((mass.mass_basis, mass.mass_g, mass.mass_u_g), (MassBasis::Label, Some(26.0), None));
    assert_eq!(mass.last_weighed_at, Some("2026-03-03T09:00:00Z".parse().unwrap()));
    let unlabelled = ItemFacts { label_mass: None, ..flask };
    assert_eq!(item_mass(unlabelled, &facts, &Evidence::default()).mass_basis, MassBasis::None);
}

#[test]
fn item_mass_older_than_a_year_before_the_newest_is_left_out() {
    let facts = [
        weighing(1, json!({"resolution_g": 1, "reading_g": 412, "observed_at": "2025-02-27T09:00:00Z"})),
        weighing(2, json!({"resolution_g": 1, "reading_g": 413, "observed_at": "2026-03-01T09:00:00Z"})),
    ];
    let mass = item_mass(SHELL, &facts, &Evidence::default());
    assert_eq!((mass.mass_g, mass.mass_n, mass.mass_changed), (Some(413.0), 1, None));
}
