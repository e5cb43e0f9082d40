//! Wind chill of 2001, the index of the Canadian and United States weather services, and the words that go with it.
//!
//! It describes dry, bare facial skin of an adult at walking pace without sun. The usual killer on a ridge, rain at a
//! few degrees above zero with wind, lies outside it, so [`CAUTION`] is shown beside every value.

use crate::no_estimate::{NoEstimate, finite, within};

/// Shown beside every value of this module.
pub const CAUTION: &str = "Wind chill describes dry, bare skin: wet skin or clothing loses heat much faster, and rain \
a few degrees above zero with wind is not covered at all. A runner's own speed adds to the wind, and gusts on a ridge \
exceed the forecast at 10 m. The race director's rules and stop decisions, local authorities and the law, and medical \
and mountain-rescue professionals prevail over anything shown here; meeting a list is not being safe.";

/// The stages of hypothermia as text for a help page: lower bound of the core temperature in degrees Celsius and
/// name (Wilderness Medical Society 2019, as summarised publicly). Not for use on a person: in the field, consciousness,
/// shivering and function decide, and those who are trained for it.
pub const HYPOTHERMIA_STAGES: [(f64, &str); 4] = [
    (35.0, "cold-stressed, not hypothermic"),
    (32.0, "mild"),
    (28.0, "moderate"),
    (f64::NEG_INFINITY, "severe"),
];

/// How fast bare skin may freeze: the bands of Environment and Climate Change Canada (as reproduced publicly).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Frostbite {
    /// Above -28: low risk for most people.
    Low,
    /// -28 to -39: 10 to 30 minutes.
    In10To30Minutes,
    /// -40 to -47: 5 to 10 minutes.
    In5To10Minutes,
    /// -48 to -54: 2 to 5 minutes.
    In2To5Minutes,
    /// -55 and below: less than 2 minutes.
    InLessThan2Minutes,
}

/// A wind chill index.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WindChill {
    /// The index before rounding, on the Celsius or Fahrenheit scale it was asked on.
    pub index: f64,
    /// As published: rounded half up to a whole number.
    pub rounded: i32,
}

impl WindChill {
    fn of(index: f64) -> Self {
        Self { index, rounded: (index + 0.5).floor() as i32 }
    }
}

/// Wind chill index on the Celsius scale: `13.12 + 0.6215 T - 11.37 V^0.16 + 0.3965 T V^0.16`, T in degrees Celsius, V in
/// km/h at 10 m (Environment and Climate Change Canada, 2001; its chart of 192 cells agrees after rounding half up).
///
/// # Errors
/// Not applicable at 10 degrees Celsius or warmer, or in wind below 4.8 km/h; [`NoEstimate::OutOfRange`] below -90
/// degrees or above 400 km/h, which no weather has.
pub fn wind_chill_c(air_c: f64, wind_km_h: f64) -> Result<WindChill, NoEstimate> {
    let t = within("air temperature in degrees Celsius", air_c, -90.0, 70.0)?;
    let v = within("wind in km/h", wind_km_h, 0.0, 400.0)?;
    if t >= 10.0 {
        return Err(NoEstimate::Because("wind chill does not apply at 10 degrees Celsius and above"));
    }
    if v < 4.8 {
        return Err(NoEstimate::Because("wind chill does not apply in wind below 4.8 km/h"));
    }
    let power = v.powf(0.16);
    Ok(WindChill::of(13.12 + 0.6215 * t - 11.37 * power + 0.3965 * t * power))
}

/// Wind chill index on the Fahrenheit scale: `35.74 + 0.6215 T - 35.75 V^0.16 + 0.4275 T V^0.16`, T in degrees Fahrenheit,
/// V in miles per hour (US National Weather Service, 2001).
///
/// # Errors
/// Not applicable at 50 degrees Fahrenheit or warmer, or in wind below 3 mph; [`NoEstimate::OutOfRange`] beyond any
/// weather.
pub fn wind_chill_f(air_f: f64, wind_mph: f64) -> Result<WindChill, NoEstimate> {
    let t = within("air temperature in degrees Fahrenheit", air_f, -130.0, 158.0)?;
    let v = within("wind in mph", wind_mph, 0.0, 250.0)?;
    if t >= 50.0 {
        return Err(NoEstimate::Because("wind chill does not apply at 50 degrees Fahrenheit and above"));
    }
    if v < 3.0 {
        return Err(NoEstimate::Because("wind chill does not apply in wind below 3 mph"));
    }
    let power = v.powf(0.16);
    Ok(WindChill::of(35.74 + 0.6215 * t - 35.75 * power + 0.4275 * t * power))
}

/// The frostbite band of a Celsius index, by its published (rounded) value.
#[must_use]
pub fn frostbite(chill: WindChill) -> Frostbite {
    match chill.rounded {
        ..=-55 => Frostbite::InLessThan2Minutes,
        -54..=-48 => Frostbite::In2To5Minutes,
        -47..=-40 => Frostbite::In5To10Minutes,
        -39..=-28 => Frostbite::In10To30Minutes,
        _ => Frostbite::Low,
    }
}

/// One clo in m2 K/W (ASHRAE; definition).
pub const CLO_M2_K_W: f64 = 0.155;
/// One tog in m2 K/W (definition).
pub const TOG_M2_K_W: f64 = 0.1;

/// Insulation in m2 K/W from clo. No "safe down to" temperature follows from it: wind, wet and movement cut it by
/// amounts unknown for a given garment.
///
/// # Errors
/// [`NoEstimate::NotFinite`].
pub fn clo_to_m2_k_w(clo: f64) -> Result<f64, NoEstimate> {
    Ok(finite("clo", clo)? * CLO_M2_K_W)
}

/// Clo from tog.
///
/// # Errors
/// [`NoEstimate::NotFinite`].
pub fn tog_to_clo(tog: f64) -> Result<f64, NoEstimate> {
    Ok(finite("tog", tog)? * TOG_M2_K_W / CLO_M2_K_W)
}
