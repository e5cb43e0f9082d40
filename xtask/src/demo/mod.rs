//! `cargo xtask demo`: the main job on real input, in front of whoever runs it. Ten items go over a
//! recorded kitchen scale with no service in sight; then a service starts, and a second device gets
//! the same kit; then a club's two seasons are looked at. Everything in it is invented.

mod seasons;

use std::fs;
use std::io::{IsTerminal, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::service::{Service, serve};
use crate::setup;
use crate::shell::{Failure, Tree, capture, run as run_command, say, show};

const RECORDING: &str = "fixtures/scale/ten_items.rec";
/// What is on the pan in the recording, in its order.
const ITEMS: &[&str] = &[
    "shell jacket",
    "head lamp",
    "mid layer",
    "gloves",
    "whistle",
    "vest",
    "first aid kit",
    "soft flask",
    "foil blanket",
    "shoes",
];
const EMAIL: &str = "runner@example.org";
const NAME: &str = "Runner A";

/// Installs what is missing, builds the programs and plays the demo.
pub(crate) fn run(tree: &Tree) -> Result<(), Failure> {
    say("1. What this machine needs");
    setup::postgresql(tree)?;
    say("\n2. The service and the client are built");
    run_command(&mut tree.cargo(&["build", "--workspace", "--locked"]))?;
    let stage = Stage::set(tree)?;

    say("\n3. Ten items on a recorded kitchen scale, with no service: kept on this device");
    stage.play(stage.weigh())?;
    stage.play(stage.tare(&stage.first, &["item", "list"]))?;

    say("\n4. An account, and the service on its private PostgreSQL");
    stage.play_with_password(stage.add_account())?;
    let service = Service::start(tree, &stage.data, &stage.root.join("service.log"))?;
    say(&format!("ready on {}", service.url()));

    say("\n5. The device is linked and sends what it has");
    stage.play_with_password(stage.link(&stage.first, &service, "first device"))?;

    say("\n6. A second device gets the same kit");
    stage.play_with_password(stage.link(&stage.second, &service, "second device"))?;
    stage.play(stage.tare(&stage.second, &["item", "list"]))?;
    stage.compare()?;

    say("\n7. A club and two runners over two seasons, on two more devices and with no service");
    stage.seasons()?;
    stage.finish(service)
}

/// The folders, which stay for whoever wants to look, and the account's password.
struct Stage<'a> {
    tree: &'a Tree,
    root: PathBuf,
    data: PathBuf,
    first: PathBuf,
    second: PathBuf,
    password: String,
}

impl<'a> Stage<'a> {
    fn set(tree: &'a Tree) -> Result<Self, Failure> {
        let root = std::env::temp_dir().join(format!("tarebook-demo-{}", std::process::id()));
        let (data, first, second) = (root.join("service"), root.join("device-1"), root.join("device-2"));
        for folder in [&data, &first, &second] {
            let made = fs::create_dir_all(folder);
            made.map_err(|error| Failure::new(format!("{}: {error}", folder.display())))?;
        }
        Ok(Self { tree, root, data, first, second, password: random_password()? })
    }

    fn tare(&self, home: &Path, arguments: &[&str]) -> Command {
        let mut command = self.tree.command(self.tree.built("tare"));
        command.args(arguments).env("TARE_HOME", home);
        command
    }

    fn weigh(&self) -> Command {
        let names = ITEMS.join(",");
        // Somebody who watches sees it go by; a script need not wait.
        let pace = if std::io::stdout().is_terminal() { "@8" } else { "" };
        let scale = format!("{RECORDING}{pace}");
        let mut command = self.tare(&self.first, &["weigh", "--from", &scale, "--names", &names]);
        command.args(["--check", "200", "--reads-to", "1", "--whose", NAME]);
        command
    }

