//! Rule sheets from JSON and TOML, with line and column in every error.

use super::flat::{FlatRule, FlatSheet};
use super::model::{Rule, RuleSheet};
use super::place;
use super::validate::{Problem, validate};

/// The longest text that is read, in bytes.
pub const MAX_TEXT: usize = 1 << 20;
/// How deep brackets may be nested; a sheet with `any_of` four deep needs 18.
const MAX_BRACKETS: usize = 32;

/// Reads and validates a sheet in JSON.
///
/// # Errors
/// Every [`Problem`] that was found, each with its place.
pub fn parse_json(text: &str) -> Result<RuleSheet, Vec<Problem>> {
    too_long(text)?;
    if let Some(at) = place::too_deep(text, MAX_BRACKETS) {
        let problem = Problem::new("", "nested too deep: any_of may stand at most 4 deep");
        return Err(vec![problem.at(place::line_column(text, at))]);
    }
    let flat: FlatSheet = serde_json::from_str(text).map_err(|e| {
        let message = e.to_string();
        // The place is told apart from the message.
        let message = message.split(" at line ").next().unwrap_or_default().to_owned();
        vec![Problem::new("", message).at((e.line(), e.column()))]
    })?;
    finish(flat, |pointer| place::line_column(text, place::in_json(text, pointer)))
}

/// Reads and validates a sheet in TOML.
///
/// # Errors
/// Every [`Problem`] that was found, each with its place.
pub fn parse_toml(text: &str) -> Result<RuleSheet, Vec<Problem>> {
    too_long(text)?;
    if let Some(line) =
        text.lines().position(|l| l.matches('.').count() > 100 && l.split(['"', '\'']).count() == 1)
    {
        // A dotted key makes a table for each dot, and the tables are dropped one inside the other.
        return Err(vec![Problem::new("", "too many dots in a line outside of quotes").at((line + 1, 1))]);
    }
    let flat: FlatSheet = toml::from_str(text).map_err(|e| {
        let problem = Problem::new("", e.message());
        vec![match e.span() {
            Some(span) => problem.at(place::line_column(text, span.start)),
            None => problem,
        }]
    })?;
    finish(flat, |pointer| place::line_column(text, place::in_toml(text, pointer)))
}

fn too_long(text: &str) -> Result<(), Vec<Problem>> {
    if text.len() > MAX_TEXT {
        return Err(vec![Problem::new("", format!("longer than {MAX_TEXT} bytes"))]);
    }
    Ok(())
}

fn finish(flat: FlatSheet, at: impl Fn(&str) -> (usize, usize)) -> Result<RuleSheet, Vec<Problem>> {
    let mut problems = Vec::new();
    for (place, rule) in flat.rules.iter().enumerate() {
        fields(rule, &format!("/rules/{place}"), 0, &mut problems);
    }
    let located = |problems: Vec<Problem>| -> Vec<Problem> {
        problems
            .into_iter()
            .map(|p| {
                let place = at(&p.pointer);
                p.at(place)
            })
            .collect()
    };
    if !problems.is_empty() {
        return Err(located(problems));
    }
    let rules: Result<Vec<Rule>, _> = flat.rules.into_iter().map(Rule::try_from).collect();
    let rules = rules.map_err(|e| located(vec![Problem::new("/rules", e.to_string())]))?;
    let sheet = RuleSheet { name: flat.name, edition: flat.edition, rules };
    validate(&sheet).map_err(located)?;
    Ok(sheet)
}

/// Fields that are missing or belong to another need, nested rules included.
fn fields(rule: &FlatRule, pointer: &str, depth: usize, problems: &mut Vec<Problem>) {
    if let Err(error) = rule.check_fields() {
        let place = error.field().map_or_else(|| pointer.to_owned(), |f| format!("{pointer}/{f}"));
        problems.push(Problem::new(place, error.to_string()));
    }
    // The brackets of the text bound the depth; the sheet's own bound gives the better message.
    let Some(options) = &rule.options else { return };
    if depth >= super::model::MAX_DEPTH {
        let message =
            format!("rule `{}`: any_of is nested more than {} deep", rule.id, super::model::MAX_DEPTH);
        problems.push(Problem::new(format!("{pointer}/options"), message));
        return;
    }
    for (option, rules) in options.iter().enumerate() {
        for (place, rule) in rules.iter().enumerate() {
            fields(rule, &format!("{pointer}/options/{option}/{place}"), depth + 1, problems);
        }
    }
}
