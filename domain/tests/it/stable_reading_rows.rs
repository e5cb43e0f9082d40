//! The worked stream of the check table, through the rule for a settled reading.

use domain::mass_unit::MassUnit;
use domain::stable_reading::{Sample, ScaleStep, Signal, StableReader, StableRule};
use domain::units::{MassMg, ReadingMg};

use crate::rows;

/// The rule is this project's own; its row in the table was worked by hand.
#[test]
fn step_the_worked_stream_fires_once_where_the_table_says() {
    let rows = rows::read("weighing/weighing.csv");
    let row = rows.iter().find(|row| row.text("check_id") == "M29").unwrap();
    let (stream, settings) = row.text("input").split_once(';').unwrap();
    assert_eq!(settings.trim(), "n=5 d=1");
    let mut reader = StableReader::new(StableRule::new(MassMg::new(1.0).unwrap()));
    let mut fired = Vec::new();
    for (index, grams) in stream.split_whitespace().enumerate() {
        let sample = Sample {
            t_ms: 200 * index as u64,
            reading: ReadingMg::new(grams.parse().unwrap()).unwrap(),
            unit: MassUnit::Gram,
            step_mg: 1_000,
            stable: None,
            net: None,
        };
        for signal in reader.step(ScaleStep::Sample(sample)) {
            if let Signal::Stable(reading) = signal {
                fired.push(format!("stable at index {index}, median {}", reading.median.value()));
            }
        }
    }
    assert_eq!(fired, [row.text("expected")]);
}
