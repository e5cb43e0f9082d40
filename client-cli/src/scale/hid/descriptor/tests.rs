use super::*;
use hidreport::{Field, Report, ReportDescriptor};
use proptest::prelude::*;

/// An invented scale: report 3 with status, unit, power of ten and a 16-bit number, one after the other; then its
/// limit in report 5, which is no reading.
pub const SCALE: [u8; 96] = [
    0x05, 0x8d, 0x09, 0x20, 0xa1, 0x01, // page: scales; usage: scale device; application collection
    0x09, 0x32, 0xa1, 0x02, 0x85, 0x03, // scale data report; logical collection; report number 3
    0x75, 0x08, 0x95, 0x01, 0x15, 0x01, // 8 bits, one field, from 1
    0x09, 0x70, 0xa1, 0x02, 0x25, 0x08, 0x19, 0x71, 0x29, 0x78, 0x81, 0x00, 0xc0, // status: array of 8
    0x09, 0x50, 0xa1, 0x02, 0x25, 0x0c, 0x19, 0x51, 0x29, 0x5c, 0x81, 0x00, 0xc0, // unit: array of 12
    0x15, 0x81, 0x25, 0x7f, 0x09, 0x41, 0x81, 0x02, // power of ten: -127 to 127
    0x15, 0x00, 0x27, 0xff, 0xff, 0x00, 0x00, 0x75, 0x10, 0x09, 0x40, 0x81, 0x02,
    0xc0, // weight: 0 to 65535
    0x09, 0x34, 0xa1, 0x02, 0x85, 0x05, // weight limit report, number 5
    0x09, 0x40, 0x81, 0x02, 0x75, 0x08, 0x15, 0x81, 0x25, 0x7f, 0x09, 0x41, 0x81, 0x02,
    0xc0, // its weight
    0x09, 0x34, 0xa1, 0x02, 0x81, 0x03, 0xc0, 0xc0, 0x00, // padding; end
];

#[test]
fn parse_an_invented_scale_gives_its_fields() {
    let layout = Layout::parse(&SCALE).unwrap();
    assert_eq!(layout.reports.len(), 1);
    let report = &layout.reports[0];
    assert_eq!((report.id, report.bits), (Some(3), 40));
    assert_eq!(report.scaling, Some(Bits { at: 16, size: 8, signed: true }));
    assert_eq!(report.weight, Some(Bits { at: 24, size: 16, signed: false }));
    let Some(Choice::Number { bits, first: 1, usages }) = &report.status else {
        panic!("{:?}", report.status)
    };
    assert_eq!((bits.at, usages[..].iter().copied().eq(0x71..=0x78)), (0, true));
    let Some(Choice::Number { bits, first: 1, usages }) = &report.unit else { panic!("{:?}", report.unit) };
    assert_eq!((bits.at, usages[..].iter().copied().eq(0x51..=0x5c)), (8, true));
}

#[test]
fn parse_what_is_no_scale_or_no_descriptor_is_refused() {
    assert_eq!(Layout::parse(&[]), Err(DescriptorFault::NoWeight));
    // A mouse's button: page 9.
    let button =
        [0x05, 0x09, 0x19, 0x01, 0x29, 0x03, 0x15, 0x00, 0x25, 0x01, 0x75, 0x01, 0x95, 0x03, 0x81, 0x02];
    assert_eq!(Layout::parse(&button), Err(DescriptorFault::NoWeight));
    assert_eq!(Layout::parse(&SCALE[..SCALE.len() - 22]).map(|layout| layout.reports.len()), Ok(1));
    assert_eq!(Layout::parse(&SCALE[..1]), Err(DescriptorFault::Cut { at: 0 }));
    assert_eq!(Layout::parse(&[0; MAX_DESCRIPTOR + 1]), Err(DescriptorFault::TooLong));
    // Four thousand million fields of 32 bits.
    let greedy = [0x05, 0x8d, 0x09, 0x40, 0x75, 0x20, 0x97, 0xff, 0xff, 0xff, 0xff, 0x81, 0x02];
    assert_eq!(Layout::parse(&greedy), Err(DescriptorFault::TooMuch { at: 11 }));
    assert_eq!(Layout::parse(&[0xa4; 300]), Err(DescriptorFault::TooMuch { at: 256 }));
    assert_eq!(Layout::parse(&[0xa1, 0x01].repeat(300)), Err(DescriptorFault::TooMuch { at: 512 }));
}

