//! Wind chill.

use domain::wind_chill::{wind_chill_c, wind_chill_f};
use serde_json::json;

use crate::Answer;
use crate::args::Args;

/// Answers `wind_chill_c` and `wind_chill_f`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "wind_chill_c" => celsius(args),
        "wind_chill_f" => fahrenheit(args),
        _ => return None,
    })
}

fn celsius(args: &Args) -> Answer {
    Ok(json!({ "index": wind_chill_c(args.number("air_c")?, args.number("wind_km_h")?)?.index }))
}

fn fahrenheit(args: &Args) -> Answer {
    Ok(json!({ "index": wind_chill_f(args.number("air_f")?, args.number("wind_mph")?)?.index }))
}
