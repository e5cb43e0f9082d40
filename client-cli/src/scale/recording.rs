//! A recording of a scale: a text file of our own shape, replayed at its own speed or as fast as it is read.
//!
//! ```text
//! # A comment.
//! !unit g
//! 0<TAB>ST,GS,+      0 g
//! 125<TAB>US,GS,+     24 g
//! ```
//!
//! A line is the milliseconds since the start, a tab, and what the scale sent, without the line's end. `\xNN` stands
//! for any byte and `\\` for a backslash. `!unit UNIT` gives the unit of values sent without one;
//! `!no-unit-is-unstable` says that the scale leaves it out while it moves.
//!
//! `!descriptor 05 8d ...` makes it a recording of a scale on USB: the bytes, in hexadecimal and over as many such
//! lines as it takes, are the device's report descriptor, and each line then holds the bytes of one report.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use domain::mass_unit::MassUnit;

use super::hid::descriptor::{DescriptorFault, Layout, MAX_DESCRIPTOR};
use super::hid::report::decode;
use super::line::{LineFault, LineRules, MAX_LINE};
use super::{ScaleEvent, ScaleInput, bounded, event_of, line_event, show_raw};

/// The longest wait of one call, so that a replay can be stopped.
const WAIT: Duration = Duration::from_millis(100);

/// How fast a recording is replayed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// As fast as it is read; the samples keep their recorded times.
    Unpaced,
    /// By its own times, this many times faster.
    Recorded {
        /// 1 is the recorded speed.
        speed: f64,
    },
}

/// A recording being replayed.
pub struct Recording {
    name: String,
    reader: Box<dyn BufRead + Send>,
    rules: LineRules,
    /// The report descriptor, when it is a recording of a scale on USB.
    descriptor: Vec<u8>,
    reports: Option<Result<Layout, DescriptorFault>>,
    pace: Pace,
    started: Option<Instant>,
    line: u64,
    /// An event that waits for its time.
    due: Option<(u64, ScaleEvent)>,
    ended: Option<String>,
}

impl Recording {
    /// Opens a recording.
    ///
    /// # Errors
    /// When the file cannot be opened.
    pub fn open(path: &Path, pace: Pace) -> io::Result<Self> {
        Ok(Self::new(path.display().to_string(), Box::new(BufReader::new(File::open(path)?)), pace))
    }

    /// A recording from any reader.
    #[must_use]
    pub fn new(name: String, reader: Box<dyn BufRead + Send>, pace: Pace) -> Self {
        let rules = LineRules::default();
        Self {
            name,
            reader,
            rules,
            descriptor: Vec::new(),
            reports: None,
            pace,
            started: None,
            line: 0,
            due: None,
            ended: None,
        }
    }

    /// The event of one line of the file, and its time.
    fn decode(&mut self, line: &bounded::FileLine) -> Option<(u64, ScaleEvent)> {
        let number = self.line;
        let garbage = |t_ms, why: String| {
            Some((t_ms, ScaleEvent::Garbage { t_ms, line: number, raw: show_raw(&line.bytes), why }))
        };
        if line.bytes.is_empty() || line.bytes.starts_with(b"#") {
            return None;
        }
        if line.cut {
            return garbage(0, LineFault::TooLong.to_string());
        }
        if line.bytes.starts_with(b"!") {
            return match self.directive(&String::from_utf8_lossy(&line.bytes[1..])) {
                Ok(()) => None,
                Err(why) => garbage(0, why),
            };
        }
        let tab = line.bytes.iter().position(|byte| *byte == b'\t');
        let stamp =
            tab.and_then(|tab| str::from_utf8(&line.bytes[..tab]).ok()?.parse::<u64>().ok().zip(Some(tab)));
        let Some((t_ms, tab)) = stamp else {
            return garbage(
                0,
                "the line of the recording does not begin with milliseconds and a tab".to_owned(),
            );
        };
        if !self.descriptor.is_empty() {
            let layout = self.reports.get_or_insert_with(|| Layout::parse(&self.descriptor));
            let report = hex(&line.bytes[tab + 1..]).ok_or_else(|| NOT_HEX.to_owned());
            let result = report.and_then(|report| {
                let layout = layout.as_ref().map_err(ToString::to_string)?;
                decode(layout, &report, self.rules.unit).map_err(|fault| fault.to_string())
            });
            return event_of(t_ms, number, || show_raw(&line.bytes[tab + 1..]), result)
                .map(|event| (t_ms, event));
        }
        match unescape(&line.bytes[tab + 1..]) {
            Some(sent) => line_event(t_ms, number, &sent, &self.rules).map(|event| (t_ms, event)),
            None => garbage(t_ms, "a backslash is followed by neither xNN nor a backslash".to_owned()),
        }
    }

