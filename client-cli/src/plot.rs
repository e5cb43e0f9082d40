//! A small plot in text: at most 60 columns and 10 lines of plain ASCII.

use domain::time::Timestamp;

use crate::render;

/// Columns in all.
pub const WIDTH: usize = 60;
/// Lines in all: the points, the axis, the dates.
pub const HEIGHT: usize = 10;
const ROWS: usize = HEIGHT - 2;

/// A point: when, how much, and its mark. Where points meet, the later one in the list is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When.
    pub at: Timestamp,
    /// How much, in the plot's unit.
    pub value: f64,
    /// An ASCII mark.
    pub mark: char,
}

/// Values over time, in a unit; nothing of fewer than two finite points.
#[must_use]
pub fn over_time(points: &[Point], unit: &str) -> Vec<String> {
    let points: Vec<&Point> = points.iter().filter(|point| point.value.is_finite()).collect();
    let times = points.iter().map(|point| point.at);
    let (Some(from), Some(to)) = (times.clone().min(), times.max()) else { return Vec::new() };
    if points.len() < 2 {
        return Vec::new();
    }
    let least = points.iter().map(|point| point.value).fold(f64::INFINITY, f64::min);
    let most = points.iter().map(|point| point.value).fold(f64::NEG_INFINITY, f64::max);
    // A flat line lies in the middle.
    let (low, high) = if most - least < 1e-9 { (least - 1.0, most + 1.0) } else { (least, most) };
    let label = |row: usize| {
        let value = high - (high - low) * row as f64 / (ROWS - 1) as f64;
        if high - low < 10.0 { format!("{value:.1} {unit}") } else { format!("{value:.0} {unit}") }
    };
    let labels: Vec<String> =
        (0..ROWS).map(|row| if row % 7 == 0 { label(row) } else { String::new() }).collect();
    let margin = labels.iter().map(String::len).max().unwrap_or(0);
    let columns = WIDTH.saturating_sub(margin + 2).max(2);
    let span = to.days_since(from);
    let mut grid = vec![vec![' '; columns]; ROWS];
    for point in points {
        let across = if span > 0.0 { point.at.days_since(from) / span } else { 0.5 };
        let down = (high - point.value) / (high - low);
        let column = (across * (columns - 1) as f64).round() as usize;
        let row = (down * (ROWS - 1) as f64).round() as usize;
        grid[row.min(ROWS - 1)][column.min(columns - 1)] = point.mark;
    }
    let mut lines: Vec<String> = grid
        .iter()
        .zip(&labels)
        .map(|(row, label)| {
            format!("{label:>margin$} |{}", row.iter().collect::<String>()).trim_end().to_owned()
        })
        .collect();
    lines.push(format!("{:>margin$} +{}", "", "-".repeat(columns)));
    let (first, last) = (from.to_string(), to.to_string());
    let (first, last) = (render::day(&first).to_owned(), render::day(&last).to_owned());
    let room = columns.saturating_sub(first.len());
    lines.push(format!("{:>margin$}  {first}{last:>room$}", ""));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(day: i64) -> Timestamp {
        Timestamp::from_millis(1_772_352_000_000 + day * 86_400_000).unwrap()
    }

    fn point(day: i64, grams: f64, mark: char) -> Point {
        Point { at: at(day), value: grams, mark }
    }

    #[test]
    fn over_time_a_step_up_is_seen_at_both_ends() {
        let lines = over_time(&[point(0, 412.0, 'o'), point(50, 412.0, 'o'), point(100, 431.0, 'o')], "g");
        insta::assert_snapshot!(lines.join("\n"), @r"
        431 g |                                                    o
              |
              |
              |
              |
              |
              |
        412 g |o                         o
              +-----------------------------------------------------
               2026-03-01                                 2026-06-09
        ");
    }

    #[test]
    fn over_time_one_point_is_no_plot_and_equal_ones_lie_in_the_middle() {
        assert!(over_time(&[], "g").is_empty() && over_time(&[point(0, 5.0, 'o')], "g").is_empty());
        assert!(over_time(&[point(0, f64::NAN, 'o'), point(1, 5.0, 'o')], "g").is_empty());
        let flat = over_time(&[point(0, 5.0, 'o'), point(0, 5.0, 'o')], "g");
        assert!(flat[3].contains('o') || flat[4].contains('o'), "{flat:#?}");
    }

    proptest! {
        #[test]
        fn over_time_any_points_stay_within_60_by_10(points in prop::collection::vec((0_i64..4000, 0.001..1e6_f64), 0..40)) {
            let points: Vec<Point> = points.into_iter().map(|(day, grams)| point(day, grams, 'o')).collect();
            let lines = over_time(&points, "g");
            prop_assert!(lines.len() <= HEIGHT);
            prop_assert!(lines.iter().all(|line| line.is_ascii() && line.len() <= WIDTH), "{:#?}", lines);
        }
    }
}
