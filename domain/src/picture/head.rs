//! The forecast of a head.

use super::frame::{Frame, cut, whole_sentences, wrapped};
use super::svg::{Anchor, Fill, Svg};
use crate::rules::words::number;
use crate::wire::head::{HeadForecastView, HeadTestView};
use crate::wire::log_entry::HeadRelation;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 580.0;

/// Tests, median and 95 % band from the first test to the day, the limit, and the day.
#[must_use]
pub fn head_svg(view: &HeadForecastView) -> String {
    let mut svg = Svg::new(WIDTH, HEIGHT);
    let title = format!("{}: head until {}", view.name, view.on);
    svg.bold(20.0, 32.0, Anchor::Start, 19.0, &cut(&title, 78));
    for (at, line) in whole_sentences(&view.sentences, 116, 5).iter().enumerate() {
        svg.text(20.0, 56.0 + 18.0 * at as f64, Anchor::Start, 13.0, line);
    }
    let tested = view.tests.iter().map(|test| test.observed_at.utc().date_naive());
    let days = || tested.clone().chain(view.curve.iter().map(|point| point.on)).chain([view.on]);
    let (from, to) = (days().min().unwrap_or(view.on), days().max().unwrap_or(view.on));
    let heads = view.tests.iter().map(|test| test.head_mm);
    let heads = heads.chain(view.curve.iter().map(|point| point.high_mm)).chain([view.limit_mm]);
    let high = heads.fold(0.0, f64::max) * 1.08;
    let pad = chrono::Duration::days(((to - from).num_days() / 40).max(1));
    let frame = Frame {
        left: 84.0,
        right: WIDTH - 172.0,
        top: 152.0,
        bottom: HEIGHT - 92.0,
        from: from - pad,
        to: to + pad,
        low: 0.0,
        high: high.max(1.0),
    };
    frame.draw(&mut svg, "mm");
    if view.curve.len() > 1 {
        let upper = view.curve.iter().map(|point| (frame.x(point.on), frame.y(point.high_mm)));
        let lower = view.curve.iter().rev().map(|point| (frame.x(point.on), frame.y(point.low_mm)));
        let band: Vec<(f64, f64)> = upper.clone().chain(lower.clone()).collect();
        svg.polygon(&band, Fill::Dots, false, "95 % of next tests");
        svg.polyline(&upper.collect::<Vec<_>>(), 1.0, Some("7 5"));
        svg.polyline(&lower.collect::<Vec<_>>(), 1.0, Some("7 5"));
        let median: Vec<(f64, f64)> =
            view.curve.iter().map(|point| (frame.x(point.on), frame.y(point.median_mm))).collect();
        svg.polyline(&median, 2.0, None);
    }
    let limit = frame.y(view.limit_mm);
    svg.line((frame.left, limit), (frame.right, limit), 1.6, Some("1 3"));
    let race = frame.x(view.on);
    svg.line((race, frame.top), (race, frame.bottom), 1.6, Some("10 3 2 3"));
    svg.text(race, frame.top - 6.0, Anchor::End, 12.0, &format!("asked for: {}", view.on));
    for test in &view.tests {
        mark(&mut svg, &frame, test);
    }
    let mut labels = vec![(limit, format!("limit {} mm", number(view.limit_mm)))];
    if let Some(last) = view.curve.last() {
        labels.push((frame.y(last.high_mm), format!("{} mm, 97.5 % below", number(last.high_mm))));
        labels.push((frame.y(last.median_mm), format!("median {} mm", number(last.median_mm))));
        labels.push((frame.y(last.low_mm), format!("{} mm, 2.5 % below", number(last.low_mm))));
    }
    for (y, text) in spread(labels) {
        svg.text(frame.right + 8.0, y + 4.0, Anchor::Start, 12.0, &text);
    }
    let key = "Round: leaked there. Pointing up: held at least that. Pointing down: leaked below that. Open: made in another \
               way, not counted.";
    svg.text(20.0, HEIGHT - 46.0, Anchor::Start, 12.0, key);
    for (at, line) in wrapped(&view.caution, 132).iter().enumerate() {
        svg.text(20.0, HEIGHT - 28.0 + 15.0 * at as f64, Anchor::Start, 11.0, line);
    }
    svg.finish("head", &title, &format!("{} {}", view.sentences.join(" "), view.caution))
}

fn mark(svg: &mut Svg, frame: &Frame, test: &HeadTestView) {
    let day = test.observed_at.utc().date_naive();
    let (x, y) = (frame.x(day), frame.y(test.head_mm));
    let fill = if test.counted { Fill::Black } else { Fill::White };
    let tip = format!("{day}: {} {} mm, {}", test.relation.name(), number(test.head_mm), test.conditions);
    match test.relation {
        HeadRelation::Exactly => svg.circle((x, y), 4.5, fill, &tip),
        HeadRelation::AtLeast => {
            svg.polygon(&[(x - 6.0, y + 4.0), (x + 6.0, y + 4.0), (x, y - 7.0)], fill, true, &tip);
        }
        HeadRelation::Below => {
            svg.polygon(&[(x - 6.0, y - 4.0), (x + 6.0, y - 4.0), (x, y + 7.0)], fill, true, &tip);
        }
    }
}

/// Labels moved down as far as needed so that none lies on another.
fn spread(mut labels: Vec<(f64, String)>) -> Vec<(f64, String)> {
    labels.sort_by(|a, b| a.0.total_cmp(&b.0));
    for at in 1..labels.len() {
        labels[at].0 = labels[at].0.max(labels[at - 1].0 + 15.0);
    }
    labels
}
