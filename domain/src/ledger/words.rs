//! A ledger in plain words.

use super::composition::Composition;
use super::round::apportion;
use crate::rules::words::number;
use crate::wire::ledger::{
    LedgerPartKind, LedgerScope, LedgerSide, LedgerSideKind, LedgerView, SharedErrors, WelchView,
};

/// A part as it stands in a sentence: "120 g by swaps".
#[must_use]
pub fn part_words(part: LedgerPartKind) -> &'static str {
    match part {
        LedgerPartKind::Swapped => "swaps",
        LedgerPartKind::Dropped => "things left out",
        LedgerPartKind::Added => "things added",
        LedgerPartKind::Moved => "things moved to or from the body or a drop bag",
        LedgerPartKind::HeavierOrLighter => "the same things weighing otherwise",
        LedgerPartKind::MoreOrFewer => "more or fewer of the same",
        LedgerPartKind::Expendables => "food and water",
    }
}

/// Grams to the milligram as whole milligrams.
fn mg(grams: f64) -> i64 {
    (grams * 1000.0).round() as i64
}

/// The change of each part in whole grams that add up to the rounded change.
#[must_use]
pub fn whole_grams(view: &LedgerView) -> Vec<(LedgerPartKind, i64)> {
    let parts: Vec<i64> = view.parts.iter().map(|part| mg(part.change_g)).collect();
    let whole = apportion(&parts, 1000, view.change_g.round() as i64);
    view.parts.iter().map(|part| part.part).zip(whole).collect()
}

fn signed(grams: i64) -> String {
    let sign = if grams > 0 { "+" } else { "" };
    format!("{sign}{} g", number(grams as f64))
}

fn count(n: u32, one: &str, more: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {more}") }
}

pub(super) fn sentences(view: &LedgerView) -> Vec<String> {
    let mut out = vec![headline(view)];
    let parts: Vec<String> = whole_grams(view)
        .into_iter()
        .filter(|(_, grams)| *grams != 0)
        .map(|(part, grams)| format!("{} by {}", signed(grams), part_words(part)))
        .collect();
    if !parts.is_empty() {
        out.push(format!("{}. Nothing is left unexplained.", parts.join(", ")));
    }
    if let Some(u) = view.change_u_g {
        let by = match view.change_u_by {
            Some(SharedErrors::OneScale) => "as if one scale were off for all of them",
            _ => "as if each mass had an error of its own, the larger figure here",
        };
        let without = match view.lines_without_u {
            0 => String::new(),
            n => format!("; {} more without one (a label, or water as filled in)", count(n, "line", "lines")),
        };
        out.push(format!("The weighings leave a standard uncertainty of {} g, {by}{without}.", decimal(u)));
    }
    if !view.unknown.is_empty() {
        let names: Vec<&str> = view.unknown.iter().map(|line| line.name.as_str()).collect();
        out.push(format!(
            "Not in the sum, since a mass is not known: {}. The change runs over the other {}.",
            names.join(", "),
            count(view.lines_known + view.unchanged, "line", "lines")
        ));
    }
    out.extend(statistics(view));
    out
}

fn headline(view: &LedgerView) -> String {
    let what = match view.scope {
        LedgerScope::Carried => "carried at the start",
        LedgerScope::Total => "carried and worn at the start",
    };
    let side = |side: &LedgerSide| {
        let mean = if side.n > 1 { ", the mean of " } else { "" };
        let sets = if side.n > 1 { count(side.n, "sealed set", "sealed sets") } else { String::new() };
        format!("{} g ({}{mean}{sets})", number(side.known_g.round()), side.name)
    };
    let from_to = format!("{} to {}", side(&view.from), side(&view.to));
    let grams = view.change_g.abs();
    let size = if grams >= 0.5 { number(grams.round()) } else { number(grams) };
    match mg(view.change_g) {
        0 => format!("The same to the milligram, {what}: {from_to}."),
        ..0 => format!("{size} g lighter, {what}: {from_to}."),
        _ => format!("{size} g heavier, {what}: {from_to}."),
    }
}

fn decimal(grams: f64) -> String {
    if grams >= 10.0 { number(grams.round()) } else { format!("{grams:.1}") }
}

fn p_words(p: f64) -> String {
    if p < 0.001 { "p < 0.001".to_owned() } else { format!("p = {p:.3}") }
}

fn test_words(welch: &WelchView) -> String {
    format!(
        "{} g ({:.0} % interval {} to {} g, {})",
        number(welch.difference_g.round()),
        welch.level * 100.0,
        number(welch.low_g.round()),
        number(welch.high_g.round()),
        p_words(welch.p)
    )
}

fn statistics(view: &LedgerView) -> Vec<String> {
    let Some(found) = &view.statistics else { return Vec::new() };
    let mut out = Vec::new();
    if let Some(welch) = &found.totals {
        let beyond = if welch.low_g > 0.0 || welch.high_g < 0.0 {
            "more than races differ among themselves"
        } else {
            "no more than races differ among themselves may explain"
        };
        out.push(format!(
            "Race totals changed by {}, Welch's test, n = {} and {}: {beyond}.",
            test_words(welch),
            view.from.n,
            view.to.n
        ));
    }
    if let Some(paired) = &found.same_things {
        let ranks = paired.p_signed_rank.map_or(String::new(), |p| format!("; signed ranks {}", p_words(p)));
        out.push(format!(
            "The {} things in both changed by {:.1} g each on average ({:.0} % interval {:.1} to {:.1} g, {}{ranks}).",
            paired.n,
            paired.difference_g,
            paired.level * 100.0,
            paired.low_g,
            paired.high_g,
            p_words(paired.p)
        ));
    }
    out.extend(
        [&found.why_no_totals, &found.why_no_same_things].into_iter().flatten().map(|why| sentence(why)),
    );
    out
}

fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| format!("{}{}.", first.to_uppercase(), chars.as_str()))
}

pub(super) fn assumptions(view: &LedgerView, before: &Composition, after: &Composition) -> Vec<String> {
    let mut out = vec![
        "Masses are those that were sealed; a thing weighed since has not changed them.".to_owned(),
        "Which scale weighed a thing is not sealed. A thing not weighed anew has one error on both sides; two masses \
         are otherwise taken as independent, and the sum takes the larger of two figures: all errors independent, or \
         all one scale's."
            .to_owned(),
        "A swap is one thing that went and one of the same kind that came; of several, the nearest in mass."
            .to_owned(),
    ];
    let season = |side: &LedgerSide| side.kind == LedgerSideKind::Season;
    if season(&view.from) || season(&view.to) {
        out.push(
            "A season counts as the mean of its sealed sets: a thing in 3 of 5 counts with 3/5 of its mass. Rounded \
             to the milligram by largest remainders, so that the lines add up."
                .to_owned(),
        );
    }
    let bad: Vec<&str> = before.bad_fill.union(&after.bad_fill).map(String::as_str).collect();
    if !bad.is_empty() {
        out.push(format!("The filling of {} makes no sense and was left out.", bad.join(", ")));
    }
    out
}