    fn directive(&mut self, text: &str) -> Result<(), String> {
        match text.trim().split_once(' ').unwrap_or((text.trim(), "")) {
            ("unit", word) => {
                let unit = MassUnit::from_word(word.trim());
                self.rules.unit = unit.ok_or_else(|| format!("'{}' is not a unit of mass", word.trim()))?;
                Ok(())
            }
            ("descriptor", digits) => {
                let bytes = hex(digits.as_bytes()).ok_or_else(|| NOT_HEX.to_owned())?;
                if self.reports.is_some() || self.descriptor.len() + bytes.len() > MAX_DESCRIPTOR {
                    return Err("a descriptor comes before the reports and has at most 4096 bytes".to_owned());
                }
                self.descriptor.extend(bytes);
                Ok(())
            }
            ("no-unit-is-unstable", "") => {
                self.rules.no_unit_is_unstable = true;
                Ok(())
            }
            (word, _) => Err(format!("'!{word}' is not known in a recording")),
        }
    }

    fn is_due(&mut self, t_ms: u64) -> bool {
        let Pace::Recorded { speed } = self.pace else { return true };
        let started = *self.started.get_or_insert_with(Instant::now);
        let speed = if speed.is_finite() && speed > 0.0 { speed } else { 1.0 };
        let left_ms = t_ms as f64 / speed - started.elapsed().as_secs_f64() * 1000.0;
        if left_ms <= 0.0 {
            return true;
        }
        let left = Duration::try_from_secs_f64(left_ms / 1000.0).unwrap_or(WAIT);
        sleep(left.min(WAIT));
        left <= WAIT
    }
}

impl ScaleInput for Recording {
    fn next_event(&mut self) -> Option<ScaleEvent> {
        if let Some(why) = &self.ended {
            return Some(ScaleEvent::Ended { why: why.clone() });
        }
        while self.due.is_none() {
            // Each byte may be written as four characters, after at most 20 digits and a tab.
            let why = match bounded::read_line(&mut *self.reader, 4 * MAX_LINE + 21) {
                Ok(Some(line)) => {
                    self.line += 1;
                    self.due = self.decode(&line);
                    continue;
                }
                Ok(None) => "the recording is at its end".to_owned(),
                Err(error) => format!("the recording cannot be read: {error}"),
            };
            self.ended = Some(why.clone());
            return Some(ScaleEvent::Ended { why });
        }
        let (t_ms, event) = self.due.take()?;
        if self.is_due(t_ms) {
            return Some(event);
        }
        self.due = Some((t_ms, event));
        None
    }

    fn describe(&self) -> String {
        format!("recording {}", self.name)
    }
}

const NOT_HEX: &str = "bytes are wanted as pairs of hexadecimal digits, parted by blanks";

/// Bytes from pairs of hexadecimal digits, parted by blanks.
fn hex(text: &[u8]) -> Option<Vec<u8>> {
    let byte = |pair: &str| {
        let digits = pair.len() == 2 && pair.bytes().all(|digit| digit.is_ascii_hexdigit());
        digits.then(|| u8::from_str_radix(pair, 16).ok()).flatten()
    };
    str::from_utf8(text).ok()?.split_ascii_whitespace().map(byte).collect()
}

/// Writes one line of a recording.
#[must_use]
pub fn escape(t_ms: u64, sent: &[u8]) -> String {
    let mut line = format!("{t_ms}\t");
    for byte in sent {
        match byte {
            b'\\' => line.push_str("\\\\"),
            b'\t' | 0x20..=0x7e => line.push(char::from(*byte)),
            _ => line.push_str(&format!("\\x{byte:02x}")),
        }
    }
    line
}

fn unescape(text: &[u8]) -> Option<Vec<u8>> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text;
    while let [first, tail @ ..] = rest {
        rest = match (first, tail) {
            (b'\\', [b'\\', after @ ..]) => {
                bytes.push(b'\\');
                after
            }
            (b'\\', [b'x', high, low, after @ ..]) => {
                let digit = |byte: u8| char::from(byte).to_digit(16);
                bytes.push(u8::try_from(digit(*high)? * 16 + digit(*low)?).ok()?);
                after
            }
            (b'\\', _) => return None,
            (byte, after) => {
                bytes.push(*byte);
                after
            }
        };
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn escape_any_bytes_come_back(sent in prop::collection::vec(any::<u8>(), 0..300), t_ms: u64) {
            let line = escape(t_ms, &sent);
            let (stamp, text) = line.split_once('\t').unwrap();
            prop_assert_eq!(stamp.parse::<u64>().unwrap(), t_ms);
            prop_assert_eq!(unescape(text.as_bytes()), Some(sent));
        }

        #[test]
        fn next_event_any_file_ends_without_a_panic(file in prop::collection::vec(any::<u8>(), 0..3000)) {
            let mut input = Recording::new("any".into(), Box::new(io::Cursor::new(file)), Pace::Unpaced);
            let mut events = 0;
            while !matches!(input.next_event(), Some(ScaleEvent::Ended { .. })) {
                events += 1;
                prop_assert!(events <= 3000);
            }
        }
    }
}
