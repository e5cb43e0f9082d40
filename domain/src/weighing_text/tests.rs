use super::*;
use proptest::prelude::*;

fn mg(text: &str) -> i64 {
    parse_mass(text, MassUnit::Gram).unwrap_or_else(|error| panic!("{text}: {error}")).reading.scaled()
}

fn refused(text: &str) -> (usize, WeighingTextFault) {
    let error = parse_mass(text, MassUnit::Gram).expect_err(text);
    (error.at, error.what)
}

#[test]
fn parse_mass_every_common_way_of_writing_is_read() {
    assert_eq!(mg("412"), 412_000);
    assert_eq!(mg("412 g"), 412_000);
    assert_eq!(mg("412g"), 412_000);
    assert_eq!(mg("  0.412 KG "), 412_000);
    assert_eq!(mg("412,5"), 412_500);
    assert_eq!(mg("0,412 kg"), 412_000);
    assert_eq!(mg("1,234 kg"), 1_234_000);
    assert_eq!(mg("412000 mg"), 412_000);
    assert_eq!(mg(".5 g"), 500);
    assert_eq!(mg("412."), 412_000);
    assert_eq!(mg("1 kg 20 g"), 1_020_000);
    assert_eq!(mg("-3 g"), -3_000);
    assert_eq!(mg("\u{2212}3 g"), -3_000);
    assert_eq!(mg("+ 7 g"), 7_000);
    assert_eq!(mg("-0.0 g"), 0);
}

/// The international pound, 0.453 592 37 kg exactly: NIST SP 811 (2008), appendix B.8. The products are worked by
/// hand: 14.5 oz = 411.068 085 3 g; 18.3 oz = 518.796 273 2 g.
#[test]
fn parse_mass_avoirdupois_is_exact_before_the_one_rounding() {
    assert_eq!(mg("14.5 oz"), 411_068);
    assert_eq!(mg("1 lb 2.3 oz"), 518_796);
    assert_eq!(mg("1lb2.3oz"), 518_796);
    assert_eq!(mg("1 lb"), 453_592);
    assert_eq!(mg("100 lb"), 45_359_237);
    assert!(parse_mass("100 lb", MassUnit::Gram).unwrap().exact);
    assert!(!parse_mass("1 lb", MassUnit::Gram).unwrap().exact);
}

#[test]
fn parse_mass_keeps_the_text_the_unit_and_the_fineness() {
    let typed = parse_mass(" 14.5 oz ", MassUnit::Gram).unwrap();
    assert_eq!((typed.raw.as_str(), typed.unit, typed.unit_given), ("14.5 oz", MassUnit::Ounce, true));
    assert_eq!(typed.last_digit_mg, 2_835);
    let bare = parse_mass("412", MassUnit::Gram).unwrap();
    assert_eq!((bare.unit, bare.unit_given, bare.last_digit_mg), (MassUnit::Gram, false, 1_000));
    assert_eq!(parse_mass("1 lb 2.3 oz", MassUnit::Gram).unwrap().unit, MassUnit::Ounce);
    assert_eq!(parse_mass("2", MassUnit::Kilogram).unwrap().reading.scaled(), 2_000_000);
}

#[test]
fn parse_mass_garbage_is_refused_with_its_place() {
    assert_eq!(refused("   "), (0, Fault::Empty));
    assert_eq!(refused("abc"), (0, Fault::NumberWanted));
    assert_eq!(refused(" g"), (1, Fault::NumberWanted));
    assert_eq!(refused("412 stone"), (4, Fault::UnknownUnit("stone".into())));
    assert_eq!(refused("412 gr"), (4, Fault::AmbiguousUnit("gr".into())));
    assert_eq!(refused("1.2.3 g"), (3, Fault::TwoMarks));
    assert_eq!(refused("1,234"), (1, Fault::AmbiguousComma));
    assert_eq!(refused("12,500 g"), (2, Fault::AmbiguousComma));
    assert_eq!(refused("1.234,5"), (5, Fault::TwoMarks));
    assert_eq!(refused("--3"), (1, Fault::MisplacedSign));
    assert_eq!(refused("3-"), (1, Fault::MisplacedSign));
    assert_eq!(refused("3 g !"), (4, Fault::Trailing));
    assert_eq!(refused("3 4"), (2, Fault::Trailing));
    assert_eq!(refused("1 lb 16 oz"), (5, Fault::SecondPartTooLarge(MassUnit::Pound)));
    assert_eq!(refused("1.5 lb 2 oz"), (0, Fault::FractionInFirstPart));
    assert_eq!(refused("5 oz 3 g"), (5, Fault::PartsDoNotFit));
    assert_eq!(refused("1 lb 2"), (5, Fault::PartsDoNotFit));
    assert_eq!(refused("1001 kg"), (0, Fault::OutOfRange));
    assert_eq!(refused("1234567890123456"), (0, Fault::TooManyDigits));
    assert_eq!(refused(&"9".repeat(65)), (0, Fault::TooLong));
    assert_eq!(refused("4\u{0661}2"), (1, Fault::Trailing));
    assert_eq!(refused("nan").1, Fault::NumberWanted);
    assert_eq!(refused("1e3").1, Fault::UnknownUnit("e".into()));
}

#[test]
fn display_error_says_what_and_where() {
    let error = parse_mass("412 stone", MassUnit::Gram).unwrap_err();
    assert_eq!(
        error.to_string(),
        "'stone' is not a unit of mass known here; use g, kg, mg, oz or lb (at character 5)"
    );
}

proptest! {
    #[test]
    fn parse_mass_any_text_never_panics_and_points_inside(text in "\\PC{0,80}") {
        if let Err(error) = parse_mass(&text, MassUnit::Gram) {
            prop_assert!(error.at <= text.len());
        }
    }

    #[test]
    fn parse_mass_any_near_miss_never_panics(text in "[-+ ]{0,2}[0-9.,]{0,9} ?(g|kg|lb|oz|gr|e)? ?[0-9.,]{0,5} ?(oz|g)?") {
        if let Ok(typed) = parse_mass(&text, MassUnit::Ounce) {
            prop_assert!(typed.last_digit_mg >= 1);
            prop_assert_eq!(parse_mass(&typed.raw, MassUnit::Ounce).unwrap(), typed);
        }
    }

    #[test]
    fn parse_mass_any_reading_printed_in_grams_comes_back(scaled in ReadingMg::MIN + 1..ReadingMg::MAX) {
        let reading = ReadingMg::from_scaled(scaled).unwrap();
        prop_assert_eq!(parse_mass(&reading.to_string(), MassUnit::Kilogram).unwrap().reading, reading);
    }
}
