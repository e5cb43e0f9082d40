use super::*;
use proptest::prelude::*;

fn read(line: &str) -> Result<Option<LineReading>, LineFault> {
    parse_line(line.as_bytes(), &LineRules::default())
}

/// The value in mg, the unit, the stable flag and the net flag.
fn value(line: &str) -> (i64, MassUnit, Option<bool>, Option<bool>) {
    match read(line) {
        Ok(Some(LineReading::Value { reading, unit, stable, net, .. })) => {
            (reading.scaled(), unit, stable, net)
        }
        other => panic!("{line:?} is {other:?}"),
    }
}

use MassUnit::{Gram, Kilogram, Ounce, Pound, TroyOunce};

/// The shapes are common practice; no standard describes them.
#[test]
fn parse_line_common_shapes_are_read() {
    assert_eq!(value("ST,GS,+  412.0 g"), (412_000, Gram, Some(true), Some(false)));
    assert_eq!(value("+000412 g"), (412_000, Gram, None, None));
    assert_eq!(value("412.0"), (412_000, Gram, None, None));
    assert_eq!(value("US,NT,- 0.5oz"), (-14_175, Ounce, Some(false), Some(true)));
    assert_eq!(value("  192.21 g  "), (192_210, Gram, None, None));
    assert_eq!(value("     192.21 g ?"), (192_210, Gram, Some(false), None));
    assert_eq!(value("S S     100.00 g"), (100_000, Gram, Some(true), None));
    assert_eq!(value("S D      99.87 g"), (99_870, Gram, Some(false), None));
    assert_eq!(value("S-1000.00g"), (-1_000_000, Gram, Some(true), None));
    assert_eq!(value("01ST,GS,    0.412,kg"), (412_000, Kilogram, Some(true), Some(false)));
    assert_eq!(value("N     +   67.87 g  "), (67_870, Gram, None, Some(true)));
    assert_eq!(value("G 412 g"), (412_000, Gram, None, Some(false)));
    assert_eq!(value("\x02+ 1.25 lb\x03\r\n"), (566_990, Pound, None, None));
    assert_eq!(value("1 lb 2.3 oz"), (518_796, Ounce, None, None));
    assert_eq!(value("-1lb 2.3oz"), (-518_796, Ounce, None, None));
    assert_eq!(value("0.5 oz t"), (15_552, TroyOunce, None, None));
    assert_eq!(value("0.5 ozt"), (15_552, TroyOunce, None, None));
    assert_eq!(value("412,5 g"), (412_500, Gram, None, None));
    assert_eq!(value("1,412 kg"), (1_412_000, Kilogram, None, None));
    assert_eq!(value("176.30 g 00:00:15"), (176_300, Gram, None, None));
    assert_eq!(value("412."), (412_000, Gram, None, None));
    assert_eq!(value("GS 412 g PT 20 g"), (412_000, Gram, None, Some(false)));
}

#[test]
fn parse_line_negative_zero_is_zero() {
    assert_eq!(value("-0.0 g").0, 0);
    assert_eq!(value("ST,GS,-      0 g").0, 0);
}

#[test]
fn parse_line_out_of_range_is_told_apart_from_garbage() {
    for over in ["OL", "OL,+999999 g", "ST,OL", "HHHHHH", "^^^^^^", "S +", "Overload"] {
        assert_eq!(read(over), Ok(Some(LineReading::Overload)), "{over}");
    }
    for under in ["UL", "UL,GS,-99999 g", "OL,-999999 g", "LLLLLL", "______", "S -", "OL -"] {
        assert_eq!(read(under), Ok(Some(LineReading::Underload)), "{under}");
    }
}

#[test]
fn parse_line_blank_is_nothing() {
    assert_eq!(read(""), Ok(None));
    assert_eq!(read(" \t\x02\x03 "), Ok(None));
}

