//! One line of text from a scale.
//!
//! There is no standard for these lines. What is read here is what their common shapes share (common practice, no
//! source): status words before or after the value, a sign that may stand apart from its digits, one number with a
//! decimal point or comma, a unit, and separators. A line with anything else in it is refused rather than guessed,
//! since a wrong mass looks like a right one.

use domain::mass_unit::{Decimal, DecimalError, MassUnit};
use domain::units::ReadingMg;

/// The longest line that is read, in bytes.
pub const MAX_LINE: usize = 256;

/// What a particular scale leaves unsaid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineRules {
    /// The unit of a value that is sent without one.
    pub unit: MassUnit,
    /// Whether the scale leaves the unit out while it is unstable, as some do.
    pub no_unit_is_unstable: bool,
}

impl Default for LineRules {
    fn default() -> Self {
        Self { unit: MassUnit::Gram, no_unit_is_unstable: false }
    }
}

/// What a line says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineReading {
    /// A value.
    Value {
        /// The value, rounded to 1 mg.
        reading: ReadingMg,
        /// Its unit.
        unit: MassUnit,
        /// What one step of its last digit is worth, in mg.
        step_mg: i64,
        /// Whether the scale calls it stable; `None` when it says nothing.
        stable: Option<bool>,
        /// Whether the scale calls it net of a tare; `None` when it says nothing.
        net: Option<bool>,
    },
    /// Too much on the pan.
    Overload,
    /// Below what the scale can show.
    Underload,
}

/// Why a line is no reading. Positions are in bytes from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LineFault {
    /// Bytes that are not printable ASCII.
    #[error("not text at byte {at}: do speed and parity match the scale's settings?")]
    NotText {
        /// Where.
        at: usize,
    },
    /// More than [`MAX_LINE`] bytes without an end.
    #[error("a line of more than {MAX_LINE} bytes: is this a scale, and does the speed match?")]
    TooLong,
    /// A line that was cut off.
    #[error("only part of a line")]
    Half,
    /// No number.
    #[error("no number in it")]
    NoNumber,
    /// A word that is not known.
    #[error("'{word}' at byte {at} is not known")]
    UnknownWord {
        /// Where.
        at: usize,
        /// The word.
        word: String,
    },
    /// A character that does not belong here.
    #[error("the character '{character}' at byte {at} does not belong here")]
    Misplaced {
        /// Where.
        at: usize,
        /// The character.
        character: char,
    },
    /// A unit that is no unit of mass, or means different masses to different people.
    #[error("'{word}' is not a unit of mass that can be relied on: set the scale to g")]
    NotMass {
        /// The word.
        word: String,
    },
    /// The value of a tare, a total or the like.
    #[error("a tare or a total, not a reading")]
    NotAReading,
    /// More than one number that could be the mass.
    #[error("more than one number could be the mass")]
    Several,
    /// A number that cannot be read.
    #[error("the number at byte {at} cannot be read")]
    BadNumber {
        /// Where.
        at: usize,
    },
    /// More than a tonne.
    #[error("more than any kitchen scale shows")]
    OutOfRange,
    /// The scale reports an error.
    #[error("the scale reports an error")]
    ScaleError,
    /// Dashes in place of digits.
    #[error("the scale shows dashes: out of its range, or it was moved while starting")]
    Dashes,
}

#[derive(Clone, Copy, PartialEq)]
enum Flag {
    Stable,
    Unstable,
    Net,
    Gross,
    Over,
    Under,
    Neutral,
    NotReading,
    Error,
}

fn flag(word: &str) -> Option<Flag> {
    Some(match word.to_ascii_uppercase().as_str() {
        "ST" | "S" | "STABLE" => Flag::Stable,
        "US" | "U" | "SD" | "D" | "UNSTABLE" | "DYN" | "MOTION" | "?" => Flag::Unstable,
        "NT" | "N" | "NET" => Flag::Net,
        "GS" | "G" | "GROSS" | "B" => Flag::Gross,
        "OL" | "OVER" | "OVERLOAD" => Flag::Over,
        "UL" | "UNDER" | "UNDERLOAD" => Flag::Under,
        "WT" | "W" | "Z" | "ZERO" => Flag::Neutral,
        "TR" | "T" | "TARE" | "PT" | "TOTAL" | "TOT" => Flag::NotReading,
        "E" | "ER" | "ERR" | "ERROR" | "I" => Flag::Error,
        upper if upper.len() > 1 && upper.bytes().all(|b| b == b'H') => Flag::Over,
        upper if upper.len() > 1 && upper.bytes().all(|b| b == b'L') => Flag::Under,
        _ => return None,
    })
}

/// What a word right after a number may be besides a unit of mass.
fn is_other_unit(word: &str) -> bool {
    const OTHERS: [&str; 13] =
        ["pc", "pcs", "%", "pct", "ml", "l", "fl", "floz", "cl", "tl", "tael", "gr", "st"];
    OTHERS.iter().any(|other| other.eq_ignore_ascii_case(word))
}

