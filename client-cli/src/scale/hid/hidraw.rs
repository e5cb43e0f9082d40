//! A scale as the Linux kernel passes it on: a `hidraw` device to read reports from, and its descriptor in sysfs.

use std::collections::VecDeque;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use domain::mass_unit::MassUnit;
use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::descriptor::{Layout, MAX_DESCRIPTOR};
use super::report::decode;
use crate::scale::device::{Decode, DeviceInput, Link, Reopen, WAIT};
use crate::scale::{ScaleEvent, event_of, show_hex};

/// Where the kernel describes its devices.
const SYS: &str = "/sys/class/hidraw";

/// A scale on USB.
pub type HidInput = DeviceInput<ReportDecoder>;

/// Reports to events.
#[derive(Debug)]
pub struct ReportDecoder {
    layout: Layout,
    assumed: MassUnit,
    number: u64,
}

impl ReportDecoder {
    /// For reports of one device; a device that tells no unit is read in `assumed`.
    #[must_use]
    pub fn new(layout: Layout, assumed: MassUnit) -> Self {
        Self { layout, assumed, number: 0 }
    }

    /// The event of one report; `None` for a report without a weight.
    pub fn report(&mut self, t_ms: u64, bytes: &[u8]) -> Option<ScaleEvent> {
        self.number += 1;
        let result = decode(&self.layout, bytes, self.assumed).map_err(|fault| fault.to_string());
        event_of(t_ms, self.number, || show_hex(bytes), result)
    }
}

impl Decode for ReportDecoder {
    fn take(&mut self, t_ms: u64, bytes: &[u8], events: &mut VecDeque<ScaleEvent>) {
        events.extend(self.report(t_ms, bytes));
    }

    fn end(&mut self, _t_ms: u64, _for_now: bool, _events: &mut VecDeque<ScaleEvent>) {}
}

struct Raw(File);

impl Link for Raw {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        let wait = Timespec { tv_sec: 0, tv_nsec: i64::from(WAIT.subsec_nanos()) };
        let mut ready = [PollFd::new(&self.0, PollFlags::IN)];
        if poll(&mut ready, Some(&wait))? == 0 {
            return Ok(None);
        }
        self.0.read(buffer).map(Some)
    }
}

fn read_layout(sys: &Path, device: &Path) -> io::Result<Layout> {
    let name = device.file_name().ok_or_else(|| io::Error::other("the path names no device"))?;
    let file = File::open(sys.join(name).join("device/report_descriptor"))?;
    let mut bytes = Vec::new();
    file.take(MAX_DESCRIPTOR as u64 + 1).read_to_end(&mut bytes)?;
    Layout::parse(&bytes).map_err(io::Error::other)
}

/// Opens a `hidraw` device. When it vanishes, it is looked for again every second under the same path.
///
/// # Errors
/// When there is no such device, it may not be read, or it is not a scale.
pub fn open_hidraw(device: &Path, assumed: MassUnit) -> io::Result<HidInput> {
    open_in(Path::new(SYS), device, assumed)
}

/// As [`open_hidraw`], with the folder in which the devices are described.
///
/// # Errors
/// As [`open_hidraw`].
pub fn open_in(sys: &Path, device: &Path, assumed: MassUnit) -> io::Result<HidInput> {
    let layout = read_layout(sys, device)?;
    let open = |device: &Path| -> io::Result<Box<dyn Link>> { Ok(Box::new(Raw(File::open(device)?))) };
    let link = open(device)?;
    let (sys, again, known) = (sys.to_owned(), device.to_owned(), layout.clone());
    let reopen: Reopen = Box::new(move || {
        // Another device may have come under this name.
        if read_layout(&sys, &again)? != known {
            return Err(io::Error::other("another device has taken its place"));
        }
        open(&again)
    });
    let described = format!("USB scale {}", device.display());
    Ok(DeviceInput::new(described, link, Some(reopen), ReportDecoder::new(layout, assumed)))
}

/// The `hidraw` devices that are scales by their descriptors.
#[must_use]
pub fn list_scales() -> Vec<PathBuf> {
    list_in(Path::new(SYS))
}

/// As [`list_scales`], with the folder in which the devices are described.
#[must_use]
pub fn list_in(sys: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(sys) else { return Vec::new() };
    let device = |entry: io::Result<fs::DirEntry>| {
        let device = Path::new("/dev").join(entry.ok()?.file_name());
        read_layout(sys, &device).is_ok().then_some(device)
    };
    let mut scales: Vec<PathBuf> = entries.filter_map(device).collect();
    scales.sort();
    scales
}
