//! A mass trend in plain words.

use chrono::NaiveDate;

use crate::wire::mass_trend::MassTrendView;

fn p_words(p: f64) -> String {
    if p < 0.001 { "p < 0.001".to_owned() } else { format!("p = {p:.3}") }
}

pub(super) fn sentences(view: &MassTrendView, dates: &[NaiveDate]) -> Vec<String> {
    let mut out = Vec::new();
    let (Some(first), Some(last)) = (dates.first(), dates.last()) else { return out };
    if let Some(newest) = view.points.last() {
        out.push(format!(
            "{}: {:.1} +- {:.1} g on {}, the newest of {} with {} on {}.",
            view.name,
            newest.mass_g,
            newest.u_g,
            newest.at.utc().date_naive(),
            counted(view.points.len(), "sitting", "sittings"),
            counted(view.points.iter().map(|point| point.n as usize).sum(), "weighing", "weighings"),
            counted(dates.len(), "day", "days"),
        ));
    }
    let mut steady = false;
    if let Some(slope) = &view.slope {
        let interval = format!(
            "{:.0} % interval {:+.1} to {:+.1} g a year, {}, n = {} days from {first} to {last}",
            slope.level * 100.0,
            slope.low_g,
            slope.high_g,
            p_words(slope.p),
            slope.n
        );
        steady = slope.p < 0.05 && (slope.low_g > 0.0 || slope.high_g < 0.0);
        out.push(if steady {
            let way = if slope.per_year_g > 0.0 { "heavier" } else { "lighter" };
            format!("It became {way} by {:.1} g a year ({interval}).", slope.per_year_g.abs())
        } else {
            format!("No steady change is shown: {:+.1} g a year ({interval}).", slope.per_year_g)
        });
    }
    if let Some(step) = &view.step {
        out.push(format!(
            "Its level changed between {} and {}, from {:.1} to {:.1} g ({}, n = {} days).",
            step.after_on,
            step.before_on,
            step.from_g,
            step.to_g,
            p_words(step.p),
            step.n
        ));
    }
    if let Some(joint) = &view.joint {
        let shown = joint.per_year_g.abs() > 1.96 * joint.u_g;
        let so = match (steady, shown) {
            (true, false) => ": the change is as likely the scale's as the item's",
            (true, true) => ": the item itself changed",
            (false, true) => ": the item changed, and the scale hid it",
            (false, false) => "",
        };
        out.push(format!(
            "With the scales' own offsets taken out ({}, {} taken as steady, {}): {:+.1} +- {:.1} g a year{so}.",
            counted(joint.check_readings as usize, "check reading", "check readings"),
            counted(joint.other_items as usize, "other thing", "other things"),
            counted(joint.sittings as usize, "sitting", "sittings"),
            unsigned_zero(joint.per_year_g),
            joint.u_g
        ));
    }
    if let Some(scale) = &view.scale {
        let moved = if scale.moved { "The scale moved" } else { "The scale is not shown to have moved" };
        out.push(format!(
            "{moved}: it read {:+.2} g and later {:+.2} g against its check weights (u of the difference {:.2} g, \
             {} sittings with check readings).",
            scale.first_g, scale.last_g, scale.u_difference_g, scale.n
        ));
    }
    out
}

fn counted(n: usize, one: &str, more: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {more}") }
}

/// What one decimal shows as zero has no sign.
fn unsigned_zero(value: f64) -> f64 {
    if value.abs() < 0.05 { 0.0 } else { value }
}
