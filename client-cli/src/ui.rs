//! The only place that prints and asks. Data goes to standard output; everything else goes to standard error, so that
//! a pipe gets data alone.

use std::io::{self, BufRead, IsTerminal, Read, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;

use crate::error::{Error, Result};

type Secret = Box<dyn FnMut(&str) -> io::Result<String> + Send>;

/// Where a run prints to and asks.
pub struct Ui {
    out: Box<dyn Write + Send>,
    err: Box<dyn Write + Send>,
    input: Box<dyn BufRead + Send>,
    secret: Secret,
    /// Whether standard output is a terminal, so that people read it.
    pub out_is_terminal: bool,
    /// Whether somebody is there to answer.
    pub can_ask: bool,
    /// Whether data is wanted as JSON.
    pub json: bool,
    /// Whether these are the process's own streams, so that keys can be waited for beside something else.
    of_process: bool,
}

/// The keyboard while something else is waited for as well: lines as they are typed.
pub struct Keyboard {
    lines: Receiver<String>,
}

/// What the keyboard has brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Typed {
    /// A line.
    Line(String),
    /// Nothing yet.
    Nothing,
    /// Nothing more will come.
    End,
}

impl Keyboard {
    /// What was typed, waiting at most so long.
    #[must_use]
    pub fn typed(&self, wait: Duration) -> Typed {
        match self.lines.recv_timeout(wait) {
            Ok(line) => Typed::Line(line),
            Err(RecvTimeoutError::Timeout) => Typed::Nothing,
            Err(RecvTimeoutError::Disconnected) => Typed::End,
        }
    }
}

/// The longest line that is read, in bytes: longer than anybody types.
const LONGEST: u64 = 4096;

impl Ui {
    /// The process's own streams.
    #[must_use]
    pub fn of_process() -> Self {
        Self {
            out: Box::new(io::BufWriter::new(io::stdout())),
            err: Box::new(io::stderr()),
            input: Box::new(io::BufReader::new(io::stdin())),
            secret: Box::new(|prompt| {
                rpassword::prompt_password_with_config(prompt, rpassword::ConfigBuilder::new().build())
            }),
            out_is_terminal: io::stdout().is_terminal(),
            can_ask: io::stdin().is_terminal() && io::stderr().is_terminal(),
            json: false,
            of_process: true,
        }
    }

    /// For tests: reads `input`, keeps what is printed; `terminal` is what a person would see.
    #[must_use]
    pub fn captured(input: &str, terminal: bool) -> (Self, Captured) {
        let captured = Captured::default();
        let answers = input.to_owned();
        let mut passwords = vec!["a long password".to_owned()];
        let ui = Self {
            out: Box::new(captured.out.clone()),
            err: Box::new(captured.err.clone()),
            input: Box::new(io::Cursor::new(answers.into_bytes())),
            secret: Box::new(move |_| {
                passwords.pop().ok_or_else(|| io::Error::from(io::ErrorKind::UnexpectedEof))
            }),
            out_is_terminal: terminal,
            can_ask: terminal,
            json: false,
            of_process: false,
        };
        (ui, captured)
    }

