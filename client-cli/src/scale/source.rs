//! Which scale, as the user names it, and opening it.

use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use domain::wire::weighing::Source;

use super::ScaleInput;
use super::line::LineRules;
use super::recording::{Pace, Recording};
use super::serial::{SerialSettings, Stamp, from_reader, open_serial};

/// Milliseconds between the lines of a plain file, which keeps no times.
const PLAIN_MS: u64 = 200;

/// A scale by name.
///
/// `-` is standard input; `usb` the only scale on USB; `/dev/hidraw...` a scale on USB; any other path below `/dev`, or
/// a path followed by `@` and settings such as `2400-7E1`, a serial device; a path that ends in `.rec` a recording,
/// with `@SPEED` (`@1`, `@20`, `@max`) if it is not to run at its own speed; anything else a plain file of lines.
#[derive(Debug, Clone, PartialEq)]
pub enum ScaleSource {
    /// Lines from standard input.
    StandardInput,
    /// The only scale on USB.
    OnlyUsb,
    /// A scale on USB.
    Usb(PathBuf),
    /// A serial device.
    Serial(PathBuf, SerialSettings),
    /// A recording.
    Recording(PathBuf, Pace),
    /// A plain file of lines.
    Lines(PathBuf),
}

/// An open scale.
pub struct OpenScale {
    /// Its readings.
    pub input: Box<dyn ScaleInput>,
    /// What a weighing with it gives as its source.
    pub source: Source,
}

impl FromStr for ScaleSource {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let (path, after) = match text.rsplit_once('@') {
            Some((path, after)) if !after.contains('/') => (path, Some(after)),
            _ => (text, None),
        };
        let is_device = path.starts_with("/dev/") && !path.starts_with("/dev/shm/");
        match (path, after) {
            ("", _) => Err("a scale is named by its device, a recording, or - for standard input".to_owned()),
            ("-", None) => Ok(Self::StandardInput),
            ("usb", None) => Ok(Self::OnlyUsb),
            (path, after) if path.ends_with(".rec") => Ok(Self::Recording(path.into(), pace(after)?)),
            (path, None) if path.starts_with("/dev/hidraw") => Ok(Self::Usb(path.into())),
            (path, Some(settings)) => {
                let settings = settings.parse().map_err(|error| format!("after the @: {error}"))?;
                Ok(Self::Serial(path.into(), settings))
            }
            (path, None) if is_device => Ok(Self::Serial(path.into(), SerialSettings::default())),
            (path, None) => Ok(Self::Lines(path.into())),
        }
    }
}

fn pace(after: Option<&str>) -> Result<Pace, String> {
    match after {
        None => Ok(Pace::Recorded { speed: 1.0 }),
        Some("max") => Ok(Pace::Unpaced),
        Some(text) => {
            let speed: Option<f64> = text.parse().ok().filter(|speed| (0.01..=10_000.0).contains(speed));
            let speed = speed.ok_or("after the @ comes how many times faster, from 0.01 to 10000, or max")?;
            Ok(Pace::Recorded { speed })
        }
    }
}

impl ScaleSource {
    /// Opens it. `rules` say what a serial scale leaves unsaid.
    ///
    /// # Errors
    /// When it is not there, may not be read, or is not a scale; the words say which.
    pub fn open(&self, rules: LineRules) -> io::Result<OpenScale> {
        let opened = |input: Box<dyn ScaleInput>, source| Ok(OpenScale { input, source });
        match self {
            Self::StandardInput => {
                let input = from_reader("standard input", io::stdin(), rules, Stamp::Arrival);
                opened(Box::new(input), Source::Serial)
            }
            Self::Serial(path, settings) => {
                opened(Box::new(open_serial(path, *settings, rules)?), Source::Serial)
            }
            Self::Lines(path) => {
                let name = format!("file {}", path.display());
                let input = from_reader(&name, File::open(path)?, rules, Stamp::Every(PLAIN_MS));
                opened(Box::new(input), Source::Serial)
            }
            Self::Recording(path, pace) => {
                let mut reader = BufReader::new(File::open(path)?);
                let usb =
                    reader.fill_buf()?.split(|byte| *byte == b'\n').any(|l| l.starts_with(b"!descriptor"));
                let input = Recording::new(path.display().to_string(), Box::new(reader), *pace);
                opened(Box::new(input), if usb { Source::Hid } else { Source::Serial })
            }
            Self::Usb(path) => open_usb(path, rules),
            Self::OnlyUsb => open_usb(&only_usb()?, rules),
        }
    }
}

