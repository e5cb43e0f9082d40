//! The rows of a waterfall, the same for a picture and for a terminal.

use crate::ledger::apportion;
use crate::rules::words::number;
use crate::wire::ledger::{LedgerLine, LedgerPartKind, LedgerSide, LedgerView};

/// Lines below which none are put together.
const MOST_ROWS: usize = 24;

/// One step of the fall.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub part: LedgerPartKind,
    pub label: String,
    /// Where it starts and ends, in grams from the earlier side.
    pub from_g: f64,
    pub to_g: f64,
    /// Its change, such as "-94 g"; the shown changes add up to the shown sum.
    pub change: String,
    pub u: Option<String>,
}

impl Row {
    pub fn is_less(&self) -> bool {
        self.to_g < self.from_g
    }
}

/// The word beside a line.
pub(super) fn part_mark(part: LedgerPartKind) -> &'static str {
    match part {
        LedgerPartKind::Swapped => "swap",
        LedgerPartKind::Dropped => "left out",
        LedgerPartKind::Added => "added",
        LedgerPartKind::Moved => "moved",
        LedgerPartKind::HeavierOrLighter => "same, reweighed",
        LedgerPartKind::MoreOrFewer => "more or fewer",
        LedgerPartKind::Expendables => "food, water",
    }
}

pub(super) fn mg(grams: f64) -> i64 {
    (grams * 1000.0).round() as i64
}

/// A change with its sign, in grams.
pub(super) fn signed(grams: f64) -> String {
    let sign = if grams > 0.0 { "+" } else { "" };
    format!("{sign}{} g", number(grams))
}

/// The step to which changes are shown, in milligrams: whole grams when all are, else tenths.
fn shown_step(view: &LedgerView) -> i64 {
    let whole = view
        .parts
        .iter()
        .flat_map(|part| &part.lines)
        .all(|line| line.change_g.is_none_or(|change| mg(change) % 1000 == 0));
    if whole { 1000 } else { 100 }
}

/// All lines in the order of the parts; beyond two dozen the smallest of each part are put together.
pub(super) fn rows(view: &LedgerView) -> Vec<Row> {
    let lines: usize = view.parts.iter().map(|part| part.lines.len()).sum();
    let mut kept: Vec<(LedgerPartKind, String, i64, Option<String>)> = Vec::new();
    for part in &view.parts {
        let most = if lines <= MOST_ROWS {
            part.lines.len()
        } else {
            (MOST_ROWS / view.parts.len().max(1)).saturating_sub(1).max(1)
        };
        let change = |line: &LedgerLine| line.change_g.map_or(0, mg);
        for line in part.lines.iter().take(most) {
            let u = line.change_u_g.map(|u| format!("+- {u:.1}"));
            kept.push((part.part, label(line), change(line), u));
        }
        let rest: Vec<&LedgerLine> = part.lines.iter().skip(most).collect();
        if !rest.is_empty() {
            let sum = rest.iter().map(|line| change(line)).sum();
            kept.push((part.part, format!("{} smaller ones", rest.len()), sum, None));
        }
    }
    let step = shown_step(view);
    let changes: Vec<i64> = kept.iter().map(|row| row.2).collect();
    let total = (mg(view.change_g) as f64 / step as f64).round() as i64;
    let shown = apportion(&changes, step, total);
    let mut at = 0;
    kept.into_iter()
        .zip(shown)
        .map(|((part, label, change, u), shown)| {
            let from_g = at as f64 / 1000.0;
            at += change;
            let change = signed((shown * step) as f64 / 1000.0);
            Row { part, label, from_g, to_g: at as f64 / 1000.0, change, u }
        })
        .collect()
}

fn label(line: &LedgerLine) -> String {
    let (Some(before), Some(after)) = (line.before_units, line.after_units) else { return line.name.clone() };
    if line.part == LedgerPartKind::MoreOrFewer
        || (line.part == LedgerPartKind::Expendables && before > 0.0 && after > 0.0)
    {
        let to = if before == after {
            String::new()
        } else {
            format!(", {} -> {}", number(before), number(after))
        };
        format!("{}{to}", line.name)
    } else {
        let units = if after > 0.0 { after } else { before };
        if units == 1.0 { line.name.clone() } else { format!("{}, x {}", line.name, number(units)) }
    }
}

/// A side in words: "2025, mean of 5 sealed sets".
pub(super) fn side(side: &LedgerSide) -> String {
    if side.n > 1 { format!("{}, mean of {} sealed sets", side.name, side.n) } else { side.name.clone() }
}

/// The mass of a side, in grams to the step that is shown.
pub(super) fn side_mass(view: &LedgerView, side: &LedgerSide) -> String {
    let step = shown_step(view);
    let grams = (mg(side.known_g) as f64 / step as f64).round() * step as f64 / 1000.0;
    format!("{} g", number(grams))
}

/// What is not in the sums, in one sentence; none when all is.
pub(super) fn not_in_the_sum(view: &LedgerView) -> Option<String> {
    let names: Vec<&str> = view.unknown.iter().map(|line| line.name.as_str()).collect();
    (!names.is_empty()).then(|| format!("Not in the sum, a mass is not known: {}.", names.join(", ")))
}
