//! A scale on a serial line, or its lines from a pipe or a plain file.

use std::collections::VecDeque;
use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use serialport::{DataBits, FlowControl, Parity, StopBits};

use super::device::{Decode, DeviceInput, Link, Reopen, WAIT};
use super::line::{LineFault, LineRules};
use super::splitter::{LineSplitter, Piece};
use super::{ScaleEvent, line_event, show_raw};

/// How a serial line is set: `9600`, `2400-7E1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SerialSettings {
    /// Bits a second.
    pub baud: u32,
    /// 5 to 8.
    pub data_bits: u8,
    /// Even, odd, or none.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
}

impl Default for SerialSettings {
    fn default() -> Self {
        Self { baud: 9600, data_bits: 8, parity: Parity::None, stop_bits: 1 }
    }
}

/// Why a text is no setting of a serial line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SettingsError {
    /// The speed.
    #[error("the speed must be from 50 to 4000000 baud, as in 9600")]
    Baud,
    /// The rest.
    #[error(
        "after the speed come data bits (5 to 8), parity (N, E or O) and stop bits (1 or 2), as in 9600-8N1"
    )]
    Frame,
}

impl FromStr for SerialSettings {
    type Err = SettingsError;

    fn from_str(text: &str) -> Result<Self, SettingsError> {
        let (baud, frame) = text.trim().split_once(['-', ',', ' ']).unwrap_or((text.trim(), "8N1"));
        let baud =
            baud.parse().ok().filter(|baud| (50..=4_000_000).contains(baud)).ok_or(SettingsError::Baud)?;
        let [data @ b'5'..=b'8', parity, stop @ b'1'..=b'2'] = frame.trim().as_bytes() else {
            return Err(SettingsError::Frame);
        };
        let parity = match parity.to_ascii_uppercase() {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            b'O' => Parity::Odd,
            _ => return Err(SettingsError::Frame),
        };
        Ok(Self { baud, data_bits: data - b'0', parity, stop_bits: stop - b'0' })
    }
}

impl fmt::Display for SerialSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{}-{}{parity}{}", self.baud, self.data_bits, self.stop_bits)
    }
}

/// When a line was sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stamp {
    /// When it arrives.
    Arrival,
    /// So many milliseconds after the line before: a plain file keeps no times.
    Every(u64),
}

/// Lines to events.
#[derive(Debug)]
pub struct LineDecoder {
    splitter: LineSplitter,
    rules: LineRules,
    stamp: Stamp,
    line: u64,
}

impl LineDecoder {
    /// For a device, which is joined in the middle of its stream.
    #[must_use]
    pub fn for_device(rules: LineRules) -> Self {
        Self { splitter: LineSplitter::mid_stream(), rules, stamp: Stamp::Arrival, line: 0 }
    }

    /// For a pipe or a file, which is read from its beginning.
    #[must_use]
    pub fn for_stream(rules: LineRules, stamp: Stamp) -> Self {
        Self { splitter: LineSplitter::from_start(), rules, stamp, line: 0 }
    }

    fn piece(&mut self, arrival_ms: u64, piece: &Piece) -> Option<ScaleEvent> {
        self.line += 1;
        let t_ms = match self.stamp {
            Stamp::Arrival => arrival_ms,
            Stamp::Every(ms) => ms.saturating_mul(self.line - 1),
        };
        let garbage = |bytes: &[u8], fault: LineFault| {
            Some(ScaleEvent::Garbage { t_ms, line: self.line, raw: show_raw(bytes), why: fault.to_string() })
        };
        match piece {
            Piece::Line(bytes) => line_event(t_ms, self.line, bytes, &self.rules),
            Piece::TooLong(bytes) => garbage(bytes, LineFault::TooLong),
            Piece::Half(bytes) => garbage(bytes, LineFault::Half),
        }
    }
}

impl Decode for LineDecoder {
    fn take(&mut self, t_ms: u64, bytes: &[u8], events: &mut VecDeque<ScaleEvent>) {
        for piece in self.splitter.push(bytes) {
            events.extend(self.piece(t_ms, &piece));
        }
    }

    fn end(&mut self, t_ms: u64, for_now: bool, events: &mut VecDeque<ScaleEvent>) {
        let rest = self.splitter.finish();
        // The last line of a file may lack its end; a device that vanishes in a line has cut it off.
        let rest = match rest {
            Some(Piece::Half(bytes)) if !for_now => Some(Piece::Line(bytes)),
            other => other,
        };
        if let Some(piece) = rest {
            events.extend(self.piece(t_ms, &piece));
        }
        if for_now {
            self.splitter = LineSplitter::mid_stream();
        }
    }
}

/// A scale on a serial line.
pub type SerialInput = DeviceInput<LineDecoder>;

struct Port(Box<dyn serialport::SerialPort>);

impl Link for Port {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        match self.0.read(buffer) {
            Err(error) if error.kind() == io::ErrorKind::TimedOut => Ok(None),
            other => other.map(Some),
        }
    }
}

