//! How values read: a mass always with its uncertainty and what it rests on, tables 80 columns wide for people and
//! plain rows for pipes.

use comfy_table::{ColumnConstraint, ContentArrangement, Table, Width, presets};
use domain::time::Timestamp;
use domain::wire::mass::{Calibration, ItemMass, MassBasis};

/// The width of every table.
const WIDTH: u16 = 80;

/// Grams and their uncertainty to the decimals that the uncertainty allows: "412.3 +- 0.7 g".
#[must_use]
pub fn with_uncertainty(value_g: f64, u_g: f64) -> String {
    let decimals = match u_g {
        u if u >= 9.5 => 0,
        u if u >= 0.095 => 1,
        u if u >= 0.0095 => 2,
        _ => 3,
    };
    format!("{value_g:.decimals$} +- {u_g:.decimals$} g")
}

/// Grams without more decimals than they have, at most three.
#[must_use]
pub fn grams(value_g: f64) -> String {
    let text = format!("{value_g:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    format!("{text} g")
}

/// `count` of a thing: "1 weighing", "3 weighings".
#[must_use]
pub fn count(count: impl Into<i64>, one: &str) -> String {
    let count = count.into();
    if count == 1 { format!("1 {one}") } else { format!("{count} {one}s") }
}

/// The mass of an item and what it rests on, apart: ("412.3 +- 0.7 g", "measured, 3 weighings").
#[must_use]
pub fn mass(mass: Option<&ItemMass>) -> (String, String) {
    let unknown = || ("not weighed".to_owned(), String::new());
    let Some(mass) = mass else { return unknown() };
    match (mass.mass_basis, mass.mass_g, mass.mass_u_g) {
        (MassBasis::Measured, Some(value), Some(u)) => {
            (with_uncertainty(value, u), format!("measured, {}", count(mass.mass_n, "weighing")))
        }
        (MassBasis::Label, Some(value), _) => (grams(value), "label only".to_owned()),
        _ => unknown(),
    }
}

/// The same from the columns of a list.
#[must_use]
pub fn mass_columns(basis: &str, mass_g: Option<f64>, u_g: Option<f64>, n: i64) -> (String, String) {
    match (basis, mass_g, u_g) {
        ("measured", Some(value), Some(u)) => {
            (with_uncertainty(value, u), format!("measured, {}", count(n, "weighing")))
        }
        ("label", Some(value), _) => (grams(value), "label only".to_owned()),
        _ => ("not weighed".to_owned(), String::new()),
    }
}

/// What a name is marked with: how many are left, and a state that is not serviceable: " (12 left, on watch)".
#[must_use]
pub fn state_marks(state: &str, stock: Option<i64>) -> String {
    let left = stock.map(|left| format!("{left} left"));
    let state = (state != "serviceable" && !state.is_empty()).then(|| state.replace('_', " "));
    let marks: Vec<String> = left.into_iter().chain(state).collect();
    if marks.is_empty() { String::new() } else { format!(" ({})", marks.join(", ")) }
}

/// What else is worth knowing of a mass, one sentence each.
#[must_use]
pub fn mass_remarks(mass: &ItemMass) -> Vec<String> {
    let mut remarks = Vec::new();
    match mass.mass_calibration {
        Some(Calibration::Checked) => {
            remarks.push("a check weight was read in each of its sittings".to_owned());
        }
        Some(Calibration::Assumed) => remarks.push(
            "at least one sitting had no check weight: an error of the scale of twice class III (OIML R 76) is \
             assumed"
                .to_owned(),
        ),
        None => {}
    }
    if let Some(birge) = mass.mass_birge {
        remarks
            .push(format!("the sittings scatter more than they should; +- is widened by {birge:.2} (Birge)"));
    }
    remarks
}

/// Words in lines of at most 80 columns, each line but the first indented.
#[must_use]
pub fn wrapped(indent: usize, words: &str) -> String {
    wrapped_lines(usize::from(WIDTH).saturating_sub(indent), words).join(&format!("\n{}", " ".repeat(indent)))
}

/// Words in lines of at most so many columns; a longer word has a line of its own.
#[must_use]
pub fn wrapped_lines(width: usize, words: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        let length = lines.last().map_or(0, |line| line.chars().count());
        match lines.last_mut() {
            Some(line) if length == 0 || length + 1 + word.chars().count() <= width => {
                if length > 0 {
                    line.push(' ');
                }
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// The day of an instant in UTC, in words: "3 March 2026".
#[must_use]
pub fn long_day(at: Timestamp) -> String {
    at.utc().format("%-d %B %Y").to_string()
}

/// An instant to the minute, in UTC: "2026-03-01 08:00".
#[must_use]
pub fn minute(at: Timestamp) -> String {
    at.utc().format("%Y-%m-%d %H:%M").to_string()
}

/// The day of an instant, in UTC.
#[must_use]
pub fn day(instant: &str) -> &str {
    instant.get(..10).unwrap_or(instant)
}

/// Text for one cell of a plain row: no tab and no line break.
#[must_use]
pub fn cell(text: &str) -> String {
    text.replace(['\t', '\n', '\r'], " ")
}

/// Rows as people read them: a header line, columns apart by blanks, 80 columns in all, long text wrapped.
#[must_use]
pub fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic).set_width(WIDTH);
    table.set_header(header.iter().map(|name| name.to_uppercase()));
    for row in rows {
        table.add_row(row);
    }
    for (at, column) in table.column_iter_mut().enumerate() {
        column.set_padding((0, 2));
        // Short columns keep their width; the first one, names, gives way.
        if at > 0 {
            let widest = rows.iter().filter_map(|row| row.get(at)).map(|text| text.chars().count()).max();
            let widest = widest.unwrap_or(0).max(header[at].chars().count());
            if widest <= 22 {
                column.set_constraint(ColumnConstraint::LowerBoundary(Width::Fixed(widest as u16 + 2)));
            }
        }
    }
    let mut text = String::new();
    for line in table.lines() {
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// Rows as programs read them: tab-separated, no header.
#[must_use]
pub fn plain(rows: &[Vec<String>]) -> String {
    let mut text = String::new();
    for row in rows {
        let cells: Vec<String> = row.iter().map(|text| cell(text)).collect();
        text.push_str(&cells.join("\t"));
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn with_uncertainty_decimals_follow_the_uncertainty() {
        assert_eq!(with_uncertainty(412.345, 0.66), "412.3 +- 0.7 g");
        assert_eq!(with_uncertainty(412.345, 0.08), "412.35 +- 0.08 g");
        assert_eq!(with_uncertainty(1412.3, 12.0), "1412 +- 12 g");
        assert_eq!(with_uncertainty(4.0, 0.0004), "4.000 +- 0.000 g");
    }

    #[test]
    fn mass_unknown_is_said_and_is_no_zero() {
        assert_eq!(mass(None).0, "not weighed");
        assert_eq!(mass_columns("none", None, None, 0).0, "not weighed");
        assert_eq!(mass_columns("label", Some(86.0), None, 0), ("86 g".to_owned(), "label only".to_owned()));
    }

    #[test]
    fn state_marks_say_what_is_not_as_usual() {
        assert_eq!(state_marks("serviceable", None), "");
        assert_eq!(state_marks("on_watch", Some(0)), " (0 left, on watch)");
    }

    #[test]
    fn wrapped_lines_stay_within_80_columns_and_keep_every_word() {
        let words = "word ".repeat(60);
        let text = wrapped(16, &words);
        assert!(
            text.lines().enumerate().all(|(at, line)| line.len() + if at == 0 { 16 } else { 0 } <= 80),
            "{text}"
        );
        assert_eq!(text.split_whitespace().count(), 60);
    }

    #[test]
    fn table_long_names_are_wrapped_within_80_columns() {
        let rows =
            vec![vec!["n".repeat(120), "12.0 +- 0.7 g".to_owned(), "measured, 3 weighings".to_owned()]];
        let text = table(&["name", "mass", "evidence"], &rows);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.contains("measured, 3 weighings") && text.contains("12.0 +- 0.7 g"), "{text}");
    }
}