#[test]
fn parse_a_page_given_with_the_usage_and_globals_pushed_and_popped_are_followed() {
    // Page 1; usage 0x8d0040 in four bytes; 16 bits; pushed, changed and popped.
    let descriptor = [
        0x05, 0x01, 0x75, 0x10, 0x95, 0x01, 0xa4, 0x75, 0x08, 0xb4, 0x0b, 0x40, 0x00, 0x8d, 0x00, 0x81, 0x02,
    ];
    let layout = Layout::parse(&descriptor).unwrap();
    assert_eq!(layout.reports[0].weight, Some(Bits { at: 0, size: 16, signed: false }));
    assert_eq!(layout.reports[0].id, None);
}

/// A field of a made-up scale.
#[derive(Debug, Clone)]
enum Piece {
    Padding { bits: u8 },
    Other { bits: u8 },
    Scaling,
    Weight { bits: u8, signed: bool },
    Status { bits: u8, first: u8 },
    Unit { bits: u8 },
}

fn descriptor(id: Option<u8>, pieces: &[Piece]) -> Vec<u8> {
    let mut bytes = vec![0x05, 0x8d, 0x09, 0x20, 0xa1, 0x01];
    if let Some(id) = id {
        bytes.extend([0x85, id]);
    }
    for piece in pieces {
        match *piece {
            Piece::Padding { bits } => bytes.extend([0x75, bits, 0x95, 0x01, 0x81, 0x03]),
            Piece::Other { bits } => {
                bytes.extend([0x15, 0x00, 0x25, 0x01, 0x75, bits, 0x95, 0x01, 0x09, 0x60, 0x81, 0x02]);
            }
            Piece::Scaling => {
                bytes.extend([0x15, 0x81, 0x25, 0x7f, 0x75, 8, 0x95, 1, 0x09, 0x41, 0x81, 0x02])
            }
            Piece::Weight { bits, signed } => {
                let low = if signed { 0x81 } else { 0x00 };
                bytes.extend([0x15, low, 0x26, 0xff, 0x7f, 0x75, bits, 0x95, 0x01, 0x09, 0x40, 0x81, 0x02]);
            }
            Piece::Status { bits, first } => {
                let last = first + 7;
                bytes.extend([
                    0x15, first, 0x25, last, 0x75, bits, 0x95, 1, 0x19, 0x71, 0x29, 0x78, 0x81, 0x00,
                ]);
            }
            Piece::Unit { bits } => {
                bytes.extend([0x15, 1, 0x25, 12, 0x75, bits, 0x95, 1, 0x19, 0x51, 0x29, 0x5c, 0x81, 0x00]);
            }
        }
    }
    bytes.push(0xc0);
    bytes
}

fn any_pieces() -> impl Strategy<Value = Vec<Piece>> {
    let piece = prop_oneof![
        (1_u8..20).prop_map(|bits| Piece::Padding { bits }),
        (1_u8..17).prop_map(|bits| Piece::Other { bits }),
        Just(Piece::Scaling),
        (4_u8..13).prop_map(|bits| Piece::Unit { bits }),
        (4_u8..13, 0_u8..3).prop_map(|(bits, first)| Piece::Status { bits, first }),
    ];
    let weight = (10_u8..=32, any::<bool>()).prop_map(|(bits, signed)| Piece::Weight { bits, signed });
    (prop::collection::vec(piece, 0..8), weight, any::<prop::sample::Index>()).prop_map(
        |(mut pieces, weight, at)| {
            pieces.insert(at.index(pieces.len() + 1), weight);
            pieces
        },
    )
}

