//! Readings from a scale that sends them: settled ones are handed on, everything else is said in words.

use domain::stable_reading::{Signal, StableReader, StableRule};
use domain::units::MassMg;

use super::taken::Taken;
use crate::scale::{ScaleEvent, ScaleInput};
use crate::ui::Ui;

/// How many unreadable lines are told of one by one.
const TOLD: u64 = 3;

/// A stream of a scale being watched.
pub struct Stream {
    input: Box<dyn ScaleInput>,
    reader: StableReader,
    unreadable: u64,
}

impl Stream {
    /// Watches an input for a scale of this step.
    #[must_use]
    pub fn new(input: Box<dyn ScaleInput>, resolution: MassMg) -> Self {
        Self { input, reader: StableReader::new(StableRule::new(resolution)), unreadable: 0 }
    }

    /// What it is, for a person.
    #[must_use]
    pub fn describe(&self) -> String {
        self.input.describe()
    }

    /// Waits for the next load that settles; none when the input has ended.
    pub fn next(&mut self, ui: &mut Ui) -> Option<Taken> {
        loop {
            let Some(event) = self.input.next_event() else { continue };
            match &event {
                ScaleEvent::Ended { why } => {
                    if self.unreadable > TOLD {
                        ui.say(&format!("{} lines in all could not be read", self.unreadable));
                    }
                    ui.say(why);
                    return None;
                }
                ScaleEvent::Garbage { line, raw, why, .. } => {
                    self.unreadable += 1;
                    if self.unreadable <= TOLD {
                        ui.say(&format!("line {line} was left out: {why}: {raw}"));
                    }
                }
                ScaleEvent::Interrupted { why, .. } => ui.say(why),
                _ => {}
            }
            let Some(step) = event.step() else { continue };
            let mut taken = None;
            for signal in self.reader.step(step) {
                match signal {
                    Signal::Stable(stable) => taken = Some(Taken::settled(&stable)),
                    other => {
                        if let Some(words) = words(&other) {
                            ui.say(&words);
                        }
                    }
                }
            }
            if taken.is_some() {
                return taken;
            }
        }
    }
}

/// What a signal means for the person at the scale; none when it means nothing.
fn words(signal: &Signal) -> Option<String> {
    Some(match signal {
        Signal::Stable(_) | Signal::Ready { .. } => return None,
        Signal::Changed(reading) => format!(
            "the load changed to {} and the pan was not empty in between; it was not taken: empty the pan first",
            reading.median
        ),
        Signal::StartedLoaded(reading) => format!(
            "{} lay on the pan from the start, so its zero was not seen; it was not taken: empty the pan, then put it on",
            reading.median
        ),
        Signal::BelowZero { reading, tared_load } => {
            let tared = tared_load.map(|load| format!(" ({load} was tared away)")).unwrap_or_default();
            format!("the scale shows {}{tared}: press zero with the pan empty", reading.median)
        }
        Signal::NotAtZero(reading) => {
            format!("the empty pan shows {}: press zero", reading.median)
        }
        Signal::Overload => "too much for this scale".to_owned(),
        Signal::Underload => "below what this scale can show: press zero with the pan empty".to_owned(),
        Signal::Unsettled { for_ms, spread } => format!(
            "it has not settled for {} s and moves by {spread}: is there a draught, or does it touch the table?",
            for_ms / 1000
        ),
        Signal::UnitChanged { from, to } => {
            format!("the scale shows {} now, not {}", to.symbol(), from.symbol())
        }
        Signal::TimeWentBack => "the times of the input run backwards there".to_owned(),
    })
}
