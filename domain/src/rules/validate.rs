//! What makes a sheet wrong, with the place.

use std::collections::HashMap;
use std::fmt;

use chrono::{Datelike, NaiveDate};

use super::attributes::{self, Attribute, Type};
use super::candidate::parse_size;
use super::eligibility::same_word;
use super::model::{
    Evidence, MAX_ALTERNATIVES, MAX_COUNT, MAX_DEPTH, MAX_NUMBER, MAX_OPTIONS, MAX_PAIRED_COUNT, MAX_RULES,
    MAX_TESTS, Need, Op, Rule, RuleSheet, Test, TestValue,
};
use crate::units::to_scaled;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Where: a JSON pointer (RFC 6901) into the sheet, empty for the whole.
    pub pointer: String,
    /// What.
    pub message: String,
    /// Line and column in the text that was read, both from 1.
    pub place: Option<(usize, usize)>,
}

impl Problem {
    /// Without a place in a text.
    #[must_use]
    pub fn new(pointer: impl Into<String>, message: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), message: message.into(), place: None }
    }

    /// With its place in a text.
    #[must_use]
    pub fn at(mut self, place: (usize, usize)) -> Self {
        self.place = Some(place);
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((line, column)) = self.place {
            write!(f, "line {line}, column {column}: ")?;
        }
        f.write_str(&self.message)?;
        if self.pointer.is_empty() { Ok(()) } else { write!(f, " (at {})", self.pointer) }
    }
}

impl std::error::Error for Problem {}

/// Checks a sheet.
///
/// # Errors
/// Every problem that was found, in the order of the sheet: two rules of one id, an attribute that the registry does
/// not have, a value of the wrong type, a number that is not finite, negative, finer than a thousandth or beyond what
/// any item can have, tests that contradict each other, a `pair` for no rule, nesting and sizes beyond the bounds.
pub fn validate(sheet: &RuleSheet) -> Result<(), Vec<Problem>> {
    let mut check = Check { sheet, problems: Vec::new(), ids: HashMap::new(), rules: 0 };
    check.text("/name", &sheet.name, 200, true);
    check.text("/edition", &sheet.edition, 100, false);
    for (place, rule) in sheet.rules.iter().enumerate() {
        check.rule(rule, &sheet.rules, &format!("/rules/{place}"), 0);
    }
    if check.rules > MAX_RULES {
        check.problem("/rules", format!("{} rules, and at most {MAX_RULES} are allowed", check.rules));
    }
    if check.problems.is_empty() { Ok(()) } else { Err(check.problems) }
}

struct Check<'a> {
    sheet: &'a RuleSheet,
    problems: Vec<Problem>,
    ids: HashMap<&'a str, String>,
    rules: usize,
}

impl<'a> Check<'a> {
    fn problem(&mut self, pointer: impl Into<String>, message: impl Into<String>) {
        self.problems.push(Problem::new(pointer, message));
    }