#[cfg(target_os = "linux")]
fn open_usb(path: &Path, rules: LineRules) -> io::Result<OpenScale> {
    let input = super::hid::hidraw::open_hidraw(path, rules.unit)?;
    Ok(OpenScale { input: Box::new(input), source: Source::Hid })
}

#[cfg(target_os = "linux")]
fn only_usb() -> io::Result<PathBuf> {
    let mut scales = super::hid::hidraw::list_scales();
    match (scales.pop(), scales.is_empty()) {
        (Some(only), true) => Ok(only),
        (None, _) => Err(io::Error::other("no scale is plugged in on USB")),
        (Some(last), false) => {
            scales.push(last);
            let names: Vec<String> = scales.iter().map(|path| path.display().to_string()).collect();
            Err(io::Error::other(format!(
                "more than one scale is plugged in: say which of {}",
                names.join(", ")
            )))
        }
    }
}

#[cfg(not(target_os = "linux"))]
fn open_usb(_path: &Path, _rules: LineRules) -> io::Result<OpenScale> {
    Err(io::Error::other("scales on USB are read on Linux only"))
}

#[cfg(not(target_os = "linux"))]
fn only_usb() -> io::Result<PathBuf> {
    Err(io::Error::other("scales on USB are read on Linux only"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::ScaleEvent;
    use domain::mass_unit::MassUnit;

    fn named(text: &str) -> Result<ScaleSource, String> {
        text.parse()
    }

    #[test]
    fn from_str_every_kind_of_scale_is_told_by_its_name() {
        let serial = |path: &str, settings: &str| {
            Ok(ScaleSource::Serial(PathBuf::from(path), settings.parse().unwrap()))
        };
        assert_eq!(named("-"), Ok(ScaleSource::StandardInput));
        assert_eq!(named("usb"), Ok(ScaleSource::OnlyUsb));
        assert_eq!(named("/dev/hidraw3"), Ok(ScaleSource::Usb("/dev/hidraw3".into())));
        assert_eq!(named("/dev/ttyUSB0"), serial("/dev/ttyUSB0", "9600"));
        assert_eq!(named(" /dev/ttyUSB0@2400-7E1 "), serial("/dev/ttyUSB0", "2400-7E1"));
        assert_eq!(named("COM3@4800"), serial("COM3", "4800-8N1"));
        let recording = |pace| Ok(ScaleSource::Recording("a.rec".into(), pace));
        assert_eq!(named("a.rec"), recording(Pace::Recorded { speed: 1.0 }));
        assert_eq!(named("a.rec@20"), recording(Pace::Recorded { speed: 20.0 }));
        assert_eq!(named("a.rec@max"), recording(Pace::Unpaced));
        assert_eq!(named("some@folder/lines.txt"), Ok(ScaleSource::Lines("some@folder/lines.txt".into())));
        assert!(named("/dev/ttyUSB0@fast").unwrap_err().contains("baud"));
        assert!(named("a.rec@-1").unwrap_err().contains("faster"));
        assert!(named("a.rec@nan").unwrap_err().contains("faster"));
        assert!(named("  ").unwrap_err().contains("standard input"));
    }

    #[test]
    fn open_files_are_read_and_carry_their_source() {
        let folder = tempfile::tempdir().unwrap();
        let lines = folder.path().join("lines.txt");
        std::fs::write(&lines, "14.5\n").unwrap();
        let rules = LineRules { unit: MassUnit::Ounce, no_unit_is_unstable: false };
        let mut plain = ScaleSource::Lines(lines).open(rules).unwrap();
        assert!(
            matches!(plain.input.next_event(), Some(ScaleEvent::Sample { sample, .. }) if sample.reading.scaled() == 411_068)
        );
        let fixture = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/scale").join(name);
        let source = |name: &str| {
            ScaleSource::Recording(fixture(name), Pace::Unpaced)
                .open(LineRules::default())
                .map(|open| open.source)
        };
        assert_eq!(source("usb_grams.rec").unwrap(), Source::Hid);
        assert_eq!(source("ten_items.rec").unwrap(), Source::Serial);
        assert!(source("none.rec").is_err());
    }
}
