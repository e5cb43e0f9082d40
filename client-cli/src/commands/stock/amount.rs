//! `12 gel`: how many of what.

use crate::error::{Error, Result};

/// How many, and of what. The number stands first or last.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amount {
    /// Whole units.
    pub units: i64,
    /// A part of a name or a tag.
    pub item: String,
}

/// Reads one.
///
/// # Errors
/// When there is no number, or no item beside it.
pub fn read(text: &str) -> Result<Amount> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let hint = "how many of what, as in: tare stock count 9 gel";
    let (units, item) = match words.as_slice() {
        [first, rest @ ..] if number(first).is_some() => (number(first), rest),
        [rest @ .., last] if number(last).is_some() => (number(last), rest),
        _ => return Err(Error::usage(format!("{text} has no number of whole units")).hint(hint)),
    };
    if item.is_empty() {
        return Err(Error::usage(format!("{text} of what?")).hint(hint));
    }
    Ok(Amount { units: units.unwrap_or(0), item: item.join(" ") })
}

/// `12` or `12x`.
fn number(word: &str) -> Option<i64> {
    let digits = word.strip_suffix(['x', 'X']).unwrap_or(word);
    if digits.is_empty() || !digits.chars().all(|c| c.is_ascii_digit()) {
        return None;
    }
    // What does not fit is refused with the greatest number that is kept.
    Some(digits.parse().unwrap_or(i64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn read_number_first_or_last_and_nothing_else() {
        let gel = |units| Ok(Amount { units, item: "gel".to_owned() });
        assert_eq!(read("12 gel"), gel(12));
        assert_eq!(read("gel 12"), gel(12));
        assert_eq!(read("12x gel"), gel(12));
        assert_eq!(read("0 gel"), gel(0));
        assert_eq!(read("3 bar 2").map(|one| (one.units, one.item)), Ok((3, "bar 2".to_owned())));
        for wrong in ["", "gel", "12", "-3 gel", "1.5 gel", "x gel"] {
            assert!(read(wrong).is_err(), "{wrong}");
        }
    }
}
