//! Axes: round numbers, days, and where they lie.

use chrono::{Datelike, NaiveDate};

use super::svg::{Anchor, Svg};
use crate::rules::words::number;

/// Round numbers from `low` to `high`, about `wanted` of them.
pub(super) fn round_ticks(low: f64, high: f64, wanted: f64) -> Vec<f64> {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 {
        return Vec::new();
    }
    let rough = span / wanted;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|m| m * power).find(|step| *step >= rough * 0.999);
    let step = step.unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|k| k as f64 * step).collect()
}

/// First days of months from `from` to `to`, at most `most` of them.
fn month_ticks(from: NaiveDate, to: NaiveDate, most: usize) -> Vec<NaiveDate> {
    for step in [1u32, 2, 3, 6, 12, 24, 60, 120] {
        let mut ticks = Vec::new();
        let months = |day: NaiveDate| day.year() * 12 + day.month0() as i32;
        for month in months(from)..=months(to) + 1 {
            let day = NaiveDate::from_ymd_opt(month.div_euclid(12), month.rem_euclid(12) as u32 + 1, 1);
            if let Some(day) =
                day.filter(|day| month.rem_euclid(step as i32) == 0 && (from..=to).contains(day))
            {
                ticks.push(day);
            }
        }
        if ticks.len() <= most {
            return ticks;
        }
    }
    Vec::new()
}

/// Days for an axis: first days of months, or the two ends when fewer than two of those lie between.
pub(super) fn day_ticks(from: NaiveDate, to: NaiveDate, most: usize) -> Vec<NaiveDate> {
    let months = month_ticks(from, to, most);
    if months.len() >= 2 { months } else { vec![from, to] }
}

/// A field of days by values.
pub(super) struct Frame {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
    pub from: NaiveDate,
    pub to: NaiveDate,
    pub low: f64,
    pub high: f64,
}

impl Frame {
    pub fn x(&self, day: NaiveDate) -> f64 {
        self.x_days((day - self.from).num_days() as f64)
    }

    /// Where a number of days after the first lies.
    pub fn x_days(&self, days: f64) -> f64 {
        let span = ((self.to - self.from).num_days() as f64).max(1.0);
        self.left + days / span * (self.right - self.left)
    }

    pub fn y(&self, value: f64) -> f64 {
        self.bottom - (value - self.low) / (self.high - self.low) * (self.bottom - self.top)
    }

    /// Both axes with their ticks and the unit of the values.
    pub fn draw(&self, svg: &mut Svg, unit: &str) {
        for value in round_ticks(self.low, self.high, 6.0) {
            let y = self.y(value);
            svg.line((self.left, y), (self.right, y), 0.3, None);
            svg.text(self.left - 8.0, y + 4.5, Anchor::End, 13.0, &number(value));
        }
        svg.text(self.left - 8.0, self.top - 14.0, Anchor::End, 13.0, unit);
        for day in day_ticks(self.from, self.to, 9) {
            let x = self.x(day);
            svg.line((x, self.bottom), (x, self.bottom + 5.0), 1.0, None);
            svg.text(x, self.bottom + 20.0, Anchor::Middle, 12.0, &day.to_string());
        }
        svg.line((self.left, self.bottom), (self.right, self.bottom), 1.0, None);
        svg.line((self.left, self.top), (self.left, self.bottom), 1.0, None);
    }
}

/// Text cut to a number of characters, with three dots where it was cut.
pub(super) fn cut(text: &str, most: usize) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.chars().count() <= most {
        return clean;
    }
    let kept: String = clean.chars().take(most.saturating_sub(3)).collect();
    format!("{}...", kept.trim_end())
}

/// Lines of at most `most` characters, broken between words.
pub(super) fn wrapped(text: &str, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

/// As many whole sentences, in order, as fit into so many lines of at most `most` characters. What does not fit is in the
/// picture's description: a sentence that breaks off says less than none.
pub(super) fn whole_sentences<'a>(
    sentences: impl IntoIterator<Item = &'a String>,
    most: usize,
    lines: usize,
) -> Vec<String> {
    let mut out = Vec::new();
    for sentence in sentences {
        let next = wrapped(sentence, most);
        if out.len() + next.len() > lines {
            break;
        }
        out.extend(next);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(round_ticks(0.0, 20_000.0, 5.0), [0.0, 5_000.0, 10_000.0, 15_000.0, 20_000.0]);
        assert_eq!(round_ticks(-130.0, 60.0, 4.0), [-100.0, -50.0, 0.0, 50.0]);
        assert!(round_ticks(1.0, 1.0, 5.0).is_empty());
        assert_eq!(
            day_ticks(day("2026-03-05"), day("2026-03-09"), 8),
            [day("2026-03-05"), day("2026-03-09")]
        );
        assert!(day_ticks(day("1970-01-01"), day("2026-03-09"), 8).len() <= 8);
        assert_eq!(day_ticks(day("2026-01-15"), day("2026-04-15"), 8).len(), 3);
    }

    #[test]
    fn whole_sentences_ends_with_the_last_that_fits() {
        let words = ["one two".to_owned(), "three four five".to_owned(), "six".to_owned()];
        assert_eq!(whole_sentences(&words, 10, 3), ["one two", "three four", "five"]);
        assert_eq!(whole_sentences(&words, 10, 2), ["one two"]);
    }

    #[test]
    fn wrapped_breaks_between_words() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(cut("abcdefgh", 6), "abc...");
    }
}
