//! A ledger as lines of plain text.

use super::frame::{cut, wrapped};
use super::rows::{not_in_the_sum, part_mark, rows, side, side_mass};
use crate::wire::ledger::LedgerView;

/// The width that fits every terminal.
pub const TERMINAL_WIDTH: usize = 80;

/// Characters of the label, of the mark, and of the change; the bar takes the rest.
const LABEL: usize = 27;
const MARK: usize = 15;
const CHANGE: usize = 11;

/// The waterfall of a ledger as lines of at most `width` characters (60 at the least). Bars are of minus signs for less and
/// plus signs for more. `ascii` replaces what is not ASCII in names by question marks.
#[must_use]
pub fn ledger_text(view: &LedgerView, width: usize, ascii: bool) -> Vec<String> {
    let width = width.max(60);
    let mark = if width >= TERMINAL_WIDTH { MARK } else { 0 };
    let bar = width - LABEL - mark - CHANGE - 3;
    let rows = rows(view);
    let ends = rows.iter().flat_map(|row| [row.from_g, row.to_g]).chain([0.0, view.change_g]);
    let (low, high) = ends.fold((0.0f64, 0.0f64), |(low, high), at| (low.min(at), high.max(at)));
    let span = (high - low).max(1e-9);
    let at = |grams: f64| (((grams - low) / span * (bar - 1) as f64).round() as usize).min(bar - 1);
    let mut out: Vec<String> = view.sentences.iter().flat_map(|sentence| wrapped(sentence, width)).collect();
    out.push(String::new());
    let total = |name: &str, grams: f64, mass: &str| {
        let mut field = vec![' '; bar];
        field[at(grams)] = '|';
        let field: String = field.into_iter().collect();
        format!("{:<named$} {field} {mass:>CHANGE$}", cut(name, LABEL + mark), named = LABEL + mark + 1)
    };
    out.push(total(&side(&view.from), 0.0, &side_mass(view, &view.from)));
    for row in &rows {
        let (from, to) = (at(row.from_g), at(row.to_g));
        let mut field = vec![' '; bar];
        let sign = if row.is_less() { '-' } else { '+' };
        field[from.min(to)..=from.max(to)].fill(sign);
        let field: String = field.into_iter().collect();
        let what = if mark > 0 { cut(part_mark(row.part), MARK) } else { String::new() };
        out.push(format!("{:<LABEL$} {what:<mark$} {field} {:>CHANGE$}", cut(&row.label, LABEL), row.change));
    }
    out.push(total(&side(&view.to), view.change_g, &side_mass(view, &view.to)));
    if let Some(note) = not_in_the_sum(view).filter(|_| view.sentences.is_empty()) {
        out.extend(wrapped(&note, width));
    }
    if ascii {
        for line in &mut out {
            *line = line.chars().map(|c| if c.is_ascii() { c } else { '?' }).collect();
        }
    }
    out.iter().map(|line| line.trim_end().to_owned()).collect()
}
