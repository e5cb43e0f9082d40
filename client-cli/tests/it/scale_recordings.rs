//! Every recording in `fixtures/scale`, through the input and the rule for a settled reading.

use std::path::PathBuf;

use client_cli::scale::recording::{Pace, Recording};
use client_cli::scale::{ScaleEvent, ScaleInput, ScaleStream};
use domain::mass_unit::MassUnit;
use domain::stable_reading::{Signal, StableReader, StableRule, Tare};
use domain::units::MassMg;

fn path(name: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "..", "fixtures", "scale", name].iter().collect()
}

struct Replay {
    signals: Vec<Signal>,
    garbage: Vec<(u64, String)>,
}

impl Replay {
    fn of(name: &str, d_mg: i64) -> Self {
        let mut input = Recording::open(&path(name), Pace::Unpaced).unwrap();
        let mut reader = StableReader::new(StableRule::new(MassMg::from_scaled(d_mg).unwrap()));
        let mut replay = Self { signals: Vec::new(), garbage: Vec::new() };
        loop {
            let event = input.next_event().unwrap();
            if let Some(step) = event.step() {
                replay.signals.extend(reader.step(step));
            }
            match event {
                ScaleEvent::Garbage { line, why, .. } => replay.garbage.push((line, why)),
                ScaleEvent::Ended { .. } => return replay,
                _ => {}
            }
        }
    }

    /// The settled loads, in mg.
    fn taken(&self) -> Vec<i64> {
        let stable = |s: &Signal| if let Signal::Stable(r) = s { Some(r.median.scaled()) } else { None };
        self.signals.iter().filter_map(stable).collect()
    }
}

#[test]
fn replay_ten_items_gives_the_check_weight_and_the_ten_in_order() {
    let replay = Replay::of("ten_items.rec", 1_000);
    let grams = [200, 412, 86, 318, 57, 8, 236, 142, 23, 31, 896];
    assert_eq!(replay.taken(), grams.map(|g| g * 1_000));
    assert!(replay.garbage.is_empty());
    for signal in &replay.signals {
        assert!(matches!(signal, Signal::Stable(_) | Signal::Ready { jumped: false }), "{signal:?}");
        if let Signal::Stable(reading) = signal {
            assert!(reading.flagged_stable && reading.n >= 5 && reading.spread.scaled() <= 1_000);
            assert_eq!((reading.unit, reading.tare), (MassUnit::Gram, Tare::NotSeen));
        }
    }
}

#[test]
fn replay_scales_of_other_shapes_gives_what_was_on_them() {
    assert_eq!(Replay::of("bare_numbers.rec", 1_000).taken(), [248_000, 57_000]);
    assert_eq!(Replay::of("question_mark.rec", 1_000).taken(), [123_000, 330_000]);
    assert_eq!(Replay::of("letter_pairs.rec", 1_000).taken(), [150_000]);
    // 0.908 lb at 0.453 592 37 kg a pound is 411.861 872 g, by hand.
    assert_eq!(Replay::of("stx_pounds.rec", 1_000).taken(), [411_862]);
}

#[test]
fn replay_a_tare_and_a_reading_below_zero_are_told() {
    let replay = Replay::of("tare_and_below_zero.rec", 1_000);
    assert_eq!(replay.taken(), [150_000, 262_000, 57_000]);
    let net = replay.signals.iter().find_map(|s| match s {
        Signal::Stable(reading) if reading.median.scaled() == 262_000 => Some(reading.tare),
        _ => None,
    });
    assert_eq!(net, Some(Tare::Shown));
    let below =
        |s: &&Signal| matches!(s, Signal::BelowZero { reading, .. } if reading.median.scaled() == -150_000);
    assert_eq!(replay.signals.iter().filter(below).count(), 1);
}

#[test]
fn replay_overload_and_underload_are_told_once_each() {
    let replay = Replay::of("overload.rec", 1_000);
    assert_eq!(replay.taken(), [2_411_000]);
    assert_eq!(replay.signals.iter().filter(|s| **s == Signal::Overload).count(), 1);
    assert_eq!(replay.signals.iter().filter(|s| **s == Signal::Underload).count(), 1);
}

#[test]
fn replay_the_unit_key_does_not_make_one_load_two() {
    let replay = Replay::of("unit_key.rec", 1_000);
    assert_eq!(replay.taken(), [412_000]);
    let changes = replay.signals.iter().filter(|s| matches!(s, Signal::UnitChanged { .. })).count();
    assert_eq!(changes, 2);
    assert_eq!(replay.garbage.len(), 4);
    assert!(replay.garbage.iter().all(|(_, why)| why.contains("'ml' is not a unit of mass")));
    assert!(!replay.signals.iter().any(|s| matches!(s, Signal::Changed(_))));
}

#[test]
fn replay_a_worn_cable_says_every_bad_line_and_still_reads() {
    let replay = Replay::of("worn_cable.rec", 1_000);
    assert_eq!(replay.taken(), [412_000]);
    let lines: Vec<u64> = replay.garbage.iter().map(|(line, _)| *line).collect();
    assert_eq!(lines, [4, 5, 14, 16, 18, 21, 24, 25, 26]);
    assert!(replay.garbage[0].1.contains("speed and parity"), "{:?}", replay.garbage);
}

#[test]
fn replay_a_reading_that_never_settles_is_said_and_never_taken() {
    let replay = Replay::of("never_settles.rec", 1_000);
    assert!(replay.taken().is_empty());
    let [Signal::Ready { .. }, Signal::Unsettled { for_ms, .. }] = replay.signals[..] else {
        panic!("{:?}", replay.signals)
    };
    assert!(for_ms >= 15_000);
}

#[test]
fn replay_scales_on_usb_give_what_was_on_them() {
    let grams = Replay::of("usb_grams.rec", 1_000);
    assert_eq!(grams.taken(), [57_000, 412_000]);
    assert!(grams.garbage.is_empty(), "{:?}", grams.garbage);
    // 14.5 oz at 28.349 523 125 g an ounce is 411.068 085 g, by hand.
    let ounces = Replay::of("usb_ounces.rec", 1_000);
    assert_eq!(ounces.taken(), [411_068]);
    assert_eq!(ounces.signals.iter().filter(|s| **s == Signal::Overload).count(), 1);
    assert!(ounces.signals.iter().any(|s| matches!(s, Signal::BelowZero { .. })));
    let words: Vec<&str> = ounces.garbage.iter().map(|(_, why)| why.as_str()).collect();
    let expected = ["2 bytes", "reports a fault", "no unit of mass", "hexadecimal"];
    assert_eq!(words.len(), expected.len());
    assert!(words.iter().zip(expected).all(|(word, part)| word.contains(part)), "{words:?}");
}

#[test]
fn start_a_paced_replay_in_its_thread_keeps_the_times_and_can_be_dropped() {
    let input = Recording::open(&path("ten_items.rec"), Pace::Recorded { speed: 20.0 }).unwrap();
    let started = std::time::Instant::now();
    let mut stream = ScaleStream::start(Box::new(input)).unwrap();
    let mut last_ms = 0;
    while last_ms < 4_000 {
        if let Some(ScaleEvent::Sample { sample, .. }) = stream.next_event(std::time::Duration::from_secs(5))
        {
            assert!(sample.t_ms >= last_ms);
            last_ms = sample.t_ms;
        }
    }
    assert!(started.elapsed().as_millis() >= 200, "{:?}", started.elapsed());
}
