//! A ledger as a waterfall.

use super::frame::{cut, round_ticks, wrapped};
use super::rows::{not_in_the_sum, part_mark, rows, side, side_mass, signed};
use super::svg::{Anchor, Fill, Svg};
use crate::rules::words::number;
use crate::wire::ledger::{LedgerScope, LedgerView};

const WIDTH: f64 = 960.0;
const ROW: f64 = 26.0;
const TOP: f64 = 118.0;
/// Where the labels end, and where the field of the bars lies.
const LABEL: f64 = 348.0;
const LEFT: f64 = 470.0;
const RIGHT: f64 = 845.0;

/// The picture of a ledger: one row a line, from the earlier mass down (or up) to the later one. Hatching that falls to the
/// right with a minus is less, denser hatching that rises with a plus is more.
#[must_use]
pub fn ledger_svg(view: &LedgerView) -> String {
    let rows = rows(view);
    let ends = rows.iter().flat_map(|row| [row.from_g, row.to_g]).chain([0.0, view.change_g]);
    let (low, high) = ends.fold((0.0f64, 0.0f64), |(low, high), at| (low.min(at), high.max(at)));
    let span = (high - low).max(1.0);
    let x = |grams: f64| LEFT + (grams - low) / span * (RIGHT - LEFT);
    let notes: Vec<String> = not_in_the_sum(view)
        .into_iter()
        .chain([uncertainty(view)])
        .flat_map(|note| wrapped(&note, 128))
        .collect();
    let bottom = TOP + ROW * (rows.len() as f64 + 2.0);
    let mut svg = Svg::new(WIDTH, bottom + 64.0 + 18.0 * notes.len() as f64);
    let title = title(view);
    svg.bold(20.0, 32.0, Anchor::Start, 19.0, &cut(&title, 78));
    let sub = view.sentences.get(1).map_or("", String::as_str);
    for (at, line) in wrapped(sub, 116).iter().take(2).enumerate() {
        svg.text(20.0, 56.0 + 18.0 * at as f64, Anchor::Start, 13.0, line);
    }
    for tick in round_ticks(low, low + span, 5.0) {
        svg.line((x(tick), TOP - 4.0), (x(tick), bottom), 0.3, None);
        svg.text(
            x(tick),
            bottom + 18.0,
            Anchor::Middle,
            12.0,
            &if tick == 0.0 { "0".into() } else { signed(tick) },
        );
    }
    svg.text(f64::midpoint(LEFT, RIGHT), bottom + 36.0, Anchor::Middle, 12.0, "change from the earlier mass");
    let mut y = TOP;
    svg.bold(20.0, y + 17.0, Anchor::Start, 14.0, &cut(&side(&view.from), 48));
    total(&mut svg, x(0.0), y, &side_mass(view, &view.from));
    for (index, row) in rows.iter().enumerate() {
        y += ROW;
        if index > 0 && rows[index - 1].part != row.part {
            svg.line((20.0, y), (LEFT - 12.0, y), 0.4, None);
        }
        svg.text(20.0, y + 17.0, Anchor::Start, 13.0, &cut(&row.label, 42));
        svg.text(LABEL, y + 17.0, Anchor::Start, 12.0, part_mark(row.part));
        let (from, to) = (x(row.from_g), x(row.to_g));
        let tip = format!("{}: {}", row.label, row.change);
        let fill = if row.is_less() { Fill::Falling } else { Fill::Rising };
        svg.line((from, y - 4.0), (from, y + 4.0), 0.8, None);
        svg.rect(from.min(to), y + 4.0, (to - from).abs().max(1.0), ROW - 8.0, fill, &tip);
        label(&mut svg, row.is_less(), from, to, y + 17.0, &row.change);
    }
    y += ROW;
    svg.line((x(view.change_g), y - 4.0), (x(view.change_g), y + 4.0), 0.8, None);
    svg.bold(20.0, y + 17.0, Anchor::Start, 14.0, &cut(&side(&view.to), 48));
    total(&mut svg, x(view.change_g), y, &side_mass(view, &view.to));
    for (at, note) in notes.iter().enumerate() {
        svg.text(20.0, bottom + 58.0 + 18.0 * at as f64, Anchor::Start, 12.0, note);
    }
    svg.finish("ledger", &title, &view.sentences.join(" "))
}

/// The label goes on the side of the bar's end where there is room.
fn label(svg: &mut Svg, less: bool, from: f64, to: f64, y: f64, text: &str) {
    let wide = 8.0 * text.len() as f64 + 8.0;
    let (left, right) = (from.min(to), from.max(to));
    if less && left - wide > LEFT - 15.0 {
        svg.text(left - 6.0, y, Anchor::End, 13.0, text);
    } else if right + wide < WIDTH - 10.0 {
        svg.text(right + 6.0, y, Anchor::Start, 13.0, text);
    } else {
        svg.text(left - 6.0, y, Anchor::End, 13.0, text);
    }
}

fn total(svg: &mut Svg, x: f64, y: f64, mass: &str) {
    svg.line((x, y + 2.0), (x, y + ROW - 2.0), 4.0, None);
    svg.bold(x + 8.0, y + 17.0, Anchor::Start, 14.0, mass);
}

fn title(view: &LedgerView) -> String {
    let what = match view.scope {
        LedgerScope::Carried => "Carried at the start",
        LedgerScope::Total => "Carried and worn at the start",
    };
    let grams = view.change_g.abs();
    let size = number(if grams >= 0.5 { grams.round() } else { grams });
    let change = match view.change_g {
        c if c < 0.0 => format!("{size} g lighter"),
        c if c > 0.0 => format!("{size} g heavier"),
        _ => "the same mass".to_owned(),
    };
    format!("{what}: {change}, {} to {}", view.from.name, view.to.name)
}

fn uncertainty(view: &LedgerView) -> String {
    let plural = |n: u32| if n == 1 { "" } else { "s" };
    let lines = format!(
        "{} line{}, {} thing{} unchanged",
        view.lines_known,
        plural(view.lines_known),
        view.unchanged,
        plural(view.unchanged)
    );
    match view.change_u_g {
        Some(u) => format!("Standard uncertainty of the change from the weighings: {u:.1} g. {lines}."),
        None => format!("{lines}."),
    }
}
