//! Devices that appear, send, vanish and come back: a pseudo-terminal stands for a serial scale, a named pipe for a
//! scale on USB.
#![cfg(target_os = "linux")]

use std::fs;
use std::io::Write;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::{Duration, Instant};

use client_cli::scale::hid::hidraw::{list_in, open_in};
use client_cli::scale::line::LineRules;
use client_cli::scale::recording::{Pace, Recording};
use client_cli::scale::serial::{SerialSettings, open_serial};
use client_cli::scale::{ScaleEvent, ScaleInput, ScaleStream};
use domain::mass_unit::MassUnit;
use domain::stable_reading::{Signal, StableReader, StableRule};
use domain::units::MassMg;
use serialport::{SerialPort, TTYPort};

/// The far end of a pseudo-terminal, and `path` made to point to its near end.
fn plug_in(path: &Path) -> TTYPort {
    let (far, near) = TTYPort::pair().unwrap();
    let _ = fs::remove_file(path);
    symlink(near.name().unwrap(), path).unwrap();
    far
}

/// The next event within ten seconds.
fn next(input: &mut dyn ScaleInput) -> ScaleEvent {
    let deadline = Instant::now() + Duration::from_secs(10);
    while Instant::now() < deadline {
        if let Some(event) = input.next_event() {
            return event;
        }
    }
    panic!("nothing came in ten seconds")
}

fn mg(event: &ScaleEvent) -> Option<i64> {
    if let ScaleEvent::Sample { sample, .. } = event { Some(sample.reading.scaled()) } else { None }
}

#[test]
fn next_event_serial_scale_sends_lines_in_bits_and_pieces() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scale");
    let mut far = plug_in(&path);
    let settings: SerialSettings = "2400-8N1".parse().unwrap();
    let mut input = open_serial(&path, settings, LineRules::default()).unwrap();
    assert!(input.describe().ends_with("scale at 2400-8N1"), "{}", input.describe());
    assert_eq!(input.next_event(), None);
    // What comes first may be the tail of a line: 12 g is not 412 g.
    far.write_all(b"12 g\r\nST,GS,+   41").unwrap();
    far.write_all(b"2 g\r\n\x02-  3 g\x03rubbish\r\n").unwrap();
    assert_eq!(mg(&next(&mut input)), Some(412_000));
    assert_eq!(mg(&next(&mut input)), Some(-3_000));
    assert!(
        matches!(next(&mut input), ScaleEvent::Garbage { line: 3, why, .. } if why.contains("'rubbish'"))
    );
    assert_eq!(input.next_event(), None);
}

#[test]
fn next_event_serial_scale_that_vanishes_is_said_and_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scale");
    let mut far = plug_in(&path);
    let mut input = open_serial(&path, SerialSettings::default(), LineRules::default()).unwrap();
    far.write_all(b"\r\n412 g\r\n4").unwrap();
    assert_eq!(mg(&next(&mut input)), Some(412_000));
    std::thread::sleep(Duration::from_millis(50));
    assert_eq!(input.next_event(), None);
    drop(far);
    assert!(matches!(next(&mut input), ScaleEvent::Garbage { why, .. } if why == "only part of a line"));
    let gone = next(&mut input);
    assert!(matches!(&gone, ScaleEvent::Interrupted { why, .. } if why.contains("has gone")), "{gone:?}");
    assert_eq!(input.next_event(), None);

    let mut far = plug_in(&path);
    let deadline = Instant::now() + Duration::from_secs(10);
    let event = loop {
        // Until the near end is open again, there is nobody to write to.
        let _ = far.write_all(b"\r\n57 g\r\n");
        match input.next_event() {
            Some(event) => break event,
            None => assert!(Instant::now() < deadline, "not found again"),
        }
    };
    assert_eq!(mg(&event), Some(57_000));
}

#[test]
fn open_serial_without_a_device_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("none");
    assert!(open_serial(&missing, SerialSettings::default(), LineRules::default()).is_err());
    let plain = folder.path().join("file");
    fs::write(&plain, "412 g\n").unwrap();
    assert!(open_serial(&plain, SerialSettings::default(), LineRules::default()).is_err());
}

