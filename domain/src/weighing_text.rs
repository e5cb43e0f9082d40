//! A mass as a person types it: `412`, `412 g`, `0.412 kg`, `14.5 oz`, `1 lb 2.3 oz`, `412,5`.
//!
//! The comma is a decimal mark. A comma that could as well part thousands (`1,234`) is refused rather than guessed,
//! because a wrong guess is wrong by a factor of a thousand.

use crate::mass_unit::{Decimal, DecimalError, MAX_DIGITS, MassUnit};
use crate::units::ReadingMg;

/// The longest text that is read, in bytes.
pub const MAX_TEXT: usize = 64;

/// A typed mass: the number, and the text and unit it came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TypedMass {
    /// The value, rounded to 1 mg.
    pub reading: ReadingMg,
    /// The text as typed, without the blanks around it.
    pub raw: String,
    /// The unit it was given in; for `1 lb 2.3 oz` the finer one.
    pub unit: MassUnit,
    /// Whether the unit was typed; if not, `unit` is the assumed one.
    pub unit_given: bool,
    /// What one step of the last typed digit is worth, in mg: the reading cannot be finer than this.
    pub last_digit_mg: i64,
    /// Whether the conversion needed no rounding.
    pub exact: bool,
}

/// What is wrong with a typed mass, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{what} (at character {})", at + 1)]
pub struct WeighingTextError {
    /// Byte position in the text that was given, from 0.
    pub at: usize,
    /// What is wrong there.
    pub what: WeighingTextFault,
}

/// What can be wrong with a typed mass.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WeighingTextFault {
    /// Nothing but blanks.
    #[error("a mass is wanted, such as 412, 412 g or 14.5 oz")]
    Empty,
    /// Longer than [`MAX_TEXT`].
    #[error("this is too long for a mass")]
    TooLong,
    /// A number should stand here.
    #[error("a number is wanted here")]
    NumberWanted,
    /// More digits than any scale shows.
    #[error("a scale does not show more than {MAX_DIGITS} digits")]
    TooManyDigits,
    /// Two decimal marks in one number.
    #[error("a number has one decimal mark; write thousands without separators")]
    TwoMarks,
    /// `1,234`: a decimal comma or a thousands separator.
    #[error("the comma could be a decimal mark or part thousands: write 1.234 or 1234")]
    AmbiguousComma,
    /// A word that is no unit of mass.
    #[error("'{0}' is not a unit of mass known here; use g, kg, mg, oz or lb")]
    UnknownUnit(String),
    /// A word that means different masses to different people.
    #[error("'{0}' means different masses to different people; write g for grams")]
    AmbiguousUnit(String),
    /// Two parts that do not go together, such as `5 oz 3 g`.
    #[error("only pounds then ounces, or kilograms then grams, go together")]
    PartsDoNotFit,
    /// A fraction in the larger part, such as `1.5 lb 2 oz`.
    #[error("with a smaller unit after it, this must be a whole number")]
    FractionInFirstPart,
    /// Too much in the smaller part, such as `1 lb 17 oz`.
    #[error("the smaller part must be less than one {0}")]
    SecondPartTooLarge(MassUnit),
    /// A sign anywhere but in front.
    #[error("a sign may stand only in front")]
    MisplacedSign,
    /// Text after the end of the mass.
    #[error("nothing may follow the mass")]
    Trailing,
    /// More than a reading can hold.
    #[error("the mass must be less than 1000 kg")]
    OutOfRange,
}

use WeighingTextFault as Fault;

fn fault(at: usize, what: Fault) -> WeighingTextError {
    WeighingTextError { at, what }
}

struct Part<'a> {
    at: usize,
    digits: &'a str,
    value: Decimal,
    unit: Option<MassUnit>,
}

struct Cursor<'a> {
    text: &'a str,
    at: usize,
}

impl<'a> Cursor<'a> {
    fn rest(&self) -> &'a str {
        self.text.get(self.at..).unwrap_or("")
    }

    fn take(&mut self, keep: impl Fn(char) -> bool) -> &'a str {
        let rest = self.rest();
        let taken = &rest[..rest.find(|c| !keep(c)).unwrap_or(rest.len())];
        self.at += taken.len();
        taken
    }

    fn part(&mut self) -> Result<Part<'a>, WeighingTextError> {
        self.take(char::is_whitespace);
        let at = self.at;
        let digits = self.take(|c| c.is_ascii_digit() || c == '.' || c == ',');
        let value = Decimal::from_digits(digits).map_err(|error| match error {
            DecimalError::TooManyDigits => fault(at, Fault::TooManyDigits),
            DecimalError::NotANumber => {
                let second = digits.match_indices(['.', ',']).nth(1).map_or(0, |(i, _)| i);
                fault(at + second, Fault::TwoMarks)
            }
            DecimalError::NoDigit if matches!(self.rest().chars().next(), Some('+' | '-' | '\u{2212}')) => {
                fault(at, Fault::MisplacedSign)
            }
            DecimalError::NoDigit => fault(at, Fault::NumberWanted),
        })?;
        self.take(char::is_whitespace);
        let unit_at = self.at;
        let word = self.take(char::is_alphabetic);
        let unit = match word {
            "" => None,
            _ if word.eq_ignore_ascii_case("gr") => {
                return Err(fault(unit_at, Fault::AmbiguousUnit(word.to_owned())));
            }
            _ => Some(
                MassUnit::from_word(word)
                    .ok_or_else(|| fault(unit_at, Fault::UnknownUnit(word.to_owned())))?,
            ),
        };
        self.take(char::is_whitespace);
        Ok(Part { at, digits, value, unit })
    }
}

