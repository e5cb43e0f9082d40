//! Inputs that no scale would send, to every decoder: none may panic, and none may give more than it was given.
//!
//! The inputs are random bytes, and sound inputs with random damage. `cargo run --release --example fuzz_decoders N`
//! runs this file with N inputs.

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use client_cli::scale::csv_file::{ColumnMapping, read_csv};
use client_cli::scale::hid::descriptor::Layout;
use client_cli::scale::hid::report::decode;
use client_cli::scale::line::{LineReading, LineRules, parse_line};
use client_cli::scale::recording::{Pace, Recording};
use client_cli::scale::serial::{Stamp, from_reader};
use client_cli::scale::{MAX_RAW, ScaleEvent, ScaleInput};
use domain::mass_unit::MassUnit;
use domain::stable_reading::{StableReader, StableRule};
use domain::units::MassMg;
use domain::weighing_text::parse_mass;

const USB: &str = include_str!("../../../fixtures/scale/usb_ounces.rec");

const SEEDS: [&str; 12] = [
    "ST,GS,+   412 g\r\nUS,NT,-  0.5oz\r\nOL,+999999 g\r\n",
    "\x02S- 0.908 lb\x03\x02U  0.905 lb\x03",
    "1 lb 2.3 oz\n412,5 g ?\nS S     100.00 g\n01ST,GS, 0.412,kg\n",
    "# comment\n!unit g\n!no-unit-is-unstable\n0\t412\n125\t\\x02412 g\\x03\n125\t\\\\\n",
    include_str!("../../../fixtures/scale/worn_cable.rec"),
    include_str!("../../../fixtures/scale/unit_key.rec"),
    include_str!("../../../fixtures/scale/tare_and_below_zero.rec"),
    USB,
    "item,reading,unit,units\nshell,412,g,1\n\"a \"\"b\"\"\",\"1,5\",oz,10\n",
    "item;reading\nshell;412,5 g\n",
    "0.412 kg",
    "1 lb 15.9 oz",
];

/// Marsaglia's xorshift: the same inputs in every run.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    fn bytes(&mut self, most: usize) -> Vec<u8> {
        (0..self.below(most)).map(|_| self.next() as u8).collect()
    }

    /// A sound input, damaged in up to eight places.
    fn damaged(&mut self, seed: &[u8]) -> Vec<u8> {
        const TELLING: &[u8] = b"+-.,;:\t\r\n\"\\x0123459gkoz?#!\x02\x03\xff\x00";
        let mut bytes = seed.to_vec();
        for _ in 0..self.below(9) {
            let at = self.below(bytes.len() + 1);
            let byte =
                if self.below(2) == 0 { TELLING[self.below(TELLING.len())] } else { self.next() as u8 };
            match self.below(5) {
                0 if at < bytes.len() => bytes[at] = byte,
                1 if at < bytes.len() => drop(bytes.remove(at)),
                2 => bytes.insert(at, byte),
                3 => bytes.truncate(at),
                _ => {
                    let part = bytes[at..(at + self.below(40)).min(bytes.len())].to_vec();
                    let to = self.below(bytes.len() + 1);
                    bytes.splice(to..to, part);
                }
            }
        }
        bytes.truncate(4096);
        bytes
    }

    fn input(&mut self) -> Vec<u8> {
        if self.below(4) == 0 {
            self.bytes(400)
        } else {
            let at = self.below(SEEDS.len());
            self.damaged(SEEDS[at].as_bytes())
        }
    }
}

/// Every event of an input, through the rule for a settled reading; answers their number.
fn drain(input: &mut dyn ScaleInput, most: usize) -> usize {
    let mut reader = StableReader::new(StableRule::new(MassMg::from_scaled(1_000).unwrap()));
    for count in 0..=most {
        let Some(event) = input.next_event() else { continue };
        if let Some(step) = event.step() {
            let _ = reader.step(step);
        }
        match &event {
            ScaleEvent::Ended { .. } => return count,
            ScaleEvent::Garbage { raw, why, .. } => assert!(raw.len() <= 2 * MAX_RAW && !why.is_empty()),
            ScaleEvent::Sample { raw, .. } => assert!(raw.len() <= 2 * MAX_RAW),
            _ => {}
        }
    }
    panic!("more than {most} events")
}

fn check(bytes: &[u8], report: &[u8], usb: &[u8], mapping: &ColumnMapping) {
    let most = bytes.len() + 2;
    if let Ok(Some(LineReading::Value { step_mg, .. })) = parse_line(bytes, &LineRules::default()) {
        assert!(step_mg >= 1);
    }
    let owned = bytes.to_vec();
    drain(
        &mut from_reader("fuzz", Cursor::new(owned.clone()), LineRules::default(), Stamp::Every(150)),
        most,
    );
    drain(&mut Recording::new("fuzz".into(), Box::new(Cursor::new(owned)), Pace::Unpaced), most);
    for descriptor in [bytes, usb] {
        if let Ok(layout) = Layout::parse(descriptor) {
            let _ = decode(&layout, report, MassUnit::Gram);
            let _ = decode(&layout, bytes, MassUnit::Gram);
        }
    }
    let _ = read_csv(bytes, mapping, MassUnit::Gram);
    if let Err(error) = parse_mass(&String::from_utf8_lossy(bytes), MassUnit::Gram) {
        assert!(error.at <= String::from_utf8_lossy(bytes).len());
    }
}

/// Gives `count` inputs to every decoder and panics with the input that one of them panics on.
pub fn run(count: u64) {
    let mut random = Random(0x9e37_79b9_7f4a_7c15);
    let digits = USB.lines().find_map(|line| line.strip_prefix("!descriptor ")).unwrap();
    let sound: Vec<u8> =
        digits.split_ascii_whitespace().map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect();
    let mut mapping = ColumnMapping::default();
    for column in ["item=#1", "reading=#2", "unit=#3", "units=#4"] {
        mapping.add(column).unwrap();
    }
    for number in 0..count {
        let input = random.input();
        let mut report = random.bytes(9);
        report.insert(0, 3);
        let usb = random.damaged(&sound);
        let outcome = catch_unwind(AssertUnwindSafe(|| check(&input, &report, &usb, &mapping)));
        assert!(outcome.is_ok(), "input {number}: {input:?}, report {report:?}, descriptor {usb:?}");
    }
}

#[test]
fn run_twenty_thousand_inputs_no_decoder_panics() {
    run(20_000);
}