#[test]
fn parse_line_whatever_could_be_misread_is_refused() {
    let word = |at, word: &str| LineFault::UnknownWord { at, word: word.into() };
    assert_eq!(read("4 12.0 g"), Err(LineFault::Several));
    assert_eq!(read("1,412 g"), Err(LineFault::Several));
    assert_eq!(read("ST,412,5 g"), Err(LineFault::Several));
    assert_eq!(read("ST,1,41 g"), Err(LineFault::Several));
    assert_eq!(read("12 25"), Err(LineFault::Several));
    assert_eq!(read("1 lb 16 oz"), Err(LineFault::Several));
    assert_eq!(read("412 g 413 g"), Err(LineFault::Several));
    assert_eq!(read("+-412 g"), Err(LineFault::Misplaced { at: 1, character: '-' }));
    assert_eq!(read("412- g"), Err(LineFault::Misplaced { at: 3, character: '-' }));
    assert_eq!(read("412#g"), Err(LineFault::Misplaced { at: 3, character: '#' }));
    assert_eq!(read("4.1.2 g"), Err(LineFault::BadNumber { at: 0 }));
    assert_eq!(read("hello"), Err(word(0, "hello")));
    assert_eq!(read("412 stone"), Err(word(4, "stone")));
    assert_eq!(read("412 N"), Err(word(4, "N")));
    assert_eq!(read("412 ml"), Err(LineFault::NotMass { word: "ml".into() }));
    assert_eq!(read("14.5 fl oz"), Err(LineFault::NotMass { word: "fl".into() }));
    assert_eq!(read("12 pcs"), Err(LineFault::NotMass { word: "pcs".into() }));
    assert_eq!(read("12 %"), Err(LineFault::NotMass { word: "%".into() }));
    assert_eq!(read("6 gr"), Err(LineFault::NotMass { word: "gr".into() }));
    assert_eq!(read("TR 20 g"), Err(LineFault::NotAReading));
    assert_eq!(read("ST,GS"), Err(LineFault::NoNumber));
    assert_eq!(read("ERR 4"), Err(LineFault::ScaleError));
    assert_eq!(read("S I"), Err(LineFault::ScaleError));
    assert_eq!(read("- - - -"), Err(LineFault::Misplaced { at: 2, character: '-' }));
    assert_eq!(read("-----"), Err(LineFault::Dashes));
    assert_eq!(read("1001 kg"), Err(LineFault::OutOfRange));
    assert_eq!(read(&"9".repeat(200)), Err(LineFault::OutOfRange));
    assert_eq!(read(&" 1".repeat(200)), Err(LineFault::TooLong));
    assert_eq!(parse_line(b"4\xb12 g", &LineRules::default()), Err(LineFault::NotText { at: 1 }));
    assert_eq!(parse_line(b"4\x002 g", &LineRules::default()), Err(LineFault::NotText { at: 1 }));
}

#[test]
fn parse_line_scale_without_a_unit_while_moving_is_unstable_then() {
    let rules = LineRules { unit: MassUnit::Gram, no_unit_is_unstable: true };
    let stable = |line: &str| match parse_line(line.as_bytes(), &rules) {
        Ok(Some(LineReading::Value { stable, .. })) => stable,
        other => panic!("{other:?}"),
    };
    assert_eq!(stable("+  412.0"), Some(false));
    assert_eq!(stable("+  412.0 g"), Some(true));
}

#[test]
fn parse_line_step_is_that_of_the_last_digit() {
    let step = |line: &str| match read(line) {
        Ok(Some(LineReading::Value { step_mg, .. })) => step_mg,
        other => panic!("{other:?}"),
    };
    assert_eq!(step("412 g"), 1_000);
    assert_eq!(step("412.0 g"), 100);
    assert_eq!(step("0.4120 kg"), 100);
    assert_eq!(step("14.5 oz"), 2_835);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]

    #[test]
    fn parse_line_any_bytes_never_panics(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = parse_line(&bytes, &LineRules::default());
    }

    #[test]
    fn parse_line_near_a_real_shape_never_panics_and_never_leaves_the_range(
        line in "(ST|US|OL|S S|N|01ST|)[, ]?(GS|NT|)[, ]?[-+]? {0,3}[0-9.,]{0,8} ?(g|kg|lb|oz|pcs|)? ?[0-9.]{0,4} ?(oz|\\?|S|)"
    ) {
        if let Ok(Some(LineReading::Value { reading, step_mg, .. })) = read(&line) {
            prop_assert!(step_mg >= 1);
            prop_assert!(reading.scaled().abs() <= ReadingMg::MAX);
        }
    }

    #[test]
    fn parse_line_any_value_in_any_shape_comes_back(mg in -5_000_000_i64..5_000_000, shape in 0_usize..5) {
        let (sign, grams) = (if mg < 0 { '-' } else { '+' }, format!("{}.{:03}", mg.abs() / 1000, mg.abs() % 1000));
        let line = match shape {
            0 => format!("ST,GS,{sign}{grams:>9} g"),
            1 => format!("{sign}{grams:0>12}"),
            2 => format!("S D {sign} {grams} g"),
            3 => format!("{sign}{} g", grams.replace('.', ",")),
            _ => format!("\x02{sign}{grams}g ?\x03"),
        };
        // With three decimals after the comma, 1,234 could be read as 1234: then it is refused.
        match read(&line) {
            Ok(Some(LineReading::Value { reading, .. })) => prop_assert_eq!(reading.scaled(), mg),
            Err(LineFault::Several) => prop_assert!(shape == 3 && mg.abs() >= 1000),
            other => prop_assert!(false, "{:?} is {:?}", line, other),
        }
    }
}