/// Refuses `1,234`, `12,500` and `412,000`, where one to three digits without a leading zero stand before a comma and
/// three after it, unless the other reading of the comma is out of range anyway (as for `1,234 kg`).
fn check_comma(part: &Part<'_>, unit: MassUnit) -> Result<(), WeighingTextError> {
    let Some((before, after)) = part.digits.split_once(',') else { return Ok(()) };
    let looks_like_thousands =
        after.len() == 3 && (1..=3).contains(&before.len()) && !before.starts_with('0');
    let as_thousands = Decimal { exponent: 0, ..part.value }.to_reading(unit);
    if looks_like_thousands && as_thousands.is_some() {
        return Err(fault(part.at + before.len(), Fault::AmbiguousComma));
    }
    Ok(())
}

/// Reads a typed mass. Without a unit it is in `assumed`.
///
/// # Errors
/// [`WeighingTextError`] with the byte position in `text` and what is wrong there.
pub fn parse_mass(text: &str, assumed: MassUnit) -> Result<TypedMass, WeighingTextError> {
    let raw = text.trim();
    if raw.is_empty() {
        return Err(fault(0, Fault::Empty));
    }
    if raw.len() > MAX_TEXT {
        return Err(fault(text.len() - text.trim_start().len(), Fault::TooLong));
    }
    let mut cursor = Cursor { text: text.trim_end(), at: 0 };
    cursor.take(char::is_whitespace);
    let start = cursor.at;
    let negative = cursor.rest().starts_with(['-', '\u{2212}']);
    if let Some(sign) = cursor.rest().chars().next().filter(|c| matches!(c, '+' | '-' | '\u{2212}')) {
        cursor.at += sign.len_utf8();
    }

    let first = cursor.part()?;
    let unit = first.unit.unwrap_or(assumed);
    check_comma(&first, unit)?;
    let mut parts = vec![(first.value, unit)];
    if first.unit.is_some() && cursor.rest().starts_with(|c: char| c.is_ascii_digit() || c == '.' || c == ',')
    {
        let second = cursor.part()?;
        let finer = match (unit, second.unit) {
            (MassUnit::Pound, Some(MassUnit::Ounce)) => MassUnit::Ounce,
            (MassUnit::Kilogram, Some(MassUnit::Gram)) => MassUnit::Gram,
            _ => return Err(fault(second.at, Fault::PartsDoNotFit)),
        };
        if first.value.exponent != 0 {
            return Err(fault(first.at, Fault::FractionInFirstPart));
        }
        check_comma(&second, finer)?;
        let one = Decimal { mantissa: 1, exponent: 0 }.to_mg(unit);
        if second.value.to_mg(finer) >= one {
            return Err(fault(second.at, Fault::SecondPartTooLarge(unit)));
        }
        parts.push((second.value, finer));
    }
    match cursor.rest().chars().next() {
        None => {}
        Some('+' | '-' | '\u{2212}') => return Err(fault(cursor.at, Fault::MisplacedSign)),
        Some(_) => return Err(fault(cursor.at, Fault::Trailing)),
    }

    let out_of_range = || fault(start, Fault::OutOfRange);
    // A second part is the same number in the finer unit: 1 lb 2.3 oz is 18.3 oz, rounded once.
    let (total, unit) = match parts[..] {
        [(coarse, coarse_unit), (fine, fine_unit)] => {
            let per = if coarse_unit == MassUnit::Pound { 16 } else { 1000 };
            let total = coarse.mantissa.checked_mul(per).and_then(|whole| fine.plus_whole(whole));
            (total.ok_or_else(out_of_range)?, fine_unit)
        }
        _ => parts[0],
    };
    let signed = if negative { total.negated() } else { total };
    let (mg, exact) = signed.to_mg(unit).ok_or_else(out_of_range)?;
    Ok(TypedMass {
        reading: ReadingMg::from_scaled(mg).map_err(|_| out_of_range())?,
        raw: raw.to_owned(),
        unit,
        unit_given: first.unit.is_some(),
        last_digit_mg: total.last_digit_mg(unit).ok_or_else(out_of_range)?,
        exact,
    })
}

#[cfg(test)]
mod tests;