    fn text(&mut self, pointer: &str, text: &str, longest: usize, required: bool) {
        if required && text.trim().is_empty() {
            self.problem(pointer, "must not be empty");
        }
        if text.chars().count() > longest {
            self.problem(pointer, format!("longer than {longest} characters"));
        }
        if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') {
            self.problem(pointer, "holds control characters");
        }
    }

    fn rule(&mut self, rule: &'a Rule, beside: &'a [Rule], at: &str, depth: usize) {
        self.rules += 1;
        if self.rules > MAX_RULES {
            return;
        }
        self.text(&format!("{at}/id"), &rule.id, 100, true);
        self.text(&format!("{at}/title"), &rule.title, 200, false);
        self.text(&format!("{at}/wording"), &rule.wording, 4000, false);
        self.text(&format!("{at}/when"), &rule.when, 60, true);
        if let Some(first) = self.ids.get(rule.id.as_str()) {
            let message = format!("two rules have the id `{}`: {first} and {at}", rule.id);
            self.problem(format!("{at}/id"), message);
        } else {
            self.ids.insert(&rule.id, at.to_owned());
        }
        if rule.max_age_d.is_some_and(|d| d > 36_500) {
            self.problem(format!("{at}/max_age_d"), "must be at most 36500 days");
        }
        if rule.evidence_wanted == Some(Evidence::None) {
            self.problem(format!("{at}/evidence_wanted"), "`none` asks for nothing: leave it out");
        }
        if rule.times_days && !matches!(rule.need, Need::Total { .. }) {
            self.problem(format!("{at}/times_days"), "only a total is multiplied by days");
        }
        match &rule.need {
            Need::Count { kinds, count, tests } => {
                if !(1..=MAX_COUNT).contains(count) {
                    self.problem(format!("{at}/count"), format!("must be from 1 to {MAX_COUNT}"));
                }
                self.asks(kinds.is_empty(), tests, at);
            }
            Need::Forbid { kinds, tests } => self.asks(kinds.is_empty(), tests, at),
            Need::Total { measure, at_least, at_most, tests, reserve, .. } => {
                self.total(measure, *at_least, *at_most, *reserve, at);
                self.tests(tests, at);
            }
            Need::Burn { margin } => self.number(&format!("{at}/margin"), *margin, 0.0, 10.0),
            Need::Pair { for_rule, kinds, same_attribute } => {
                if kinds.is_empty() {
                    self.problem(format!("{at}/kinds"), "a pair names the kinds of the partner");
                }
                self.attribute(&format!("{at}/same_attribute"), same_attribute);
                self.pair(rule, for_rule, beside, at);
            }
            Need::AnyOf { options } => self.any_of(rule, options, at, depth),
        }
    }

    fn any_of(&mut self, rule: &'a Rule, options: &'a [Vec<Rule>], at: &str, depth: usize) {
        let here = format!("{at}/options");
        if depth >= MAX_DEPTH {
            self.problem(here, format!("rule `{}`: any_of is nested more than {MAX_DEPTH} deep", rule.id));
            return;
        }
        if options.is_empty() || options.len() > MAX_OPTIONS {
            self.problem(&here, format!("must hold from 1 to {MAX_OPTIONS} options"));
        }
        for (place, option) in options.iter().take(MAX_OPTIONS).enumerate() {
            let here = format!("{here}/{place}");
            if option.is_empty() || option.len() > MAX_OPTIONS {
                self.problem(&here, format!("an option must hold from 1 to {MAX_OPTIONS} rules"));
            }
            for (place, rule) in option.iter().take(MAX_OPTIONS).enumerate() {
                self.rule(rule, option, &format!("{here}/{place}"), depth + 1);
            }
        }
        if depth == 0 && ways(rule, 0) > MAX_ALTERNATIVES {
            self.problem(here, format!("the options multiply to more than {MAX_ALTERNATIVES} sets"));
        }
    }

    fn asks(&mut self, every_kind: bool, tests: &[Test], at: &str) {
        if every_kind && tests.is_empty() {
            self.problem(format!("{at}/kinds"), "name kinds, or a test: as it stands every item is meant");
        }
        self.tests(tests, at);
    }

    fn total(&mut self, measure: &str, least: Option<f64>, most: Option<f64>, reserve: bool, at: &str) {
        let here = format!("{at}/measure");
        if let Some(attribute) = self.attribute(&here, measure)
            && attribute.of != Type::Number
        {
            self.problem(here, format!("`{measure}` is not a number, so it has no total"));
        }
        if least.is_none() && most.is_none() {
            self.problem(at, "a total needs `at_least` or `at_most`");
        }
        if let Some(least) = least {
            self.number(&format!("{at}/at_least"), least, 0.0, MAX_NUMBER);
            if least == 0.0 {
                self.problem(format!("{at}/at_least"), "every loadout has at least 0: leave it out");
            }
        }
        if let Some(most) = most {
            self.number(&format!("{at}/at_most"), most, 0.0, MAX_NUMBER);
        }
        if least.zip(most).is_some_and(|(least, most)| least > most) {
            self.problem(
                format!("{at}/at_most"),
                "nothing can ever meet it: at_least is greater than at_most",
            );
        }
        if reserve && least.is_none() {
            self.problem(format!("{at}/reserve"), "a reserve needs `at_least`");
        }
    }

    fn pair(&mut self, rule: &Rule, for_rule: &str, beside: &[Rule], at: &str) {
        let here = format!("{at}/for");
        let found = beside.iter().chain(&self.sheet.rules).find(|r| r.id == for_rule);
        match found.map(|r| (&r.need, r.id == rule.id)) {
            None => {
                let message =
                    format!("no rule beside this one or of the sheet itself has the id `{for_rule}`");
                self.problem(here, message);
            }
            Some((Need::Count { count, .. }, false)) => {
                if *count > MAX_PAIRED_COUNT {
                    let message = format!(
                        "partners can be asked for at most {MAX_PAIRED_COUNT} units, and `{for_rule}` has {count}"
                    );
                    self.problem(here, message);
                }
            }
            Some(_) => self.problem(here, format!("`{for_rule}` is not a rule with need `count`")),
        }
    }

    fn number(&mut self, pointer: &str, value: f64, low: f64, high: f64) {
        if !value.is_finite() {
            self.problem(pointer, "must be a finite number");
        } else if value < low || value > high {
            self.problem(pointer, format!("must be from {low} to {high}"));
        } else if to_scaled(value, 3).is_err() {
            self.problem(pointer, "has more than 3 decimals");
        }
    }

    fn attribute(&mut self, pointer: &str, name: &str) -> Option<&'static Attribute> {
        let found = attributes::find(name);
        if found.is_none() {
            let shown: String = name.chars().take(60).collect();
            let hint =
                attributes::nearest(name).map(|n| format!("; did you mean `{n}`?")).unwrap_or_default();
            self.problem(pointer, format!("unknown attribute `{shown}`{hint}"));
        }
        found
    }

    fn tests(&mut self, tests: &[Test], at: &str) {
        if tests.len() > MAX_TESTS {
            self.problem(format!("{at}/where"), format!("more than {MAX_TESTS} tests"));
            return;
        }
        let before = self.problems.len();
        for (place, test) in tests.iter().enumerate() {
            let here = format!("{at}/where/{place}");
            if let Some(attribute) = self.attribute(&format!("{here}/attribute"), &test.attribute) {
                self.test(attribute, test, &here);
            }
        }
        if self.problems.len() == before
            && let Some(place) = contradiction(tests)
        {
            let message = format!(
                "no item can ever meet this together with the other tests of `{}`",
                tests[place].attribute
            );
            self.problem(format!("{at}/where/{place}"), message);
        }
    }

    fn test(&mut self, attribute: &'static Attribute, test: &Test, at: &str) {
        let here = format!("{at}/value");
        let one = |value: &TestValue| -> Result<(), String> { fits(attribute, value) };
        let problem = match (&test.value, test.op) {
            (TestValue::List(list), Op::In) if list.is_empty() => {
                Err("an empty list: no item can ever meet it".to_owned())
            }
            (TestValue::List(list), Op::In) if list.len() > 64 => Err("a list of more than 64".to_owned()),
            (TestValue::List(list), Op::In) => match attribute.of {
                Type::Number | Type::Text => list.iter().try_for_each(one),
                _ => Err(format!("`in` does not go with `{}`", attribute.name)),
            },
            (TestValue::List(_), _) => Err("a list goes with `in` only".to_owned()),
            (_, Op::In) => Err("`in` wants a list".to_owned()),
            (value, op) => match (attribute.of, op) {
                (Type::Boolean | Type::Text, Op::AtLeast | Op::AtMost) => Err(format!(
                    "`{}` has no order: use `=`, `!=`{}",
                    attribute.name,
                    if attribute.of == Type::Text { " or `in`" } else { "" }
                )),
                _ => one(value),
            },
        };
        if let Err(message) = problem {
            self.problem(here, message);
        }
    }
}

