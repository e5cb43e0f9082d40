//! The client's program, as `tare` is, with a clock that can be set wrong and pauses that are short: a test that kills it
//! needs it built beside itself.

use std::sync::Arc;

use client_cli::config::Env;
use client_cli::error::Result;
use client_cli::ui::Ui;
use domain::time::Timestamp;

/// By how many milliseconds the clock is wrong.
const CLOCK_VARIABLE: &str = "TARE_TEST_CLOCK_MS";
/// Pauses are so many times shorter.
const HASTE: u32 = 25;

fn main() -> std::process::ExitCode {
    client_cli::run(std::env::args_os(), surroundings, &mut Ui::of_process())
}

fn surroundings() -> Result<Env> {
    let mut env = Env::of_process()?;
    let clock = Arc::clone(&env.clock);
    let wrong = wrong_by();
    env.clock = Arc::new(move || {
        let now = clock();
        Timestamp::from_millis(now.millis() + wrong).unwrap_or(now)
    });
    env.pause = Arc::new(|pause| std::thread::sleep(pause / HASTE));
    Ok(env)
}

#[expect(clippy::disallowed_methods, reason = "the tests' own switch, read here alone")]
fn wrong_by() -> i64 {
    std::env::var(CLOCK_VARIABLE).ok().and_then(|text| text.parse().ok()).unwrap_or(0)
}
