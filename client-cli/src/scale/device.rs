//! A device, or a pipe, that bytes are read from: opened, read, lost and found again.

use std::collections::VecDeque;
use std::io;
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::{ScaleEvent, ScaleInput};

/// The longest wait of one call.
pub const WAIT: Duration = Duration::from_millis(100);
/// How long to wait before looking for a lost device again.
const RETRY: Duration = Duration::from_secs(1);
/// Bytes that are read at once; no HID report is longer.
const CHUNK: usize = 4096;

/// An open device.
pub trait Link: Send {
    /// Reads what is there. `Ok(None)` when nothing came within [`WAIT`]; `Ok(Some(0))` at the end.
    ///
    /// # Errors
    /// Whatever the device reports; it is then taken as gone.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<Option<usize>>;
}

/// Turns bytes into events.
pub trait Decode: Send {
    /// Takes what one read has given.
    fn take(&mut self, t_ms: u64, bytes: &[u8], events: &mut VecDeque<ScaleEvent>);
    /// The stream has ended, or (`for_now`) the device may come back.
    fn end(&mut self, t_ms: u64, for_now: bool, events: &mut VecDeque<ScaleEvent>);
}

/// Opens the device again after it was lost.
pub type Reopen = Box<dyn FnMut() -> io::Result<Box<dyn Link>> + Send>;

/// An input from a device.
pub struct DeviceInput<D> {
    described: String,
    link: Option<Box<dyn Link>>,
    reopen: Option<Reopen>,
    retry_at: Instant,
    decoder: D,
    events: VecDeque<ScaleEvent>,
    buffer: Vec<u8>,
    started: Instant,
}

impl<D: Decode> DeviceInput<D> {
    /// An input from an open link. Without `reopen` the end of the link is the end of the input.
    #[must_use]
    pub fn new(described: String, link: Box<dyn Link>, reopen: Option<Reopen>, decoder: D) -> Self {
        let started = Instant::now();
        Self {
            described,
            link: Some(link),
            reopen,
            retry_at: started,
            decoder,
            events: VecDeque::new(),
            buffer: vec![0; CHUNK],
            started,
        }
    }

    fn t_ms(&self) -> u64 {
        u64::try_from(self.started.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    fn lost(&mut self, why: String) {
        let t_ms = self.t_ms();
        let for_now = self.reopen.is_some();
        self.link = None;
        self.decoder.end(t_ms, for_now, &mut self.events);
        if for_now {
            self.retry_at = Instant::now() + RETRY;
            self.events.push_back(ScaleEvent::Interrupted { t_ms, why });
        }
    }

    fn look_again(&mut self) {
        let now = Instant::now();
        if now < self.retry_at {
            sleep(WAIT.min(self.retry_at - now));
            return;
        }
        match self.reopen.as_mut().map(|reopen| reopen()) {
            Some(Ok(link)) => self.link = Some(link),
            Some(Err(_)) | None => self.retry_at = now + RETRY,
        }
    }
}

impl<D: Decode> ScaleInput for DeviceInput<D> {
    fn next_event(&mut self) -> Option<ScaleEvent> {
        if let Some(event) = self.events.pop_front() {
            return Some(event);
        }
        let Some(link) = &mut self.link else {
            if self.reopen.is_none() {
                return Some(ScaleEvent::Ended { why: "the input is at its end".to_owned() });
            }
            self.look_again();
            return None;
        };
        match link.read(&mut self.buffer) {
            Ok(None) => return None,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => return None,
            Ok(Some(0)) => self.lost("the device has gone".to_owned()),
            Ok(Some(n)) => {
                let t_ms = self.t_ms();
                let bytes = &self.buffer[..n.min(CHUNK)];
                self.decoder.take(t_ms, bytes, &mut self.events);
            }
            Err(error) => self.lost(format!("the device has gone: {error}")),
        }
        self.events.pop_front()
    }

    fn describe(&self) -> String {
        self.described.clone()
    }
}