struct Value {
    decimal: Decimal,
    negative: bool,
    comma_thousands: bool,
    unit: Option<MassUnit>,
    tare: bool,
}

#[derive(Default)]
struct Scan {
    values: Vec<Value>,
    flags: Vec<Flag>,
    sign: Option<(usize, bool)>,
    /// The last token was a number, so that a unit may follow.
    unit_may_follow: bool,
    after_tare: bool,
}

/// Reads one line, without its end. `Ok(None)` is a blank line.
///
/// # Errors
/// [`LineFault`], whose `Display` says in words what is wrong.
pub fn parse_line(bytes: &[u8], rules: &LineRules) -> Result<Option<LineReading>, LineFault> {
    if bytes.len() > MAX_LINE {
        return Err(LineFault::TooLong);
    }
    let start = bytes.iter().position(|b| !matches!(b, b' ' | b'\t' | 0x02 | 0x03 | b'\r' | b'\n'));
    let Some(start) = start else { return Ok(None) };
    let end = bytes.iter().rposition(|b| !matches!(b, b' ' | b'\t' | 0x02 | 0x03 | b'\r' | b'\n'));
    let bytes = &bytes[..=end.unwrap_or(start)];
    if let Some(at) = bytes[start..].iter().position(|b| !matches!(b, b'\t' | 0x20..=0x7e)) {
        return Err(LineFault::NotText { at: start + at });
    }
    let text = str::from_utf8(bytes).map_err(|error| LineFault::NotText { at: error.valid_up_to() })?;
    let scan = scan(text, start)?;
    conclude(&scan, rules).map(Some)
}

fn scan(text: &str, start: usize) -> Result<Scan, LineFault> {
    let bytes = text.as_bytes();
    let comma_is_decimal = !text.contains('.') && text.matches(',').count() == 1;
    let run = |from: usize, keep: &dyn Fn(u8) -> bool| {
        bytes[from..].iter().position(|b| !keep(*b)).map_or(bytes.len(), |n| from + n)
    };
    let mut scan = Scan::default();
    let mut at = start;
    while at < bytes.len() {
        let next = match bytes[at] {
            b'0'..=b'9' | b'.' => {
                let mut end = run(at, &|b| b.is_ascii_digit() || b == b'.');
                if comma_is_decimal && bytes.get(end) == Some(&b',') {
                    let after = run(end + 1, &|b| b.is_ascii_digit());
                    end = if after > end + 1 { after } else { end };
                }
                let header = run(end, &|b| b.is_ascii_alphabetic());
                // Digits glued in front of the first status word are the scale's number on a shared line.
                let address = at == start && flag(&text[end..header]).is_some() && header - end > 1;
                if !address {
                    scan.number(&text[at..end], at)?;
                }
                end
            }
            b'+' | b'-' => {
                let end = run(at, &|b| b == b'-');
                if end > at + 1 && !text[end..].bytes().any(|b| b.is_ascii_digit()) {
                    return Err(LineFault::Dashes);
                }
                if scan.sign.is_some() || end > at + 1 {
                    return Err(LineFault::Misplaced { at, character: char::from(bytes[at]) });
                }
                scan.sign = Some((at, bytes[at] == b'-'));
                scan.unit_may_follow = false;
                at + 1
            }
            b'^' | b'_' => {
                let end = run(at, &|b| b == bytes[at]);
                if end < at + 2 {
                    return Err(LineFault::Misplaced { at, character: char::from(bytes[at]) });
                }
                scan.flags.push(if bytes[at] == b'^' { Flag::Over } else { Flag::Under });
                end
            }
            b'A'..=b'Z' | b'a'..=b'z' => {
                let end = run(at, &|b| b.is_ascii_alphabetic());
                scan.word(&text[at..end], at)?;
                end
            }
            b'?' | b'%' => {
                scan.word(&text[at..=at], at)?;
                at + 1
            }
            b' ' | b'\t' | b',' | b';' | b':' | b'=' | b'/' => at + 1,
            other => return Err(LineFault::Misplaced { at, character: char::from(other) }),
        };
        at = next;
    }
    Ok(scan)
}

impl Scan {
    fn number(&mut self, digits: &str, at: usize) -> Result<(), LineFault> {
        let decimal = Decimal::from_digits(digits).map_err(|error| match error {
            DecimalError::TooManyDigits => LineFault::OutOfRange,
            _ => LineFault::BadNumber { at },
        })?;
        let comma_thousands = digits.split_once(',').is_some_and(|(before, after)| {
            after.len() == 3 && (1..=3).contains(&before.len()) && !before.starts_with('0')
        });
        let negative = self.sign.take().is_some_and(|(_, negative)| negative);
        let tare = std::mem::take(&mut self.after_tare);
        self.values.push(Value { decimal, negative, comma_thousands, unit: None, tare });
        self.unit_may_follow = true;
        Ok(())
    }

