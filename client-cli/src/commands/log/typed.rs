//! Numbers as they are typed: hours, distances, heads.

use domain::waterproofness::{pa_to_head, psi_to_pa};

use crate::app::App;
use crate::error::{Error, Result};

/// What is said when a value is missing.
pub struct Missing {
    /// What it is.
    pub what: &'static str,
    /// How it is asked for.
    pub question: &'static str,
    /// How it is given.
    pub example: &'static str,
}

/// The items, and the value that stands last; it is asked for when it is not there.
///
/// # Errors
/// When there is none.
pub fn last<T>(
    app: &mut App<'_>,
    words: &[String],
    missing: &Missing,
    parse: impl Fn(&str) -> Option<T>,
) -> Result<(Vec<String>, T)> {
    // A unit may stand apart from its number.
    for taken in [1, 2] {
        if words.len() > taken {
            let (items, value) = words.split_at(words.len() - taken);
            if let Some(value) = parse(&value.join(" ")) {
                return Ok((items.to_vec(), value));
            }
        }
    }
    let Missing { what, question, example } = missing;
    if !app.ui.can_ask {
        let error = match words {
            [_, .., last] if last.contains(|c: char| c.is_ascii_digit()) => {
                Error::usage(format!("{what} is missing, or {last} cannot be read as one"))
            }
            _ => Error::usage(format!("{what} is missing")),
        };
        return Err(error.hint(*example));
    }
    let answer = app.ui.ask(question)?.unwrap_or_default();
    match parse(answer.trim()) {
        Some(value) => Ok((words.to_vec(), value)),
        None => {
            let why = match answer.trim() {
                "" => format!("{what} was not given"),
                answer => format!("{answer} cannot be read as {what}"),
            };
            Err(Error::refused("nothing was saved").because(why).hint(*example))
        }
    }
}

/// A number that is not below zero, with a point or a decimal comma. A comma that could as well part thousands (`1,234`)
/// is not guessed at.
pub fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    if text.split_once(',').is_some_and(|(_, after)| after.len() == 3 || after.contains(',')) {
        return None;
    }
    // Rust also reads words such as inf as numbers.
    let plain = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || c == '.' || c == ',');
    if plain { text.replace(',', ".").parse().ok() } else { None }
}

/// To the three decimals that are stored.
fn thousandths(value: f64) -> f64 {
    (value * 1000.0).round() / 1000.0
}

/// Hours as in 6.5, 6:30, 6h, 6h30 or 45min.
///
/// # Errors
/// When it is none of these.
pub fn hours(text: &str) -> Result<f64> {
    let lower = text.trim().to_lowercase();
    let read = if let Some(minutes) = lower.strip_suffix("min") {
        number(minutes).map(|minutes| minutes / 60.0)
    } else if let Some((hours, minutes)) = lower.split_once([':', 'h']) {
        let minutes = if minutes.is_empty() && lower.ends_with('h') { Some(0.0) } else { number(minutes) };
        number(hours).zip(minutes).filter(|(_, minutes)| *minutes < 60.0).map(|(h, min)| h + min / 60.0)
    } else {
        number(&lower)
    };
    read.map(thousandths)
        .ok_or_else(|| Error::usage(format!("{text} is no number of hours")).hint("as in 6.5, 6:30 or 45min"))
}

/// Kilometres as in 42.2 or 42km.
///
/// # Errors
/// When it is no number.
pub fn kilometres(text: &str) -> Result<f64> {
    let lower = text.trim().to_lowercase();
    number(lower.strip_suffix("km").unwrap_or(&lower))
        .map(thousandths)
        .ok_or_else(|| Error::usage(format!("{text} is no distance")).hint("in kilometres, as in --km 42.2"))
}

