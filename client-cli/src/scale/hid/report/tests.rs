use super::super::descriptor::tests::SCALE;
use super::*;
use proptest::prelude::*;

fn read(bytes: &[u8]) -> Result<Option<LineReading>, ReportFault> {
    decode(&Layout::parse(&SCALE).unwrap(), bytes, MassUnit::Gram)
}

fn value(bytes: &[u8]) -> (i64, MassUnit, Option<bool>) {
    match read(bytes) {
        Ok(Some(LineReading::Value { reading, unit, stable, .. })) => (reading.scaled(), unit, stable),
        other => panic!("{other:?}"),
    }
}

/// By hand from the field order of the descriptor: number 3, status, unit, power of ten, weight with the low byte
/// first. Unit 2 is the gram, 11 the ounce, 3 the kilogram; status 4 is stable, 3 in motion.
#[test]
fn decode_reports_worked_by_hand_are_read() {
    assert_eq!(value(&[3, 4, 2, 0, 0x9c, 0x01]), (412_000, MassUnit::Gram, Some(true)));
    assert_eq!(value(&[3, 3, 2, 0, 0x9c, 0x01]), (412_000, MassUnit::Gram, Some(false)));
    // 645.2 oz: 6452 tenths. At 28.349 523 125 g an ounce: 18 291.112 32 g.
    assert_eq!(value(&[3, 4, 11, 0xff, 0x34, 0x19]), (18_291_112, MassUnit::Ounce, Some(true)));
    assert_eq!(value(&[3, 4, 3, 0xfd, 0x9c, 0x01]), (412_000, MassUnit::Kilogram, Some(true)));
    assert_eq!(value(&[3, 4, 2, 1, 41, 0]), (410_000, MassUnit::Gram, Some(true)));
    assert_eq!(value(&[3, 2, 2, 0, 0, 0]), (0, MassUnit::Gram, Some(true)));
    assert_eq!(value(&[3, 5, 2, 0, 150, 0]), (-150_000, MassUnit::Gram, None));
    assert_eq!(value(&[3, 2, 0, 0, 0, 0]).0, 0);
    assert_eq!(value(&[3, 0, 2, 0, 57, 0]), (57_000, MassUnit::Gram, None));
    assert_eq!(value(&[3, 4, 2, 0, 57, 0, 0, 0]).0, 57_000);
}

#[test]
fn decode_step_is_that_of_the_power_of_ten() {
    let step = |bytes: &[u8]| match read(bytes) {
        Ok(Some(LineReading::Value { step_mg, .. })) => step_mg,
        other => panic!("{other:?}"),
    };
    assert_eq!(step(&[3, 4, 2, 0, 0, 0]), 1_000);
    assert_eq!(step(&[3, 4, 11, 0xff, 0, 0]), 2_835);
    assert_eq!(step(&[3, 4, 2, 1, 0, 0]), 10_000);
}

#[test]
fn decode_what_is_no_reading_is_said() {
    assert_eq!(read(&[3, 6, 2, 0, 0, 0]), Ok(Some(LineReading::Overload)));
    assert_eq!(read(&[3, 1, 2, 0, 0, 0]), Err(ReportFault::Fault));
    assert_eq!(read(&[3, 7, 2, 0, 0, 0]), Err(ReportFault::RequiresCalibration));
    assert_eq!(read(&[3, 8, 2, 0, 0, 0]), Err(ReportFault::RequiresRezeroing));
    assert_eq!(read(&[3, 4, 5, 0, 1, 0]), Err(ReportFault::NoUnit));
    assert_eq!(read(&[3, 4, 0, 0, 1, 0]), Err(ReportFault::NoUnit));
    assert_eq!(read(&[3, 4, 13, 0, 1, 0]), Err(ReportFault::NoUnit));
    assert_eq!(read(&[3, 4, 2, 127, 1, 0]), Err(ReportFault::OutOfRange));
    assert_eq!(read(&[3, 4, 2, 0, 1]), Err(ReportFault::Short { needed: 5, got: 4 }));
    assert_eq!(read(&[3]), Err(ReportFault::Short { needed: 5, got: 0 }));
    // The limit's report, an unknown one, and nothing.
    assert_eq!(read(&[5, 0, 0, 0]), Ok(None));
    assert_eq!(read(&[9, 4, 2, 0, 1, 0]), Ok(None));
    assert_eq!(read(&[]), Ok(None));
}

#[test]
fn decode_flags_in_place_of_numbers_are_read() {
    // Bits: in motion, stable; gram, ounce; four of padding; a signed 16-bit weight; no power of ten, no number.
    let descriptor = [
        0x05, 0x8d, 0x15, 0x00, 0x25, 0x01, 0x75, 0x01, 0x95, 0x02, 0x09, 0x73, 0x09, 0x74, 0x81, 0x02, 0x09,
        0x52, 0x09, 0x5b, 0x81, 0x02, 0x95, 0x04, 0x81, 0x03, 0x16, 0x00, 0x80, 0x26, 0xff, 0x7f, 0x75, 0x10,
        0x95, 0x01, 0x09, 0x40, 0x81, 0x02,
    ];
    let layout = Layout::parse(&descriptor).unwrap();
    let value = |bytes: &[u8]| match decode(&layout, bytes, MassUnit::Kilogram) {
        Ok(Some(LineReading::Value { reading, unit, stable, .. })) => (reading.scaled(), unit, stable),
        other => panic!("{other:?}"),
    };
    assert_eq!(value(&[0b0110, 0x9c, 0x01]), (412_000, MassUnit::Gram, Some(true)));
    assert_eq!(value(&[0b0101, 0xff, 0xff]), (-1_000, MassUnit::Gram, Some(false)));
    assert_eq!(value(&[0b1010, 2, 0]), (56_699, MassUnit::Ounce, Some(true)));
    assert_eq!(value(&[0b0000, 0, 0]), (0, MassUnit::Kilogram, None));
    assert_eq!(decode(&layout, &[0, 1, 0], MassUnit::Gram), Err(ReportFault::NoUnit));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]

    #[test]
    fn decode_any_report_never_panics_and_never_leaves_the_range(mut bytes in prop::collection::vec(any::<u8>(), 0..9)) {
        if let Some(first) = bytes.first_mut() {
            *first = 3;
        }
        if let Ok(Some(LineReading::Value { reading, step_mg, .. })) = read(&bytes) {
            prop_assert!(reading.scaled().abs() <= ReadingMg::MAX && step_mg >= 1);
        }
    }

    #[test]
    fn decode_any_grams_come_back(grams in 0_u16.., decimals in 0_u8..4) {
        let [low, high] = grams.to_le_bytes();
        let scaled = i64::from(grams) * 1000 / 10_i64.pow(u32::from(decimals));
        prop_assert_eq!(value(&[3, 4, 2, decimals.wrapping_neg(), low, high]).0, scaled);
    }
}