    fn add_account(&self) -> Command {
        let mut command = self.tree.command(self.tree.built("tarebook"));
        command.args(["account", "add", EMAIL, "--name", NAME, "--password-stdin", "--data-dir"]);
        command.arg(&self.data).env_remove("TAREBOOK_DATABASE_URL");
        command
    }

    fn link(&self, home: &Path, service: &Service, device: &str) -> Command {
        let mut command = self.tare(home, &["link", &service.url(), "--email", EMAIL, "--password-stdin"]);
        // A demo leaves nothing in anybody's keyring.
        command.args(["--insecure-storage", "--device-name", device]);
        command
    }

    /// Shows the command as one would type it, and runs it.
    fn play(&self, mut command: Command) -> Result<(), Failure> {
        self.announce(&command);
        run_command(command.stdin(Stdio::null()))
    }

    /// The same, with the password on its standard input.
    fn play_with_password(&self, mut command: Command) -> Result<(), Failure> {
        self.announce(&command);
        let shown = show(&command);
        let told = |error: std::io::Error| Failure::new(format!("{shown}: {error}"));
        let mut child = command.stdin(Stdio::piped()).spawn().map_err(told)?;
        if let Some(mut pipe) = child.stdin.take() {
            writeln!(pipe, "{}", self.password).map_err(told)?;
        }
        let status = child.wait().map_err(told)?;
        if status.success() { Ok(()) } else { Err(Failure::new(format!("{shown}: {status}"))) }
    }

    fn announce(&self, command: &Command) {
        let home = command.get_envs().find(|(name, _)| *name == "TARE_HOME").and_then(|(_, value)| value);
        let home = home.map(|value| format!("TARE_HOME={} ", value.to_string_lossy())).unwrap_or_default();
        let words = show(command);
        // `built("")` ends in a slash: what is left is the program's name, as one would type it.
        say(&format!("\n$ {home}{}", words.replacen(&self.tree.built("").display().to_string(), "", 1)));
    }

    /// Both devices say the same of every item.
    fn compare(&self) -> Result<(), Failure> {
        let list = |home: &Path| {
            let said = capture(&mut self.tare(home, &["item", "list", "--json"]))?;
            Ok(String::from_utf8_lossy(&said).into_owned())
        };
        let (one, other) = (list(&self.first)?, list(&self.second)?);
        if let Some(missing) = ITEMS.iter().find(|item| !other.contains(*item)) {
            return Err(Failure::new(format!("the second device has no {missing}:\n{other}")));
        }
        if one != other {
            return Err(Failure::new(format!("the two devices differ:\n{one}\n{other}")));
        }
        say(&format!("\nBoth devices list the same {} items, to the milligram.", ITEMS.len()));
        Ok(())
    }

    /// Says how to go on by hand; with somebody at the terminal the service waits for them.
    fn finish(&self, service: Service) -> Result<(), Failure> {
        let docs = format!("{}/docs/", service.url());
        let listen = service.url().replace("http://", "");
        if std::io::stdin().is_terminal() {
            say(&format!("\nThe service's documentation: {docs}\nPress Enter to stop the service."));
            drop(std::io::stdin().read_line(&mut String::new()));
        }
        service.stop()?;
        say("\nThe service has stopped. To go on by hand:");
        say(&format!("  {}", show(&serve(self.tree, &self.data, &listen))));
        say(&format!("  then open {docs}, or in another terminal:"));
        say(&format!("  export TARE_HOME={}", self.first.display()));
        say(&format!("  {} --help", self.tree.built("tare").display()));
        say(&format!("The account is {EMAIL}, its password {}", self.password));
        say(&format!("Everything that the demo made lies in {}", self.root.display()));
        Ok(())
    }
}

/// The service listens while the demo runs, so its password is nobody's guess.
fn random_password() -> Result<String, Failure> {
    let mut bytes = [0; 12];
    let read = fs::File::open("/dev/urandom").and_then(|mut source| source.read_exact(&mut bytes));
    read.map_err(|error| Failure::new(format!("/dev/urandom: {error}")))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}
