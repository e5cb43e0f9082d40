//! The only place that prints and asks. Data goes to standard output; everything else goes to standard error, so that
//! a pipe gets data alone.

use std::io::{self, BufRead, IsTerminal, Write};
use std::sync::{Arc, Mutex};

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
}

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
        const LONGEST: u64 = 4096;
        let mut line = Vec::new();
        let mut limited = io::Read::take(&mut self.input, LONGEST);
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
