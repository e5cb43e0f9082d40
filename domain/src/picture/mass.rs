//! The trend of a mass.

use super::frame::{Frame, cut, whole_sentences, wrapped};
use super::svg::{Anchor, Fill, Svg};
use crate::wire::mass_trend::MassTrendView;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 560.0;

/// Points with bars of one standard uncertainty, the Theil-Sen line with its interval, a step if there is one.
#[must_use]
pub fn mass_svg(view: &MassTrendView) -> String {
    let mut svg = Svg::new(WIDTH, HEIGHT);
    let title = format!("{}: mass by sitting", view.name);
    svg.bold(20.0, 32.0, Anchor::Start, 19.0, &cut(&title, 78));
    let words = view.sentences.iter().skip(1).chain(&view.refusals);
    for (at, line) in whole_sentences(words, 116, 5).iter().enumerate() {
        svg.text(20.0, 56.0 + 18.0 * at as f64, Anchor::Start, 13.0, line);
    }
    let description: Vec<&str> = view.sentences.iter().chain(&view.refusals).map(String::as_str).collect();
    let description = description.join(" ");
    let (Some(first), Some(last)) = (view.points.first(), view.points.last()) else {
        svg.text(WIDTH / 2.0, HEIGHT / 2.0, Anchor::Middle, 15.0, "no weighing that counts");
        return svg.finish("mass", &title, &description);
    };
    let day = |at: crate::time::Timestamp| at.utc().date_naive();
    let (from, to) = (day(first.at), day(last.at));
    let ends = view.points.iter().flat_map(|point| [point.mass_g - point.u_g, point.mass_g + point.u_g]);
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), g| (l.min(g), h.max(g)));
    let margin = ((high - low) * 0.12).max(0.2);
    let pad = chrono::Duration::days(((to - from).num_days() / 40).max(1));
    let frame = Frame {
        left: 84.0,
        right: WIDTH - 120.0,
        top: 152.0,
        bottom: HEIGHT - 76.0,
        from: from - pad,
        to: to + pad,
        low: low - margin,
        high: high + margin,
    };
    frame.draw(&mut svg, "g");
    if let Some(slope) = &view.slope {
        interval(&mut svg, &frame, view, from, to);
        let (a, b) = (slope.at_first_g, slope.at_last_g);
        svg.line((frame.x(from), frame.y(a)), (frame.x(to), frame.y(b)), 2.0, None);
        svg.text(
            frame.x(to) + 10.0,
            frame.y(b) + 4.0,
            Anchor::Start,
            12.0,
            &format!("{:+.1} g/year", slope.per_year_g),
        );
        svg.text(
            frame.x(to) + 10.0,
            frame.y(b) + 19.0,
            Anchor::Start,
            12.0,
            &format!("n = {} days", slope.n),
        );
    }
    if let Some(step) = &view.step {
        let x = f64::midpoint(frame.x(step.after_on), frame.x(step.before_on));
        svg.line((x, frame.top), (x, frame.bottom), 1.0, Some("2 4"));
        svg.text(
            x + 5.0,
            frame.top + 12.0,
            Anchor::Start,
            12.0,
            &format!("level changed, p = {:.3}", step.p),
        );
    }
    for point in &view.points {
        let (x, y) = (frame.x(day(point.at)), frame.y(point.mass_g));
        let (up, down) = (frame.y(point.mass_g + point.u_g), frame.y(point.mass_g - point.u_g));
        svg.line((x, up), (x, down), 1.2, None);
        svg.line((x - 4.0, up), (x + 4.0, up), 1.2, None);
        svg.line((x - 4.0, down), (x + 4.0, down), 1.2, None);
        let fill = if point.checked { Fill::Black } else { Fill::White };
        let tip = format!("{}: {:.1} +- {:.1} g, n = {}", day(point.at), point.mass_g, point.u_g, point.n);
        svg.circle((x, y), 4.0, fill, &tip);
    }
    let slope = if view.slope.is_some() { " Dashed: 95 % interval of the slope." } else { "" };
    let key = format!(
        "Bars: one standard uncertainty. Filled: check weights were read in the sitting; open: the scale's error is \
         assumed.{slope}"
    );
    for (at, line) in wrapped(&key, 124).iter().enumerate() {
        svg.text(20.0, HEIGHT - 28.0 + 16.0 * at as f64, Anchor::Start, 12.0, line);
    }
    svg.finish("mass", &title, &description)
}

/// The lines of the steepest and the flattest slope, through the middle of the line.
fn interval(
    svg: &mut Svg,
    frame: &Frame,
    view: &MassTrendView,
    from: chrono::NaiveDate,
    to: chrono::NaiveDate,
) {
    let Some(slope) = &view.slope else { return };
    let years = (to - from).num_days() as f64 / 365.0;
    let middle = f64::midpoint(slope.at_first_g, slope.at_last_g);
    for per_year in [slope.low_g, slope.high_g] {
        let half = per_year * years / 2.0;
        let inside = |g: f64| frame.y(g.clamp(frame.low, frame.high));
        // Cut at the edge of the field instead of bent along it.
        let reach = |g: f64| ((g.clamp(frame.low, frame.high) - middle) / half).abs().min(1.0);
        let (before, after) = (reach(middle - half), reach(middle + half));
        let (before, after) = if half == 0.0 { (1.0, 1.0) } else { (before, after) };
        let centre = f64::midpoint(frame.x(from), frame.x(to));
        let wide = (frame.x(to) - frame.x(from)) / 2.0;
        svg.line(
            (centre - wide * before, inside(middle - half * before)),
            (centre + wide * after, inside(middle + half * after)),
            1.0,
            Some("7 5"),
        );
    }
}