/// The value of bits counted one by one: slow and plain.
fn plain(data: &[u8], bits: Bits) -> i64 {
    let bit = |at: usize| i64::from(data[at / 8] >> (at % 8) & 1);
    let value: i64 = (0..bits.size as usize).map(|i| bit(bits.at + i) << i).sum();
    let sign = bits.signed && bit(bits.at + bits.size as usize - 1) == 1;
    if sign { value - (1 << bits.size) } else { value }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    /// Against `hidreport`, a general-purpose library for report descriptors, on descriptors that it can read: every
    /// field of the scale lies where it finds it and holds the value that it extracts.
    #[test]
    fn parse_any_sound_descriptor_agrees_with_a_reference_library(
        pieces in any_pieces(), id in prop::option::of(1_u8..=255), data in prop::collection::vec(any::<u8>(), 64)
    ) {
        let bytes = descriptor(id, &pieces);
        let layout = Layout::parse(&bytes).unwrap();
        let mut report = data;
        if let Some(id) = id {
            report[0] = id;
        }
        let (ours, rest) = layout.find(&report).unwrap();
        let reference = ReportDescriptor::try_from(bytes.as_slice()).unwrap();
        let theirs = reference.find_input_report(&report).unwrap();
        let number = usize::from(id.is_some());
        prop_assert_eq!(theirs.size_in_bits(), ours.bits + 8 * number);
        // As in ours, the first of several alike counts.
        let (mut weight, mut scaling, mut status, mut unit) = (None, None, None, None);
        for field in theirs.fields() {
            match field {
                Field::Variable(field) => {
                    let value = field.extract(&report).unwrap();
                    let value = if value.is_signed() { i64::from(i32::from(value)) } else { i64::from(u32::from(value)) };
                    let seen = (field.bits.start - 8 * number, value);
                    match u16::from(field.usage.usage_id) {
                        DATA_WEIGHT => { weight.get_or_insert(seen); }
                        DATA_SCALING => { scaling.get_or_insert(seen); }
                        _ => {}
                    }
                }
                Field::Array(field) => {
                    let value = i64::from(u32::from(field.extract_one(&report, 0).unwrap()));
                    let seen = (field.bits.start - 8 * number, value);
                    match u16::from(field.usages()[0].usage_id) {
                        FIRST_STATUS => { status.get_or_insert(seen); }
                        FIRST_UNIT => { unit.get_or_insert(seen); }
                        _ => {}
                    }
                }
                Field::Constant(_) => {}
            }
        }
        let seen = |bits: Bits| (bits.at, plain(rest, bits));
        let of_choice = |choice: &Option<Choice>| match choice {
            Some(Choice::Number { bits, .. }) => Some(seen(*bits)),
            _ => None,
        };
        prop_assert_eq!(ours.weight.map(seen), weight);
        prop_assert_eq!(ours.scaling.map(seen), scaling);
        prop_assert_eq!(of_choice(&ours.status), status);
        prop_assert_eq!(of_choice(&ours.unit), unit);
        prop_assert_eq!(super::super::report::extract(rest, ours.weight.unwrap()), ours.weight.map(|b| plain(rest, b)));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]

    #[test]
    fn parse_any_bytes_never_panics_and_stays_bounded(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(layout) = Layout::parse(&bytes) {
            prop_assert!(layout.reports.iter().all(|report| report.bits <= MAX_BITS));
        }
    }

    #[test]
    fn parse_a_scale_with_any_bytes_changed_never_panics(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..5)
    ) {
        let mut bytes = SCALE;
        for (at, byte) in changes {
            bytes[at.index(SCALE.len())] = byte;
        }
        let _ = Layout::parse(&bytes);
    }
}