/// Whether a value is of the attribute's type and within what any item can have.
fn fits(attribute: &Attribute, value: &TestValue) -> Result<(), String> {
    let name = attribute.name;
    match (attribute.of, value) {
        (Type::Number, TestValue::Number(n)) => {
            if !n.is_finite() {
                return Err("must be a finite number".to_owned());
            }
            if *n < attribute.low || *n > attribute.high {
                let (low, high) = (attribute.low, attribute.high);
                return Err(format!(
                    "`{name}` is from {low} to {high} {}: no item can ever have {n}",
                    attribute.unit
                ));
            }
            to_scaled(*n, 3).map(|_| ()).map_err(|_| "has more than 3 decimals".to_owned())
        }
        (Type::Boolean, TestValue::Bool(_)) | (Type::Date, TestValue::Race { .. }) => Ok(()),
        (Type::Text, TestValue::Text(t)) if !t.trim().is_empty() && t.chars().count() <= 100 => Ok(()),
        (Type::Text, TestValue::Text(_)) => Err("a text of 1 to 100 characters is wanted".to_owned()),
        (Type::Date, TestValue::Text(t))
            if t.parse::<NaiveDate>().is_ok_and(|d| (1900..=2200).contains(&d.year())) =>
        {
            Ok(())
        }
        (Type::Size, TestValue::Text(t)) if parse_size(t).is_some() => Ok(()),
        (Type::Number, _) => Err(format!("`{name}` takes a number in {}", attribute.unit)),
        (Type::Boolean, _) => Err(format!("`{name}` takes true or false")),
        (Type::Text, _) => Err(format!("`{name}` takes a text")),
        (Type::Date, _) => {
            Err(format!("`{name}` takes a day such as 2026-08-28, or {{\"race\": \"finish_on\"}}"))
        }
        (Type::Size, _) => Err(format!("`{name}` takes two sides in millimetres, such as 1400x2000")),
    }
}

