//! The measurements of the whole, in the release build: `load [start|posts|pages|pushes|hot|feed|loadouts|tare]...`.

use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let names: Vec<String> = std::env::args().skip(1).collect();
    // One thread: the cores are the service's.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let outcome = match runtime {
        Ok(runtime) => runtime.block_on(system_tests::load::run(&names)),
        Err(error) => Err(error.to_string()),
    };
    match outcome {
        Ok(table) => {
            drop(write!(std::io::stdout(), "{table}"));
            ExitCode::SUCCESS
        }
        Err(error) => {
            drop(writeln!(std::io::stderr(), "load: {error}"));
            ExitCode::FAILURE
        }
    }
}
