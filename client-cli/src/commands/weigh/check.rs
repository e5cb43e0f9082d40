//! The check weight.

use domain::metrology::mpe::m1_weight_mpe_mg;
use domain::units::{MassMg, ReadingMg};

use super::session::Session;
use super::taken::Taken;
use crate::app::App;
use crate::commands::scale::offsets::{compare, history};
use crate::commands::scale::typed_mass;
use crate::error::{Error, Result};

/// A check weight: what it is known to be, and how well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    /// Its mass.
    pub mass: MassMg,
    /// The standard uncertainty of that.
    pub u: MassMg,
}

impl Known {
    /// Reads a known mass and, if given, its standard uncertainty.
    ///
    /// # Errors
    /// When one of them is no mass, or the mass is zero.
    pub fn read(mass: &str, u: Option<&str>) -> Result<Self> {
        let mass = typed_mass("the check weight", mass)?;
        if mass.scaled() == 0 {
            return Err(Error::usage("a check weight of 0 g checks nothing"));
        }
        let u = match u {
            Some(text) => typed_mass("the check weight's uncertainty", text)?,
            None => assumed_u(mass),
        };
        Ok(Self { mass, u })
    }
}

/// How far a reading may lie from a check weight and still be of it: a twentieth of it, and at least so many steps of the
/// scale (judgement). A taken-off error of a whole jacket would spoil every mass of the sitting.
const NEAR: (f64, f64) = (0.05, 10.0);

impl Known {
    /// Whether a reading can be of this weight.
    #[must_use]
    pub fn can_read(&self, reading: ReadingMg, resolution: MassMg) -> bool {
        let (share, steps) = NEAR;
        let most = (self.mass.value() * share).max(resolution.value() * steps);
        (reading.value() - self.mass.value()).abs() <= most
    }
}

/// The standard uncertainty of a weight of unknown class: that of class M3, whose maximum permissible error is ten times
/// that of class M1 for every nominal mass from 1 g up (OIML R 111-1, table 1, from memory), over the square root of 3.
/// Any other mass gets 0.05 %, as M3 has it from 100 g up, and at least 10 mg.
fn assumed_u(mass: MassMg) -> MassMg {
    let grams = mass.value();
    let mpe_mg = m1_weight_mpe_mg(grams).map_or_else(|_| (grams * 0.5).max(10.0), |m1| 10.0 * m1);
    let milligrams = (mpe_mg / 3f64.sqrt()).ceil().max(1.0);
    // Below half the mass whatever the weight, so that it is a valid reading.
    MassMg::from_scaled((milligrams as i64).min(mass.scaled() / 2)).unwrap_or(mass)
}

/// Saves what the scale shows for a check weight, and says what that means.
///
/// # Errors
/// When it is refused.
pub fn save(app: &mut App<'_>, session: &mut Session<'_>, known: Known, taken: &Taken) -> Result<()> {
    for words in record(session, known, taken)? {
        app.ui.say(&words);
    }
    Ok(())
}

/// Saves what the scale shows for a check weight; answers what that means, a sentence each.
///
/// # Errors
/// When it is refused.
pub fn record(session: &mut Session<'_>, known: Known, taken: &Taken) -> Result<Vec<String>> {
    if !known.can_read(taken.reading, session.scale.resolution) {
        return Err(Error::refused(format!(
            "{} was not taken for the check weight of {}: it is too far off",
            taken.reading, known.mass
        )));
    }
    session.save_check(known.mass, known.u, taken)?;
    let offset = (taken.reading.scaled() - known.mass.scaled()) as f64 / 1000.0;
    let (mass, u) = (known.mass, known.u);
    let mut words =
        vec![format!("  check weight {mass} (+- {u}) reads {}: {offset:+} g, taken off", taken.reading)];
    let history = history(session.store, session.room.id, session.scale.id)?;
    let (history, sitting) = match (history, session.sitting()) {
        (Some(history), Some(sitting)) => (history, sitting),
        _ => return Ok(words),
    };
    // The first sentence is of interest now only when it is about a change; the rest are findings.
    let sentences = history.sentences(&session.scale.name, sitting);
    let drifted =
        history.at(sitting).and_then(|(now, before)| compare(before?, now)).is_some_and(|c| c.significant);
    words.extend(sentences.into_iter().skip(usize::from(!drifted)).map(|words| format!("  {words}")));
    Ok(words)
}

/// Asks for a check weight, as the sitting begins.
///
/// # Errors
/// When it is refused or the input ends badly.
pub fn ask(app: &mut App<'_>, session: &mut Session<'_>) -> Result<()> {
    loop {
        let answer = app.ui.ask("check weight on? its grams, or Enter to skip > ")?.unwrap_or_default();
        if answer.trim().is_empty() {
            return Ok(());
        }
        let shown = app.ui.ask("the scale shows > ")?.unwrap_or_default();
        let outcome = Known::read(&answer, None)
            .and_then(|known| Taken::typed(&shown).and_then(|taken| save(app, session, known, &taken)));
        match outcome {
            Ok(()) => return Ok(()),
            Err(error) => app.ui.say(&error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_unknown_class_is_taken_as_m3() {
        // OIML R 111-1, table 1 (from memory): class M3, 200 g: 100 mg; 1 kg: 500 mg.
        assert_eq!(Known::read("200", None).unwrap().u.scaled(), 58);
        assert_eq!(Known::read("1 kg", None).unwrap().u.scaled(), 289);
        assert_eq!(Known::read("200", Some("0.5")).unwrap().u.scaled(), 500);
        assert!(Known::read("0", None).is_err() && Known::read("-5", None).is_err());
        let odd = Known::read("0.004", None).unwrap();
        assert!(odd.u < odd.mass);
    }
}
