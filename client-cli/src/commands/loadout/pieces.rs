//! What a person types after `put` and `drop`: `shell, gloves, 10 gel @front-left`.

use crate::error::{Error, Result};

/// One thing with its number and its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// How many units, when a number stands in front.
    pub units: Option<u32>,
    /// What is called so.
    pub name: String,
    /// The name with the number in front: an item may be called "5 panel cap".
    pub whole: String,
    /// What stands after the @.
    pub place: Option<String>,
}

/// The most units of a line.
const MOST: u32 = 10_000;

/// Reads the pieces; they are told apart by commas.
///
/// # Errors
/// When there is none, or one has no name or an impossible number.
pub fn pieces(words: &[String]) -> Result<Vec<Piece>> {
    let text = words.join(" ");
    let pieces: Vec<Piece> =
        text.split(',').map(str::trim).filter(|piece| !piece.is_empty()).map(piece).collect::<Result<_>>()?;
    if pieces.is_empty() {
        return Err(Error::usage("no item was named").hint("as in: shell, gloves, 10 gel @front-left"));
    }
    Ok(pieces)
}

fn piece(text: &str) -> Result<Piece> {
    let (whole, place) = match text.split_once('@') {
        Some((whole, place)) => (whole.trim(), Some(place.trim())),
        None => (text, None),
    };
    if place == Some("") {
        return Err(
            Error::usage(format!("{text} names no place after the @")).hint("as in: 10 gel @front-left")
        );
    }
    let (units, name) = numbered(whole);
    if name.is_empty() {
        return Err(Error::usage(format!("{text} names no item")).hint("as in: 10 gel @front-left"));
    }
    if let Some(units) = units
        && !(1..=u64::from(MOST)).contains(&units)
    {
        return Err(Error::usage(format!("{text}: from 1 to {MOST} units")));
    }
    Ok(Piece {
        units: units.and_then(|units| u32::try_from(units).ok()),
        name: name.to_owned(),
        whole: whole.to_owned(),
        place: place.map(str::to_owned),
    })
}

/// A number in front of a name: `10 gel`, `10x gel`, `10 x gel`.
#[must_use]
pub fn numbered(text: &str) -> (Option<u64>, &str) {
    let digits = text.len() - text.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    let (number, rest) = text.split_at(digits);
    let Ok(number) = number.parse::<u64>() else { return (None, text) };
    let times = |rest: &str| {
        rest.strip_prefix(['x', 'X', '\u{d7}']).filter(|rest| rest.starts_with(' ')).map(str::len)
    };
    let spaced = rest.trim_start();
    let name = match times(spaced) {
        Some(length) => spaced[spaced.len() - length..].trim_start(),
        // "3rd bottle" is a name.
        None if rest.starts_with(' ') => spaced,
        None => return (None, text),
    };
    if name.is_empty() { (None, text) } else { (Some(number), name) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_numbers_names_and_places_are_told_apart() {
        let words =
            ["shell,".to_owned(), "10 gel @front-left, 2x bar, 3 x".to_owned(), "flask@hand".to_owned()];
        let read: Vec<(Option<u32>, String, Option<String>)> =
            pieces(&words).unwrap().into_iter().map(|piece| (piece.units, piece.name, piece.place)).collect();
        let own = |units, name: &str, place: Option<&str>| (units, name.to_owned(), place.map(str::to_owned));
        assert_eq!(
            read,
            [
                own(None, "shell", None),
                own(Some(10), "gel", Some("front-left")),
                own(Some(2), "bar", None),
                own(Some(3), "flask", Some("hand")),
            ]
        );
        assert_eq!(numbered("3rd bottle"), (None, "3rd bottle"));
        assert_eq!(numbered("10"), (None, "10"));
    }

    #[test]
    fn pieces_without_a_name_or_with_impossible_numbers_are_refused() {
        for wrong in ["", " , ", "gel @", "@hand", "0 gel", "10001 gel", "99999999999 gel"] {
            assert!(pieces(&[wrong.to_owned()]).is_err(), "{wrong}");
        }
    }
}
