//! Rules in plain words.

use super::attributes::{self, Attribute};
use super::eligibility::asks;
use super::model::{ALWAYS, Need, Per, RaceDate, Rule, Scope, Test, TestValue};

/// How many kinds are named before a list would become unreadable.
const NAMED: usize = 3;

/// A number with thousands apart, at most three decimals, none when it is whole.
#[must_use]
pub fn number(value: f64) -> String {
    decimals(value, 3)
}

/// A value with its unit and the ends of its interval, no finer than the interval allows: two digits of its half width.
/// The ends are rounded outwards, so that rounding takes nothing nearer to a limit than it is.
#[must_use]
pub fn ranged(value: f64, low: f64, high: f64, unit: &str) -> String {
    let half = 0.5 * (high - low);
    let places = if half > 0.0 { (1.0 - half.log10().floor()).clamp(0.0, 3.0) } else { 3.0 };
    let (scale, places) = (10f64.powf(places), places as usize);
    // What was rounded before does not move by a last digit of the division.
    let (low, high) = ((low * scale + 1e-6).floor() / scale, (high * scale - 1e-6).ceil() / scale);
    let value = decimals(value, places);
    let value = if unit.is_empty() { value } else { format!("{value} {unit}") };
    format!("{value} ({} to {})", decimals(low, places), decimals(high, places))
}

fn decimals(value: f64, places: usize) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let text = format!("{:.places$}", value.abs());
    let (whole, decimals) = text.split_once('.').unwrap_or((&text, ""));
    let mut out = String::new();
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && (whole.len() - at) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    let decimals = decimals.trim_end_matches('0');
    let sign = if value < 0.0 { "-" } else { "" };
    if decimals.is_empty() { format!("{sign}{out}") } else { format!("{sign}{out}.{decimals}") }
}

/// A number with its unit.
#[must_use]
pub fn with_unit(value: f64, unit: &str) -> String {
    if unit.is_empty() { number(value) } else { format!("{} {unit}", number(value)) }
}

/// A rule by its title, or its id.
#[must_use]
pub fn name_of(rule: &Rule) -> &str {
    if rule.title.is_empty() { &rule.id } else { &rule.title }
}

/// What a need asks for, in a few words: "shell jacket", "gloves or over-mitts", "item".
#[must_use]
pub fn thing(need: &Need) -> String {
    let kinds = asks(need).map_or(&[][..], |(kinds, _)| kinds);
    let words: Vec<&str> = kinds.iter().take(NAMED).map(|k| k.words()).collect();
    match words.split_last() {
        None => "item".to_owned(),
        Some((last, [])) => (*last).to_owned(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

/// What a test compares with, in words.
#[must_use]
pub fn limit_words(value: &TestValue, attribute: &Attribute) -> String {
    match value {
        TestValue::Number(n) => with_unit(*n, attribute.unit),
        TestValue::Bool(b) => if *b { "yes" } else { "no" }.to_owned(),
        TestValue::Text(t) => match super::candidate::parse_size(t) {
            Some((a, b)) => format!("{} x {} mm", number(a), number(b)),
            None => format!("\"{t}\""),
        },
        TestValue::List(list) => {
            list.iter().map(|one| limit_words(one, attribute)).collect::<Vec<_>>().join(", ")
        }
        TestValue::Race { race: RaceDate::StartOn } => "the day of the start".to_owned(),
        TestValue::Race { race: RaceDate::FinishOn } => "the day of the finish".to_owned(),
    }
}

/// One test in words: "hydrostatic head >= 10,000 mm", "taped seams: yes".
#[must_use]
pub fn test_words(test: &Test) -> String {
    let Some(attribute) = attributes::find(&test.attribute) else { return test.attribute.clone() };
    let limit = limit_words(&test.value, attribute);
    match (&test.value, test.op.sign()) {
        (TestValue::Bool(_), "=") => format!("{}: {limit}", attribute.words),
        (_, sign) => format!("{} {sign} {limit}", attribute.words),
    }
}

fn with_tests(tests: &[Test]) -> String {
    if tests.is_empty() {
        return String::new();
    }
    format!(" with {}", tests.iter().map(test_words).collect::<Vec<_>>().join(" and "))
}

/// What a need asks for, in words.
#[must_use]
pub fn need_words(need: &Need) -> String {
    match need {
        Need::Count { count, tests, .. } => format!("{count} x {}{}", thing(need), with_tests(tests)),
        Need::Total { measure, at_least, at_most, tests, reserve, .. } => {
            let attribute = attributes::find(measure);
            let (words, unit) = attribute.map_or((measure.as_str(), ""), |a| (a.words, a.unit));
            let mut limits = Vec::new();
            limits.extend(at_least.map(|v| format!("at least {}", with_unit(v, unit))));
            limits.extend(at_most.map(|v| format!("at most {}", with_unit(v, unit))));
            let kept = if *reserve { ", kept in reserve" } else { "" };
            format!("{words} of {}{}: {}{kept}", thing(need), with_tests(tests), limits.join(", "))
        }
        Need::Burn { margin } => format!("light for the dark hours and {} % more", number(margin * 100.0)),
        Need::AnyOf { options } => {
            let option =
                |o: &Vec<Rule>| o.iter().map(|r| need_words(&r.need)).collect::<Vec<_>>().join(" and ");
            options.iter().map(option).map(|o| format!("({o})")).collect::<Vec<_>>().join(" or ")
        }
        Need::Pair { for_rule, same_attribute, .. } => {
            let words = attributes::find(same_attribute).map_or(same_attribute.as_str(), |a| a.words);
            format!("for each unit of rule `{for_rule}` a {} of the same {words}", thing(need))
        }
        Need::Forbid { tests, .. } => format!("no {}{}", thing(need), with_tests(tests)),
    }
}

/// When and for whom a rule holds, in words; empty when it holds at the start for each runner.
#[must_use]
pub fn scope_words(rule: &Rule) -> String {
    let mut words = Vec::new();
    if rule.when != ALWAYS {
        words.push(format!("when the organiser switches on `{}`", rule.when));
    }
    match rule.scope {
        None | Some(Scope::Start) => {}
        Some(Scope::AtAllTimes) => words.push("at all times".to_owned()),
        Some(Scope::Night) => words.push("at night".to_owned()),
        Some(Scope::Leg) => words.push("on each leg".to_owned()),
    }
    if rule.per == Some(Per::Team) {
        words.push("once for the team".to_owned());
    }
    if rule.times_days {
        words.push("for each day".to_owned());
    }
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranged_no_finer_than_the_interval_and_ends_outwards() {
        assert_eq!(ranged(10_368.127, 9_506.079, 11_308.349, "mm"), "10,368 mm (9,506 to 11,309)");
        assert_eq!(ranged(189.0, 188.307, 189.693, "g"), "189 g (188.3 to 189.7)");
        assert_eq!(ranged(21.4, 20.675, 22.125, ""), "21.4 (20.67 to 22.13)");
        assert_eq!(ranged(0.012_34, 0.012_3, 0.012_4, "g"), "0.012 g (0.012 to 0.013)");
        assert_eq!(ranged(5.0, 5.0, 5.0, "g"), "5 g (5 to 5)");
    }
}
