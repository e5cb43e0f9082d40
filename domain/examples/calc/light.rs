//! Sun and darkness.

use chrono::{DateTime, Utc};
use domain::light::{
    Cell, DayEvents, Place, Track, beam_distance_m, cold_factor, dark_hours, darkness, sun_events,
    sun_position, swaps,
};
use serde_json::{Value, json};

use crate::Answer;
use crate::args::{Args, Refusal};

/// Answers `sun_position`, `sun_events`, `dark_hours`, `burn_time`, `swaps` and `beam`.
pub fn answer(method: &str, args: &Args) -> Option<Answer> {
    Some(match method {
        "sun_position" => position(args),
        "sun_events" => events(args),
        "dark_hours" => dark(args),
        "burn_time" => burn(args),
        "swaps" => cells(args),
        "beam" => beam(args),
        _ => return None,
    })
}

fn instant(args: &Args, name: &str) -> Result<DateTime<Utc>, Refusal> {
    let milliseconds = (args.number(name)? * 1000.0).round() as i64;
    DateTime::from_timestamp_millis(milliseconds)
        .ok_or_else(|| Refusal::Question(format!("{name} is no time")))
}

fn place(args: &Args) -> Result<Place, Refusal> {
    Ok(Place::new(args.number("lat")?, args.number("lon")?)?)
}

fn position(args: &Args) -> Answer {
    let sun = sun_position(instant(args, "unix_s")?, place(args)?)?;
    Ok(json!({
        "elevation": sun.elevation_deg, "azimuth": sun.azimuth_deg, "declination": sun.declination_deg,
        "right_ascension": sun.right_ascension_deg, "apparent_longitude": sun.apparent_longitude_deg,
        "equation_of_time": sun.equation_of_time_min,
    }))
}

fn seconds(at: DateTime<Utc>) -> Value {
    json!(at.timestamp_millis() as f64 / 1000.0)
}

/// `unix_s` is any time of the UTC day.
fn events(args: &Args) -> Answer {
    let found = sun_events(place(args)?, instant(args, "unix_s")?.date_naive(), args.number("elevation")?)?;
    let all = |rising: bool| -> Vec<Value> {
        match &found {
            DayEvents::Crossings(list) => {
                list.iter().filter(|c| c.rising == rising).map(|c| seconds(c.at)).collect()
            }
            DayEvents::AlwaysAbove | DayEvents::AlwaysBelow => vec![],
        }
    };
    let state = match &found {
        DayEvents::Crossings(_) => "crosses",
        DayEvents::AlwaysAbove => "always above",
        DayEvents::AlwaysBelow => "always below",
    };
    Ok(json!({ "state": state, "rises": all(true), "sets": all(false) }))
}

/// `points` are rows of seconds since 1970, latitude, longitude.
fn dark(args: &Args) -> Answer {
    let mut points = Vec::new();
    for row in args.rows("points")? {
        let [at, lat, lon] = row[..] else {
            return Err(Refusal::Question("points need three numbers".into()));
        };
        let at = DateTime::from_timestamp_millis((at * 1000.0).round() as i64)
            .ok_or_else(|| Refusal::Question("points hold no time".into()))?;
        points.push((at, Place::new(lat, lon)?));
    }
    let track = Track::new(&points)?;
    let hours = dark_hours(&track)?;
    let with_margin = darkness(&track, -6.0, 30.0)?;
    Ok(json!({
        "lamp_h": hours.lamp.hours, "sun_down_h": hours.sun_down.hours, "with_margin_h": with_margin.hours,
    }))
}

fn burn(args: &Args) -> Answer {
    let cell = Cell::new(args.number("volts")?, args.number("amp_hours")?, args.number("age_factor")?)?;
    let cell_c = args.number("cell_c")?;
    let time = cell.burn_time(args.number("efficiency")?, args.number("load_w")?, cell_c)?;
    Ok(json!({
        "energy_wh": cell.energy_wh(), "cold": cold_factor(cell_c)?, "hours": time.hours, "warm_h": time.warm_h,
    }))
}

fn cells(args: &Args) -> Answer {
    Ok(json!({ "swaps": swaps(args.number("dark_h")?, args.number("margin")?, args.number("burn_h")?)? }))
}

fn beam(args: &Args) -> Answer {
    Ok(json!({ "metres": beam_distance_m(args.number("candela")?)? }))
}
