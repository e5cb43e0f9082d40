//! Readings from a scale that sends them: settled ones are handed on, everything else is said in words.

use domain::stable_reading::{Signal, StableReader, StableRule};
use domain::wire::weighing::Source;

use super::taken::Taken;
use crate::scale::{ScaleEvent, ScaleInput};
use crate::ui::Ui;

/// How many unreadable lines are told of one by one.
const TOLD: u64 = 3;

/// What a scale has said, put together.
#[derive(Debug, Default, PartialEq)]
pub struct Heard {
    /// Loads that have settled and are to be taken.
    pub taken: Vec<Taken>,
    /// What the person should know, in words.
    pub words: Vec<String>,
    /// Whether nothing more will come.
    pub ended: bool,
}

/// Follows the events of a scale.
pub struct Watch {
    reader: StableReader,
    source: Source,
    unreadable: u64,
    /// What the scale shows now, and whether it has called it stable or the pan is empty.
    now: Option<String>,
}

impl Watch {
    /// For a scale of this rule, whose weighings have this source.
    #[must_use]
    pub fn new(rule: StableRule, source: Source) -> Self {
        Self { reader: StableReader::new(rule), source, unreadable: 0, now: None }
    }

    /// What the scale shows now, in words.
    #[must_use]
    pub fn now(&self) -> &str {
        self.now.as_deref().unwrap_or("nothing has come from the scale yet")
    }

    /// Takes an event and tells what it comes to.
    pub fn hear(&mut self, event: &ScaleEvent) -> Heard {
        let mut heard = Heard::default();
        match event {
            ScaleEvent::Ended { why } => {
                if self.unreadable > TOLD {
                    heard.words.push(format!("{} lines in all could not be read", self.unreadable));
                }
                heard.words.push(why.clone());
                heard.ended = true;
                self.now = Some("nothing more comes from the scale".to_owned());
            }
            ScaleEvent::Garbage { line, raw, why, .. } => {
                self.unreadable += 1;
                if self.unreadable <= TOLD {
                    heard.words.push(format!("line {line} was left out: {why}: {raw}"));
                }
            }
            ScaleEvent::Interrupted { why, .. } => {
                heard.words.push(why.clone());
                self.now = Some("the scale has gone; it is being looked for".to_owned());
            }
            ScaleEvent::Sample { sample, .. } => {
                let moving = if sample.stable == Some(false) { ", moving" } else { "" };
                self.now = Some(format!("{}{moving}", sample.reading));
            }
            ScaleEvent::Overload { .. } => self.now = Some("too much".to_owned()),
            ScaleEvent::Underload { .. } => self.now = Some("below zero".to_owned()),
        }
        let Some(step) = event.step() else { return heard };
        for signal in self.reader.step(step) {
            match signal {
                Signal::Stable(stable) => heard.taken.push(Taken::settled(&stable, self.source)),
                other => heard.words.extend(words(&other)),
            }
        }
        heard
    }
}

/// A stream of a scale being watched, where nobody types in between.
pub struct Stream {
    input: Box<dyn ScaleInput>,
    watch: Watch,
}

impl Stream {
    /// Watches an input.
    #[must_use]
    pub fn new(input: Box<dyn ScaleInput>, watch: Watch) -> Self {
        Self { input, watch }
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
            let heard = self.watch.hear(&event);
            heard.words.iter().for_each(|words| ui.say(words));
            // One event never settles two loads.
            if let Some(taken) = heard.taken.into_iter().next() {
                return Some(taken);
            }
            if heard.ended {
                return None;
            }
        }
    }
}

/// What a signal means for the person at the scale; none when it means nothing.
fn words(signal: &Signal) -> Option<String> {
    Some(match signal {
        Signal::Stable(_) | Signal::Ready { jumped: false } => return None,
        Signal::Ready { jumped: true } => {
            "zero again at one step: if you pressed tare with something on, it will be taken off what comes next"
                .to_owned()
        }
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
