//! An input in a thread of its own, so that a screen can wait for the scale and the keyboard at once.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use super::{ScaleEvent, ScaleInput};

/// Events that may wait before the input has to.
const QUEUE: usize = 256;

/// A running input. Dropping it stops the thread at its next event or pause.
pub struct ScaleStream {
    events: Receiver<ScaleEvent>,
    stop: Arc<AtomicBool>,
    described: String,
}

impl ScaleStream {
    /// Starts reading.
    ///
    /// # Errors
    /// When no thread can be started.
    pub fn start(mut input: Box<dyn ScaleInput>) -> std::io::Result<Self> {
        let (sender, events) = sync_channel(QUEUE);
        let stop = Arc::new(AtomicBool::new(false));
        let (stopped, described) = (Arc::clone(&stop), input.describe());
        std::thread::Builder::new().name("scale".to_owned()).spawn(move || {
            while !stopped.load(Ordering::Relaxed) {
                let Some(event) = input.next_event() else { continue };
                let ended = matches!(event, ScaleEvent::Ended { .. });
                if !deliver(&sender, event, &stopped) || ended {
                    break;
                }
            }
        })?;
        Ok(Self { events, stop, described })
    }

    /// The next event, waiting at most so long; `None` when there is none yet.
    pub fn next_event(&mut self, wait: Duration) -> Option<ScaleEvent> {
        match self.events.recv_timeout(wait) {
            Ok(event) => Some(event),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                Some(ScaleEvent::Ended { why: "the scale's input has ended".to_owned() })
            }
        }
    }

    /// What the input is, for a person.
    #[must_use]
    pub fn describe(&self) -> &str {
        &self.described
    }
}

impl Drop for ScaleStream {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// Waits for room in the queue; false when nobody listens any more.
fn deliver(sender: &SyncSender<ScaleEvent>, mut event: ScaleEvent, stopped: &AtomicBool) -> bool {
    loop {
        match sender.try_send(event) {
            Ok(()) => return true,
            Err(TrySendError::Disconnected(_)) => return false,
            Err(TrySendError::Full(back)) => {
                if stopped.load(Ordering::Relaxed) {
                    return false;
                }
                event = back;
                std::thread::sleep(Duration::from_millis(10));
            }
        }
    }
}