    fn word(&mut self, word: &str, at: usize) -> Result<(), LineFault> {
        let unknown = || LineFault::UnknownWord { at, word: word.to_owned() };
        if self.unit_may_follow
            && let Some(value) = self.values.last_mut()
        {
            match (value.unit, MassUnit::from_word(word)) {
                (None, Some(unit)) => {
                    value.unit = Some(unit);
                    return Ok(());
                }
                (Some(MassUnit::Ounce), _) if word == "t" => {
                    value.unit = Some(MassUnit::TroyOunce);
                    return Ok(());
                }
                (None, None) if is_other_unit(word) => {
                    return Err(LineFault::NotMass { word: word.to_owned() });
                }
                // A bare N or T after a number may be newtons or tonnes.
                (None, None) if word.len() == 1 && !matches!(word, "S" | "U" | "D" | "?") => {
                    return Err(unknown());
                }
                _ => self.unit_may_follow = false,
            }
        }
        let flag = flag(word).ok_or_else(unknown)?;
        if flag == Flag::NotReading {
            self.after_tare = true;
        }
        self.flags.push(flag);
        Ok(())
    }
}

fn conclude(scan: &Scan, rules: &LineRules) -> Result<LineReading, LineFault> {
    let has = |flag: Flag| scan.flags.contains(&flag);
    let negative = scan.values.iter().any(|v| v.negative) || scan.sign.is_some_and(|(_, negative)| negative);
    if has(Flag::Over) {
        return Ok(if negative { LineReading::Underload } else { LineReading::Overload });
    }
    if has(Flag::Under) {
        return Ok(LineReading::Underload);
    }
    if has(Flag::Error) {
        return Err(LineFault::ScaleError);
    }
    if let Some((at, negative)) = scan.sign {
        // "S +" and "S -": a status letter and the side on which the range was left.
        if scan.values.is_empty() && scan.flags == [Flag::Stable] {
            return Ok(if negative { LineReading::Underload } else { LineReading::Overload });
        }
        return Err(LineFault::Misplaced { at, character: if negative { '-' } else { '+' } });
    }
    let readings: Vec<&Value> = scan.values.iter().filter(|value| !value.tare).collect();
    if readings.is_empty() {
        return Err(if has(Flag::NotReading) { LineFault::NotAReading } else { LineFault::NoNumber });
    }
    let (decimal, unit) = mass(&readings, rules.unit)?;
    let no_unit = readings.iter().all(|value| value.unit.is_none());
    let reading = decimal.to_reading(unit).ok_or(LineFault::OutOfRange)?;
    let stable = if has(Flag::Unstable) || (no_unit && rules.no_unit_is_unstable) {
        Some(false)
    } else if has(Flag::Stable) || rules.no_unit_is_unstable {
        Some(true)
    } else {
        None
    };
    let net = match (has(Flag::Net), has(Flag::Gross)) {
        (true, false) => Some(true),
        (false, true) => Some(false),
        _ => None,
    };
    let step_mg = decimal.last_digit_mg(unit).ok_or(LineFault::OutOfRange)?;
    Ok(LineReading::Value { reading, unit, step_mg, stable, net })
}

/// The one mass among the numbers of a line: the one with a unit, or pounds and ounces, or the only number.
fn mass(values: &[&Value], assumed: MassUnit) -> Result<(Decimal, MassUnit), LineFault> {
    let signed = |decimal: Decimal, negative: bool| if negative { decimal.negated() } else { decimal };
    let with_unit: Vec<usize> = (0..values.len()).filter(|i| values[*i].unit.is_some()).collect();
    let (value, unit) = match with_unit[..] {
        [] if values.len() == 1 => (values[0], assumed),
        // A number in front of the mass may be a part of it that a bad byte has cut off.
        [0] => (values[0], values[0].unit.unwrap_or(assumed)),
        [0, 1] if (values[0].unit, values[1].unit) == (Some(MassUnit::Pound), Some(MassUnit::Ounce)) => {
            let (pounds, ounces) = (values[0], values[1]);
            let sixteen = Decimal { mantissa: 16, exponent: 0 }.to_mg(MassUnit::Ounce);
            let fits = pounds.decimal.exponent == 0
                && !ounces.negative
                && !ounces.comma_thousands
                && ounces.decimal.to_mg(MassUnit::Ounce) < sixteen;
            let total =
                pounds.decimal.mantissa.checked_mul(16).and_then(|whole| ounces.decimal.plus_whole(whole));
            return match total {
                Some(total) if fits => Ok((signed(total, pounds.negative), MassUnit::Ounce)),
                _ => Err(LineFault::Several),
            };
        }
        _ => return Err(LineFault::Several),
    };
    let thousands = Decimal { exponent: 0, ..value.decimal };
    if value.comma_thousands && thousands.to_reading(unit).is_some() {
        return Err(LineFault::Several);
    }
    Ok((signed(value.decimal, value.negative), unit))
}

#[cfg(test)]
mod tests;