/// `18,500` as `18500`; none when commas stand elsewhere.
fn without_thousands(digits: &str) -> Option<String> {
    let mut parts = digits.split(',');
    let first = parts.next()?;
    let rest: Vec<&str> = parts.collect();
    let placed =
        rest.iter().all(|part| part.len() == 3) && (rest.is_empty() || (1..=3).contains(&first.len()));
    placed.then(|| first.to_owned() + &rest.concat())
}

/// A head as it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Head {
    /// In whole millimetres of water.
    pub mm: i64,
    /// How the head lies to it, when a sign says so.
    pub relation: Option<&'static str>,
    /// What was typed, when it was not in millimetres.
    pub shown: Option<String>,
}

/// A head as in 18500, 1.85 m, 98 kPa or >=2000. A pressure becomes a head by the conventional factor, 9.80665 Pa/mm.
pub fn head(text: &str) -> Option<Head> {
    let text = text.trim();
    let (relation, rest) = match (text.strip_prefix(">="), text.strip_prefix('<'), text.strip_prefix('=')) {
        (Some(rest), ..) => (Some(">="), rest),
        (_, Some(rest), _) => (Some("<"), rest),
        (.., Some(rest)) => (None, rest),
        _ => (None, text),
    };
    let rest = rest.trim();
    let end = rest.find(|c: char| c.is_alphabetic()).unwrap_or(rest.len());
    let (digits, unit) = (rest[..end].trim(), rest[end..].to_lowercase());
    // Heads are whole millimetres, so that a comma can only part thousands there.
    let value = match unit.as_str() {
        "" | "mm" => number(&without_thousands(digits)?)?,
        _ => number(digits)?,
    };
    let pressure = |pa: f64| pa_to_head(pa).ok();
    let mm = match unit.as_str() {
        "" | "mm" => value,
        "cm" => value * 10.0,
        "m" => value * 1000.0,
        "pa" => pressure(value)?,
        "kpa" => pressure(value * 1000.0)?,
        "mbar" | "hpa" => pressure(value * 100.0)?,
        "bar" => pressure(value * 100_000.0)?,
        "psi" => pressure(psi_to_pa(value).ok()?)?,
        _ => return None,
    };
    let shown = (!matches!(unit.as_str(), "" | "mm")).then(|| rest.to_owned());
    // A float as an integer saturates; what is far too large is refused by the kind's own rule.
    Some(Head { mm: mm.round() as i64, relation, shown })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_are_read_in_the_ways_that_people_write_them() {
        let read = |text: &str| hours(text).ok();
        for (text, value) in [
            ("6", 6.0),
            ("6.5", 6.5),
            ("6,5", 6.5),
            ("6:30", 6.5),
            ("6h", 6.0),
            ("6h30", 6.5),
            ("45min", 0.75),
            ("0:20", 0.333),
        ] {
            assert_eq!(read(text), Some(value), "{text}");
        }
        for text in ["", "-1", "inf", "nan", "6:75", "six", "1e3", ":", "h", "1,234"] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn head_units_and_signs_are_read() {
        let read = |text: &str| head(text).map(|head| (head.mm, head.relation));
        assert_eq!(read("18500"), Some((18_500, None)));
        assert_eq!(read("18,500 mm"), Some((18_500, None)));
        assert_eq!(read("1,85 m"), Some((1850, None)));
        assert_eq!(read("185 cm"), Some((1850, None)));
        assert_eq!(read(">=2000"), Some((2000, Some(">="))));
        assert_eq!(read("< 8 m"), Some((8000, Some("<"))));
        // 1 mm of water is 9.80665 Pa by the conventional density and gravity (ISO 80000-4 gives 9.80665 m/s2, from memory).
        assert_eq!(read("98.0665 kPa"), Some((10_000, None)));
        assert_eq!(read("1 bar"), Some((10_197, None)));
        assert_eq!(head("98.0665kPa").unwrap().shown.as_deref(), Some("98.0665kPa"));
        for text in ["", "shell", "12 ft", "-5", ">=", "1e300", "18,50", "1,850 m", ",500"] {
            assert_eq!(read(text), None, "{text}");
        }
    }
}