/// The first test that contradicts those before it, if any.
fn contradiction(tests: &[Test]) -> Option<usize> {
    (1..tests.len()).find(|at| {
        let same: Vec<&Test> = tests[..=*at].iter().filter(|t| t.attribute == tests[*at].attribute).collect();
        same.len() > 1 && !satisfiable(&same)
    })
}

/// Whether some value passes all tests of one attribute. Dates of the race are left aside, for they vary.
fn satisfiable(tests: &[&Test]) -> bool {
    let as_number = |v: &TestValue| match v {
        TestValue::Number(n) => Some(*n),
        TestValue::Text(t) => t.parse::<NaiveDate>().ok().map(|d| f64::from(d.num_days_from_ce())),
        _ => None,
    };
    let same = |a: &TestValue, b: &TestValue| match (a, b) {
        (TestValue::Text(a), TestValue::Text(b)) => same_word(a, b),
        (a, b) => a == b,
    };
    let passes = |value: &TestValue, test: &&Test| match (test.op, &test.value) {
        (_, TestValue::Race { .. }) => true,
        (Op::Equal, limit) => same(value, limit),
        (Op::NotEqual, limit) => !same(value, limit),
        (Op::In, TestValue::List(list)) => list.iter().any(|one| same(value, one)),
        (op, limit) => match (as_number(value), as_number(limit)) {
            (Some(v), Some(l)) => {
                if op == Op::AtLeast {
                    v >= l
                } else {
                    v <= l
                }
            }
            _ => true,
        },
    };
    // Where a test names values, one of them must pass everything; else only the ends of the range can clash.
    for test in tests {
        let named: &[TestValue] = match (test.op, &test.value) {
            (_, TestValue::Race { .. }) => continue,
            (Op::Equal, value) => std::slice::from_ref(value),
            (Op::In, TestValue::List(list)) => list,
            _ => continue,
        };
        return named.iter().any(|value| tests.iter().all(|test| passes(value, test)));
    }
    let bool_excluded = |b: bool| tests.iter().any(|t| t.op == Op::NotEqual && t.value == TestValue::Bool(b));
    if bool_excluded(true) && bool_excluded(false) {
        return false;
    }
    let limits = |op: Op| tests.iter().filter(move |t| t.op == op).filter_map(|t| as_number(&t.value));
    let low = limits(Op::AtLeast).fold(f64::NEG_INFINITY, f64::max);
    let high = limits(Op::AtMost).fold(f64::INFINITY, f64::min);
    low <= high && !(low == high && limits(Op::NotEqual).any(|n| n == low))
}

/// How many sets of simple needs a rule multiplies to.
fn ways(rule: &Rule, depth: usize) -> usize {
    let Need::AnyOf { options } = &rule.need else { return 1 };
    if depth >= MAX_DEPTH {
        return 0;
    }
    let of = |option: &Vec<Rule>| option.iter().fold(1usize, |n, r| n.saturating_mul(ways(r, depth + 1)));
    options.iter().map(of).fold(0, usize::saturating_add)
}
