//! Running programs, saying things, and where the tree lies.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Why a task ended early, and the exit code to end with.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) text: String,
    pub(crate) code: u8,
}

impl Failure {
    /// Something is wrong with the tree.
    pub(crate) fn new(text: impl Into<String>) -> Self {
        Self { text: text.into(), code: 1 }
    }

    /// The machine lacks something that the person has to see to.
    pub(crate) fn machine(text: impl Into<String>) -> Self {
        Self { text: text.into(), code: 2 }
    }
}

/// The checked-out tree.
#[derive(Debug)]
pub(crate) struct Tree {
    root: PathBuf,
}

impl Tree {
    /// The tree that this program was built from.
    pub(crate) fn new() -> Self {
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        Self { root: here.parent().unwrap_or(here).to_owned() }
    }

    /// A path in the tree.
    pub(crate) fn path(&self, relative: &str) -> PathBuf {
        self.root.join(relative)
    }

    /// A program of the development build; this program lies beside them.
    pub(crate) fn built(&self, name: &str) -> PathBuf {
        let beside = std::env::current_exe().ok().and_then(|exe| Some(exe.parent()?.to_owned()));
        beside.unwrap_or_else(|| self.path("target/debug")).join(name)
    }

    /// A program of the release build, which lies beside the development build.
    pub(crate) fn released(&self, name: &str) -> PathBuf {
        self.built("../release").join(name)
    }

    /// A command that runs in the tree's root.
    pub(crate) fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.current_dir(&self.root);
        command
    }

    /// `cargo` with these arguments, in the tree's root.
    pub(crate) fn cargo(&self, arguments: &[&str]) -> Command {
        let mut command = self.command("cargo");
        command.args(arguments);
        command
    }
}

/// Runs a command that writes straight to the terminal.
pub(crate) fn run(command: &mut Command) -> Result<(), Failure> {
    let shown = show(command);
    let status = command.status().map_err(|error| Failure::new(format!("{shown}: {error}")))?;
    if status.success() { Ok(()) } else { Err(Failure::new(format!("{shown}: {status}"))) }
}

/// Runs a command and gives its standard output; its errors go to the terminal.
pub(crate) fn capture(command: &mut Command) -> Result<Vec<u8>, Failure> {
    let shown = show(command);
    let output = command.stdin(Stdio::null()).stderr(Stdio::inherit()).output();
    let output = output.map_err(|error| Failure::new(format!("{shown}: {error}")))?;
    if output.status.success() {
        Ok(output.stdout)
    } else {
        Err(Failure::new(format!("{shown}: {}", output.status)))
    }
}

/// Whether a command can be run and succeeds, in silence.
pub(crate) fn succeeds(command: &mut Command) -> bool {
    let quiet = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    quiet.status().is_ok_and(|status| status.success())
}

/// The command as one would type it.
pub(crate) fn show(command: &Command) -> String {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    words.map(|word| quote(&word.to_string_lossy())).collect::<Vec<_>>().join(" ")
}

/// A word as a shell takes it for one.
fn quote(word: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "-_./:=,@%+".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

/// A line on standard output.
pub(crate) fn say(text: &str) {
    drop(writeln!(std::io::stdout(), "{text}"));
}

/// A line on standard error.
pub(crate) fn complain(text: &str) {
    drop(writeln!(std::io::stderr(), "{text}"));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn show_of_words_with_spaces_and_quotes_can_be_typed() {
        let mut command = Command::new("tare");
        command.args(["weigh", "--names", "head lamp,vest", "it's", ""]);
        assert_eq!(show(&command), r"tare weigh --names 'head lamp,vest' 'it'\''s' ''");
    }
}