fn open_port(path: &Path, settings: SerialSettings) -> io::Result<Box<dyn Link>> {
    let data_bits = match settings.data_bits {
        5 => DataBits::Five,
        6 => DataBits::Six,
        7 => DataBits::Seven,
        _ => DataBits::Eight,
    };
    let stop_bits = if settings.stop_bits == 2 { StopBits::Two } else { StopBits::One };
    let port = serialport::new(path.to_string_lossy(), settings.baud)
        .data_bits(data_bits)
        .parity(settings.parity)
        .stop_bits(stop_bits)
        .flow_control(FlowControl::None)
        .timeout(WAIT)
        .open()?;
    Ok(Box::new(Port(port)))
}

/// Opens a serial device. When it vanishes, it is looked for again every second under the same path.
///
/// # Errors
/// When there is no such device, it is in use or may not be opened, or it does not take the settings.
pub fn open_serial(path: &Path, settings: SerialSettings, rules: LineRules) -> io::Result<SerialInput> {
    let link = open_port(path, settings)?;
    let again: PathBuf = path.to_owned();
    let reopen: Reopen = Box::new(move || open_port(&again, settings));
    let described = format!("serial device {} at {settings}", path.display());
    Ok(DeviceInput::new(described, link, Some(reopen), LineDecoder::for_device(rules)))
}

struct Stream<R>(R);

impl<R: Read + Send> Link for Stream<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        self.0.read(buffer).map(Some)
    }
}

/// Lines from standard input, a pipe, or a plain file. A call may wait as long as the reader does.
#[must_use]
pub fn from_reader(
    name: &str,
    reader: impl Read + Send + 'static,
    rules: LineRules,
    stamp: Stamp,
) -> SerialInput {
    DeviceInput::new(name.to_owned(), Box::new(Stream(reader)), None, LineDecoder::for_stream(rules, stamp))
}

/// The serial devices of this computer, by path; empty when there are none or they cannot be listed.
#[must_use]
pub fn list_devices() -> Vec<String> {
    serialport::available_ports().unwrap_or_default().into_iter().map(|port| port.port_name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::ScaleInput;
    use crate::scale::line::MAX_LINE;
    use proptest::prelude::*;

    fn events(bytes: Vec<u8>, stamp: Stamp) -> Vec<ScaleEvent> {
        let mut input = from_reader("test", io::Cursor::new(bytes), LineRules::default(), stamp);
        let mut events = Vec::new();
        loop {
            match input.next_event() {
                Some(ScaleEvent::Ended { .. }) => return events,
                event => events.extend(event),
            }
        }
    }

    #[test]
    fn from_str_settings_are_read_and_shown_alike() {
        for text in ["9600-8N1", "2400-7E1", "1200-7O2"] {
            assert_eq!(text.parse::<SerialSettings>().unwrap().to_string(), text);
        }
        assert_eq!("9600".parse(), Ok(SerialSettings::default()));
        assert_eq!("4800,8n1".parse::<SerialSettings>().unwrap().to_string(), "4800-8N1");
        assert_eq!("fast".parse::<SerialSettings>(), Err(SettingsError::Baud));
        assert_eq!("0".parse::<SerialSettings>(), Err(SettingsError::Baud));
        for frame in ["9600-8X1", "9600-9N1", "9600-8N3", "9600-8N", "9600-8\u{e9}1"] {
            assert_eq!(frame.parse::<SerialSettings>(), Err(SettingsError::Frame), "{frame}");
        }
    }

    #[test]
    fn next_event_plain_file_gets_even_times_and_its_last_line() {
        let events = events(b"1 g\nrubbish\n2 g\n3 g".to_vec(), Stamp::Every(200));
        let times: Vec<_> = events
            .iter()
            .filter_map(|e| if let ScaleEvent::Sample { sample, .. } = e { Some(sample.t_ms) } else { None })
            .collect();
        assert_eq!(times, [0, 400, 600]);
        assert_eq!(events.len(), 4);
    }

    #[test]
    fn next_event_ten_megabytes_in_one_line_are_one_piece_of_garbage() {
        let mut bytes = vec![b'1'; 10 << 20];
        bytes.extend_from_slice(b"\n412 g\n");
        let events = events(bytes, Stamp::Arrival);
        let [ScaleEvent::Garbage { why, raw, .. }, ScaleEvent::Sample { sample, .. }] = &events[..] else {
            panic!("{} events", events.len())
        };
        assert_eq!(*why, LineFault::TooLong.to_string());
        assert!(raw.len() <= MAX_LINE);
        assert_eq!(sample.reading.scaled(), 412_000);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2_000))]

        #[test]
        fn next_event_any_bytes_end_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
            let n = bytes.len();
            prop_assert!(events(bytes, Stamp::Arrival).len() <= n + 1);
        }
    }
}
