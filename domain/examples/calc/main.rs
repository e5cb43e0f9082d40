//! Answers questions about the computations, one JSON line each: the other side of the differential checks in
//! `tests/python/differential`, and a way to try a formula by hand.
//!
//! In: `{"method": "theil_sen", "args": {"x": [..], "y": [..], "level": 0.95}}`. Out: `{"ok": {..}}`,
//! `{"no_estimate": "reason"}` or `{"error": "what is wrong with the question"}`. A `null` among numbers is NaN.
//!
//! A new topic is one file with `pub fn answer(method, args) -> Option<Answer>` and one line in [`TOPICS`].

mod args;
mod effort;
mod light;
mod pool_life;
mod provisions;
mod trends;
mod wear;
mod weighing;
mod wind_chill;

use std::io::{self, BufRead, Write};

use serde_json::{Value, json};

use args::{Args, Refusal};

/// What a topic says to a question it knows.
type Answer = Result<Value, Refusal>;

/// The topics, asked in turn; one that does not know the method says `None`.
const TOPICS: &[fn(&str, &Args) -> Option<Answer>] = &[
    effort::answer,
    light::answer,
    provisions::answer,
    trends::answer,
    wind_chill::answer,
    pool_life::answer,
    wear::answer,
    weighing::answer,
];

fn reply(line: &str) -> Value {
    let question: Value = match serde_json::from_str(line) {
        Ok(question) => question,
        Err(error) => return json!({ "error": error.to_string() }),
    };
    let Some(method) = question["method"].as_str() else {
        return json!({ "error": "no method" });
    };
    let args = Args::new(&question["args"]);
    match TOPICS.iter().find_map(|topic| topic(method, &args)) {
        None => json!({ "error": format!("no method {method}") }),
        Some(Ok(value)) => json!({ "ok": value }),
        Some(Err(Refusal::NoEstimate(reason))) => json!({ "no_estimate": reason.to_string() }),
        Some(Err(Refusal::Question(what))) => json!({ "error": what }),
    }
}

fn main() -> io::Result<()> {
    let mut out = io::stdout().lock();
    for line in io::stdin().lock().lines() {
        writeln!(out, "{}", reply(&line?))?;
        out.flush()?;
    }
    Ok(())
}
