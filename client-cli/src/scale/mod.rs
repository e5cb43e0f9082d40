//! Where readings come from: a scale on a serial line or on USB, a recording of one, or a CSV file.
//!
//! Every live input is a [`ScaleInput`]: a source of [`ScaleEvent`]s that never panics and holds a bounded amount of
//! memory whatever the device sends. Anything that cannot be read is an event too, with the words for it, so that the
//! sitting goes on. What the events come to is told by `domain::stable_reading`.

mod bounded;
pub mod csv_file;
mod device;
pub mod hid;
pub mod line;
pub mod recording;
pub mod serial;
pub mod source;
mod splitter;
mod stream;

use domain::stable_reading::{Sample, ScaleStep};

use self::line::LineReading;
pub use self::stream::ScaleStream;

/// The most characters of a raw line that an event keeps.
pub const MAX_RAW: usize = 80;

/// Something that a scale, or what stands for it, has sent.
#[derive(Debug, Clone, PartialEq)]
pub enum ScaleEvent {
    /// A reading.
    Sample {
        /// The reading, with its time since the input was opened.
        sample: Sample,
        /// What was sent, as text; control characters are escaped.
        raw: String,
    },
    /// The scale says that the load is too much for it.
    Overload {
        /// Milliseconds since the input was opened.
        t_ms: u64,
        /// What was sent.
        raw: String,
    },
    /// The scale says that it is below what it can show.
    Underload {
        /// Milliseconds since the input was opened.
        t_ms: u64,
        /// What was sent.
        raw: String,
    },
    /// Something that is no reading.
    Garbage {
        /// Milliseconds since the input was opened.
        t_ms: u64,
        /// The line or report, counted from 1.
        line: u64,
        /// What was sent, shortened.
        raw: String,
        /// What is wrong with it, in words.
        why: String,
    },
    /// The device has gone; the input looks for it until it is back.
    Interrupted {
        /// Milliseconds since the input was opened.
        t_ms: u64,
        /// What happened, in words.
        why: String,
    },
    /// Nothing more will come.
    Ended {
        /// Why, in words.
        why: String,
    },
}

impl ScaleEvent {
    /// What the event means for `domain::stable_reading`; garbage means nothing there.
    #[must_use]
    pub fn step(&self) -> Option<ScaleStep> {
        match self {
            Self::Sample { sample, .. } => Some(ScaleStep::Sample(*sample)),
            Self::Overload { t_ms, .. } => Some(ScaleStep::Overload { t_ms: *t_ms }),
            Self::Underload { t_ms, .. } => Some(ScaleStep::Underload { t_ms: *t_ms }),
            Self::Interrupted { .. } => Some(ScaleStep::Interrupted),
            Self::Garbage { .. } | Self::Ended { .. } => None,
        }
    }
}

/// A source of scale events.
pub trait ScaleInput: Send {
    /// The next event. `None` when nothing came within the input's own waiting time (about a tenth of a second; an
    /// input from a pipe may wait longer): ask again. After [`ScaleEvent::Ended`] it is always `Ended`.
    fn next_event(&mut self) -> Option<ScaleEvent>;

    /// What the input is, for a person: "serial device ... at 9600 baud".
    fn describe(&self) -> String;
}

/// Bytes as a person can read them: printable ASCII as it is, the rest as `\xNN`, cut to [`MAX_RAW`] characters.
#[must_use]
pub fn show_raw(bytes: &[u8]) -> String {
    let mut text = String::new();
    for byte in bytes {
        if text.len() + 4 > MAX_RAW {
            text.push_str("...");
            break;
        }
        match byte {
            b'\\' => text.push_str("\\\\"),
            0x20..=0x7e => text.push(char::from(*byte)),
            _ => text.push_str(&format!("\\x{byte:02x}")),
        }
    }
    text
}

/// Bytes in hexadecimal, parted by blanks, cut to [`MAX_RAW`] characters.
#[must_use]
pub fn show_hex(bytes: &[u8]) -> String {
    let text: Vec<String> = bytes.iter().take(MAX_RAW / 3).map(|byte| format!("{byte:02x}")).collect();
    text.join(" ")
}

/// The event of one whole line.
fn line_event(t_ms: u64, line: u64, bytes: &[u8], rules: &line::LineRules) -> Option<ScaleEvent> {
    let result = line::parse_line(bytes, rules).map_err(|fault| fault.to_string());
    event_of(t_ms, line, || show_raw(bytes), result)
}

/// The event of what was decoded, or of why it could not be; `None` for nothing.
fn event_of(
    t_ms: u64,
    line: u64,
    raw: impl Fn() -> String,
    result: Result<Option<LineReading>, String>,
) -> Option<ScaleEvent> {
    Some(match result {
        Ok(None) => return None,
        Ok(Some(LineReading::Value { reading, unit, step_mg, stable, net })) => {
            ScaleEvent::Sample { sample: Sample { t_ms, reading, unit, step_mg, stable, net }, raw: raw() }
        }
        Ok(Some(LineReading::Overload)) => ScaleEvent::Overload { t_ms, raw: raw() },
        Ok(Some(LineReading::Underload)) => ScaleEvent::Underload { t_ms, raw: raw() },
        Err(why) => ScaleEvent::Garbage { t_ms, line, raw: raw(), why },
    })
}