/// A recording is played into the far end at ten times its speed, and the near end is weighed at by the clock.
#[test]
fn start_a_serial_scale_over_a_pseudo_terminal_settles_on_what_was_put_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scale");
    let mut far = plug_in(&path);
    let input = open_serial(&path, SerialSettings::default(), LineRules::default()).unwrap();
    let mut stream = ScaleStream::start(Box::new(input)).unwrap();
    let recording = [env!("CARGO_MANIFEST_DIR"), "..", "fixtures", "scale", "ten_items.rec"]
        .iter()
        .collect::<std::path::PathBuf>();
    let player = std::thread::spawn(move || {
        let mut recording = Recording::open(&recording, Pace::Recorded { speed: 10.0 }).unwrap();
        far.write_all(b"\r\n").unwrap();
        loop {
            match recording.next_event() {
                Some(ScaleEvent::Sample { raw, .. }) => {
                    far.write_all(format!("{raw}\r\n").as_bytes()).unwrap()
                }
                Some(ScaleEvent::Ended { .. }) => return far,
                _ => {}
            }
        }
    });
    // Ten times as fast, so a tenth of the usual span.
    let rule = StableRule { min_span_ms: 80, ..StableRule::new(MassMg::new(1.0).unwrap()) };
    let mut reader = StableReader::new(rule);
    let (mut taken, deadline) = (Vec::new(), Instant::now() + Duration::from_secs(60));
    while taken.len() < 11 && Instant::now() < deadline {
        let Some(event) = stream.next_event(Duration::from_millis(100)) else { continue };
        for signal in event.step().map(|step| reader.step(step)).unwrap_or_default() {
            if let Signal::Stable(reading) = signal {
                taken.push(reading.median.scaled() / 1_000);
            }
        }
    }
    player.join().unwrap();
    assert_eq!(taken, [200, 412, 86, 318, 57, 8, 236, 142, 23, 31, 896]);
}

/// The descriptor of `usb_grams.rec`.
fn descriptor() -> Vec<u8> {
    let file = format!("{}/../fixtures/scale/usb_grams.rec", env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(file).unwrap();
    let digits = text.lines().filter_map(|line| line.strip_prefix("!descriptor "));
    digits.flat_map(str::split_ascii_whitespace).map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
}

#[test]
fn next_event_usb_scale_is_listed_read_lost_and_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let sys = folder.path().join("sys");
    for (name, bytes) in [("hidraw0", vec![0x05, 0x01, 0xc0]), ("hidraw1", descriptor())] {
        fs::create_dir_all(sys.join(name).join("device")).unwrap();
        fs::write(sys.join(name).join("device/report_descriptor"), bytes).unwrap();
    }
    assert_eq!(list_in(&sys), [Path::new("/dev/hidraw1")]);
    let device = folder.path().join("hidraw1");
    assert!(open_in(&sys, &device, MassUnit::Gram).is_err());
    let plug_in = || {
        let _ = fs::remove_file(&device);
        rustix::fs::mknodat(
            rustix::fs::CWD,
            &device,
            rustix::fs::FileType::Fifo,
            rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR,
            0,
        )
        .unwrap();
        // Open for both, so that neither end waits for the other.
        fs::OpenOptions::new().read(true).write(true).open(&device).unwrap()
    };
    let mut far = plug_in();
    let mut input = open_in(&sys, &device, MassUnit::Gram).unwrap();
    assert_eq!(input.next_event(), None);
    far.write_all(&[3, 4, 2, 0, 0x9c, 0x01]).unwrap();
    assert_eq!(mg(&next(&mut input)), Some(412_000));
    far.write_all(&[3, 4]).unwrap();
    assert!(matches!(next(&mut input), ScaleEvent::Garbage { line: 2, raw, .. } if raw == "03 04"));
    drop(far);
    assert!(matches!(next(&mut input), ScaleEvent::Interrupted { .. }));

    let mut far = plug_in();
    far.write_all(&[3, 4, 2, 0, 57, 0]).unwrap();
    assert_eq!(mg(&next(&mut input)), Some(57_000));
}

#[test]
fn open_in_a_device_that_is_no_scale_is_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir_all(folder.path().join("hidraw0/device")).unwrap();
    fs::write(folder.path().join("hidraw0/device/report_descriptor"), [0x05, 0x01, 0xc0]).unwrap();
    let refused = open_in(folder.path(), Path::new("/dev/hidraw0"), MassUnit::Gram);
    assert!(refused.is_err_and(|error| error.to_string().contains("not a scale")));
}
