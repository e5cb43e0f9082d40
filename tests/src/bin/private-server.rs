//! Holds a private PostgreSQL for the tests: `private-server start|attach DATA_DIR`. Says where it is
//! in one line, stops it when its standard input ends. A test kills this program as a service would be.

use std::io::{Read, Write, stdin, stdout};
use std::path::Path;
use std::process::ExitCode;

use api::platform::embedded_pg::{EmbeddedPg, EmbeddedPgError};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    let outcome = match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [_, "start", dir] => hold(EmbeddedPg::start(Path::new(dir))),
        [_, "attach", dir] => hold(EmbeddedPg::attach(Path::new(dir))),
        _ => Err("usage: private-server start|attach DATA_DIR".to_owned()),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            drop(writeln!(std::io::stderr(), "{error}"));
            ExitCode::FAILURE
        }
    }
}

fn hold(server: Result<EmbeddedPg, EmbeddedPgError>) -> Result<(), String> {
    let server = server.map_err(|error| error.to_string())?;
    let pid = server.pid().map_or_else(|| "-".to_owned(), |pid| pid.to_string());
    let told = writeln!(stdout(), "{pid} {} {}", server.url(), server.admin_url());
    told.and_then(|()| stdout().flush()).map_err(|error| error.to_string())?;
    stdin().read_to_end(&mut Vec::new()).map_err(|error| error.to_string())?;
    server.stop().map_err(|error| error.to_string())
}