    /// Data, as it stands.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn data(&mut self, text: &str) -> Result<()> {
        self.bytes(text.as_bytes())
    }

    /// Data, as it stands.
    ///
    /// # Errors
    /// When it cannot be written. A reader that has gone away (`| head`) is none.
    pub fn bytes(&mut self, bytes: &[u8]) -> Result<()> {
        match self.out.write_all(bytes) {
            Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                Err(Error::internal("the output cannot be written").because(error))
            }
            _ => Ok(()),
        }
    }

    /// One JSON document on one line.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn json(&mut self, value: &Value) -> Result<()> {
        self.data(&format!("{value}\n"))
    }

    /// A line for the person, not for the pipe.
    pub fn say(&mut self, text: &str) {
        // Nobody is left to tell when standard error is gone.
        let _ = self.err.write_all(format!("{text}\n").as_bytes());
        let _ = self.err.flush();
    }

    /// Shows a prompt and reads the answer; none at the end of the input.
    ///
    /// # Errors
    /// When the input cannot be read.
    pub fn ask(&mut self, prompt: &str) -> Result<Option<String>> {
        let _ = self.err.write_all(prompt.as_bytes());
        let _ = self.err.flush();
        self.line()
    }

    /// Reads a line of the input; none at its end.
    ///
    /// # Errors
    /// When the input cannot be read, is no text, or the line is longer than anybody types.
    pub fn line(&mut self) -> Result<Option<String>> {
        let mut line = Vec::new();
        let mut limited = (&mut self.input).take(LONGEST);
        if limited.read_until(b'\n', &mut line)? == 0 {
            return Ok(None);
        }
        if line.len() as u64 == LONGEST {
            return Err(Error::usage("a line of the input is too long").because("more than 4096 bytes"));
        }
        let text =
            String::from_utf8(line).map_err(|error| Error::usage("the input is not text").because(error))?;
        Ok(Some(text.trim_end_matches(['\n', '\r']).to_owned()))
    }

    /// The keyboard, to be waited for beside something else; none unless a person sits at a terminal. Nothing can be asked
    /// in the usual way any more.
    pub fn take_keyboard(&mut self) -> Option<Keyboard> {
        if !self.of_process || !self.can_ask {
            return None;
        }
        let mut input = std::mem::replace(&mut self.input, Box::new(io::empty()));
        let (sender, lines) = channel();
        let reading = std::thread::Builder::new().name("keyboard".to_owned()).spawn(move || {
            loop {
                let mut line = Vec::new();
                let read = (&mut input).take(LONGEST).read_until(b'\n', &mut line);
                let text = String::from_utf8_lossy(&line);
                if !matches!(read, Ok(1..))
                    || sender.send(text.trim_end_matches(['\n', '\r']).to_owned()).is_err()
                {
                    return;
                }
            }
        });
        reading.is_ok().then_some(Keyboard { lines })
    }

    /// Asks at the terminal itself, when standard input brings something else. Answers whether there is one.
    pub fn ask_at_terminal(&mut self) -> bool {
        if !self.of_process || !io::stderr().is_terminal() {
            return false;
        }
        let Ok(terminal) = std::fs::File::open("/dev/tty") else { return false };
        self.input = Box::new(io::BufReader::new(terminal));
        self.can_ask = true;
        true
    }

    /// Text for the terminal as it stands, escapes included.
    pub fn draw(&mut self, text: &str) {
        // Nobody is left to see it when standard error is gone.
        let _ = self.err.write_all(text.as_bytes());
        let _ = self.err.flush();
    }

    /// Asks without showing what is typed.
    ///
    /// # Errors
    /// When nothing can be read.
    pub fn ask_secret(&mut self, prompt: &str) -> Result<String> {
        (self.secret)(prompt).map_err(|error| {
            Error::usage("the password could not be asked for")
                .because(error)
                .hint("in a script, use --password-stdin or --token-stdin")
        })
    }

    /// Writes out what is buffered.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn flush(&mut self) -> Result<()> {
        match self.out.flush() {
            Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                Err(Error::internal("the output cannot be written").because(error))
            }
            _ => Ok(()),
        }
    }
}

/// What a test's run has printed.
#[derive(Clone, Default)]
pub struct Captured {
    out: Buffer,
    err: Buffer,
}

impl Captured {
    /// Standard output.
    #[must_use]
    pub fn out(&self) -> String {
        self.out.text()
    }

    /// Standard error.
    #[must_use]
    pub fn err(&self) -> String {
        self.err.text()
    }
}

#[derive(Clone, Default)]
struct Buffer(Arc<Mutex<Vec<u8>>>);

impl Buffer {
    fn text(&self) -> String {
        let bytes = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

impl Write for Buffer {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner).extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
