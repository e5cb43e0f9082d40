//! Rows of the check files: a header, then one check a line, with its tolerance and its source.

use std::collections::HashMap;
use std::fs;

/// One line of a check file, by column name.
pub struct Row(HashMap<String, String>);

impl Row {
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    pub fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse().unwrap_or_else(|_| panic!("{text} in {column} is not a number"))
    }

    /// The stated tolerance; 0 for "exact".
    pub fn tolerance(&self) -> f64 {
        match self.text("tolerance") {
            "exact" => 0.0,
            text => numbers(text)[0].value,
        }
    }
}

/// The rows of `fixtures/<path>`; lines that begin with `#` are its sources.
pub fn read(path: &str) -> Vec<Row> {
    let path = format!("{}/../fixtures/{path}", env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    let mut reader =
        csv::ReaderBuilder::new().comment(Some(b'#')).flexible(true).from_reader(text.as_bytes());
    let names: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    // The source comes last and may hold commas.
    let last = names.len() - 1;
    let rows: Vec<Row> = reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            assert!(record.len() > last, "{path}: a short line {record:?}");
            let mut fields: Vec<String> = record.iter().take(last).map(str::to_owned).collect();
            fields.push(record.iter().skip(last).collect::<Vec<_>>().join(","));
            Row(names.iter().cloned().zip(fields).collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{path} has no rows");
    rows
}

/// A number as printed, with half a unit of its last place: no check can be finer than what was printed.
#[derive(Debug, Clone, Copy)]
pub struct Printed {
    pub value: f64,
    half_place: f64,
}

/// Every number in a text, except digits that are part of a word ("H150").
pub fn numbers(text: &str) -> Vec<Printed> {
    let bytes = text.as_bytes();
    let digit = |i: usize| bytes.get(i).is_some_and(u8::is_ascii_digit);
    let mut found = Vec::new();
    let mut i = 0;
    while i < bytes.len() {
        let after_word = i > 0 && (bytes[i - 1].is_ascii_alphanumeric() || bytes[i - 1] == b'_');
        let start = i;
        if matches!(bytes[i], b'+' | b'-') {
            i += 1;
        }
        if after_word || !(digit(i) || (bytes.get(i) == Some(&b'.') && digit(i + 1))) {
            i = start + 1;
            continue;
        }
        while digit(i) {
            i += 1;
        }
        let mut decimals = 0;
        if bytes.get(i) == Some(&b'.') && digit(i + 1) {
            i += 1;
            while digit(i) {
                i += 1;
                decimals += 1;
            }
        }
        let mut exponent = 0;
        if matches!(bytes.get(i), Some(b'e' | b'E')) {
            let mut end = i + 1;
            if matches!(bytes.get(end), Some(b'+' | b'-')) {
                end += 1;
            }
            if digit(end) {
                while digit(end) {
                    end += 1;
                }
                exponent = text[i + 1..end].parse().unwrap();
                i = end;
            }
        }
        let value = text[start..i].parse().unwrap();
        found.push(Printed { value, half_place: 0.5 * 10f64.powi(exponent - decimals) });
    }
    found
}

/// The number right after a label such as `uc=`.
pub fn after(text: &str, label: &str) -> Printed {
    let position = text
        .match_indices(label)
        .map(|(position, _)| position)
        .find(|position| {
            *position == 0
                || !label.starts_with(char::is_alphanumeric)
                || !text.as_bytes()[position - 1].is_ascii_alphanumeric()
        })
        .unwrap_or_else(|| panic!("no {label} in {text}"));
    numbers(&text[position + label.len()..])[0]
}

/// Asserts that `got` is the printed number within the tolerance or half its last place, whichever is wider.
#[track_caller]
pub fn assert_printed(check: &str, got: f64, expected: Printed, tolerance: f64) {
    let allowed = tolerance.max(expected.half_place * 1.000_001);
    assert!(
        (got - expected.value).abs() <= allowed,
        "{check}: got {got}, expected {} +- {allowed}",
        expected.value
    );
}

/// As [`assert_printed`] for a list that must have the same length.
#[track_caller]
pub fn assert_all_printed(check: &str, got: &[f64], expected: &[Printed], tolerance: f64) {
    assert_eq!(got.len(), expected.len(), "{check}: number of values");
    for (got, expected) in got.iter().zip(expected) {
        assert_printed(check, *got, *expected, tolerance);
    }
}

/// Asserts that `got` is `expected` within a plain tolerance.
#[track_caller]
pub fn assert_close(check: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{check}: got {got}, expected {expected} +- {tolerance}");
}

#[test]
fn numbers_signs_points_and_words_told_apart() {
    let found = numbers("H150=+0.25 .5 (6)=-1e-3 u.65; 3 .. 4");
    let values: Vec<f64> = found.iter().map(|n| n.value).collect();
    assert_eq!(values, [0.25, 0.5, 6.0, -0.001, 65.0, 3.0, 4.0]);
    assert_eq!(found[0].half_place, 0.005);
}
