//! The table that a run ends with.

use std::fmt;

/// A bound that a number is held against.
#[derive(Debug, Clone, Copy)]
pub(super) enum Target {
    /// Not below.
    AtLeast(f64),
    /// Not above.
    AtMost(f64),
    /// Told only.
    None,
}

#[derive(Debug)]
struct Row {
    what: String,
    ours: String,
    theirs: String,
    value: f64,
    unit: &'static str,
    target: Target,
}

/// What was measured.
#[derive(Debug, Default)]
pub(super) struct Report {
    rows: Vec<Row>,
    notes: Vec<String>,
}

impl Report {
    /// Answers a second of the service and transactions a second of `pgbench`.
    pub(super) fn ratio(&mut self, what: String, ours: f64, theirs: f64, target: Target) {
        let (ours_text, theirs_text) = (format!("{ours:.0}/s"), format!("{theirs:.0}/s"));
        let value = ours / theirs;
        self.rows.push(Row { what, ours: ours_text, theirs: theirs_text, value, unit: "x", target });
    }

    /// One number.
    pub(super) fn number(&mut self, what: impl Into<String>, value: f64, unit: &'static str, target: Target) {
        let row = Row { what: what.into(), ours: String::new(), theirs: String::new(), value, unit, target };
        self.rows.push(row);
    }

    /// A line below the table.
    pub(super) fn note(&mut self, text: String) {
        self.notes.push(text);
    }
}

fn number(value: f64) -> String {
    if value >= 100.0 { format!("{value:.0}") } else { format!("{value:.2}") }
}

impl fmt::Display for Report {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(out, "{:<46} {:>9} {:>9} {:>12}  target", "", "service", "pgbench", "result")?;
        for row in &self.rows {
            let verdict = match row.target {
                Target::None => String::new(),
                Target::AtLeast(bound) => verdict(row.value >= bound, "at least", bound),
                Target::AtMost(bound) => verdict(row.value <= bound, "under", bound),
            };
            let result = format!("{} {}", number(row.value), row.unit);
            writeln!(out, "{:<46} {:>9} {:>9} {result:>12}  {verdict}", row.what, row.ours, row.theirs)?;
        }
        self.notes.iter().try_for_each(|note| writeln!(out, "{note}"))
    }
}

fn verdict(met: bool, word: &str, bound: f64) -> String {
    let bound = if bound >= 10.0 { format!("{bound:.0}") } else { format!("{bound:.2}") };
    format!("{word} {bound}{}", if met { "" } else { "  MISSED" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn report_target_that_is_missed_says_so() {
        let mut report = Report::default();
        report.ratio("a".into(), 30.0, 100.0, Target::AtLeast(0.35));
        report.ratio("b".into(), 40.0, 100.0, Target::AtLeast(0.35));
        report.number("c", 41.0, "MiB", Target::AtMost(40.0));
        let text = report.to_string();
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[1].ends_with("at least 0.35  MISSED"), "{text}");
        assert!(lines[2].ends_with("at least 0.35"), "{text}");
        assert!(lines[3].ends_with("under 40  MISSED"), "{text}");
    }
}
