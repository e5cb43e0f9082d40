//! Position of the sun by the equations of the NOAA solar calculator, which are the low-precision ones of Meeus,
//! Astronomical Algorithms (2nd ed. 1998), chapters 25 and 28.

use chrono::{DateTime, Utc};

use super::place::Place;
use crate::no_estimate::{NoEstimate, within};

/// Years for which the equations are asked.
const YEARS: (f64, f64) = (1800.0, 2200.0);

/// Where the sun stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunPosition {
    /// Apparent ecliptic longitude, degrees, 0 to 360.
    pub apparent_longitude_deg: f64,
    /// Right ascension, degrees, 0 to 360.
    pub right_ascension_deg: f64,
    /// Declination, degrees.
    pub declination_deg: f64,
    /// Equation of time, minutes.
    pub equation_of_time_min: f64,
    /// Elevation of the centre above the horizon without refraction, degrees.
    pub elevation_deg: f64,
    /// Azimuth from north through east, degrees, 0 to 360.
    pub azimuth_deg: f64,
}

/// Julian centuries from J2000, with UTC taken for dynamical time (about a minute, 0.001 degrees of the sun's way).
fn centuries(unix_seconds: f64) -> f64 {
    (unix_seconds / 86_400.0 + 2_440_587.5 - 2_451_545.0) / 36_525.0
}

struct Coordinates {
    apparent_longitude: f64,
    obliquity: f64,
    equation_of_time_min: f64,
}

fn coordinates(t: f64) -> Coordinates {
    let mean_longitude = (280.46646 + t * (36_000.769_83 + 0.000_303_2 * t)).to_radians();
    let anomaly = (357.52911 + t * (35_999.050_29 - 0.000_153_7 * t)).to_radians();
    let eccentricity = 0.016_708_634 - t * (0.000_042_037 + 0.000_000_126_7 * t);
    let (sin_m, cos_m) = anomaly.sin_cos();
    let sin_2m = 2.0 * sin_m * cos_m;
    let sin_3m = sin_m * (3.0 - 4.0 * sin_m * sin_m);
    let centre = sin_m * (1.914_602 - t * (0.004_817 + 0.000_014 * t))
        + sin_2m * (0.019_993 - 0.000_101 * t)
        + sin_3m * 0.000_289;
    let node = (125.04 - 1934.136 * t).to_radians();
    let (sin_node, cos_node) = node.sin_cos();
    let apparent_longitude = mean_longitude + (centre - 0.00569 - 0.00478 * sin_node).to_radians();
    let mean_obliquity =
        23.0 + (26.0 + (21.448 - t * (46.815 + t * (0.000_59 - t * 0.001_813))) / 60.0) / 60.0;
    let obliquity = (mean_obliquity + 0.00256 * cos_node).to_radians();
    let y = (obliquity / 2.0).tan().powi(2);
    let (sin_2l, cos_2l) = (2.0 * mean_longitude).sin_cos();
    let equation = y * sin_2l - 2.0 * eccentricity * sin_m + 4.0 * eccentricity * y * sin_m * cos_2l
        - y * y * sin_2l * cos_2l
        - 1.25 * eccentricity * eccentricity * sin_2m;
    Coordinates { apparent_longitude, obliquity, equation_of_time_min: 4.0 * equation.to_degrees() }
}

/// Hour angle in radians, zero when the sun is due south (or north, in the southern hemisphere).
fn hour_angle(unix_seconds: f64, equation_of_time_min: f64, place: Place) -> f64 {
    let minutes = unix_seconds.rem_euclid(86_400.0) / 60.0 + equation_of_time_min + 4.0 * place.lon_deg();
    (minutes / 4.0 - 180.0).to_radians()
}

/// Elevation of the sun's centre in degrees at a time in seconds since 1970, unchecked: the inner loop of a course.
pub(super) fn elevation(unix_seconds: f64, place: Place) -> f64 {
    let sun = coordinates(centuries(unix_seconds));
    let sin_declination = sun.obliquity.sin() * sun.apparent_longitude.sin();
    let cos_declination = (1.0 - sin_declination * sin_declination).sqrt();
    let (sin_lat, cos_lat) = place.lat_deg().to_radians().sin_cos();
    let cos_hour = hour_angle(unix_seconds, sun.equation_of_time_min, place).cos();
    (sin_lat * sin_declination + cos_lat * cos_declination * cos_hour).clamp(-1.0, 1.0).asin().to_degrees()
}

pub(super) fn unix_seconds(at: DateTime<Utc>) -> f64 {
    at.timestamp() as f64 + f64::from(at.timestamp_subsec_nanos()) / 1e9
}

/// Checks that an instant is one for which the equations hold.
pub(super) fn check_instant(at: DateTime<Utc>) -> Result<f64, NoEstimate> {
    let seconds = unix_seconds(at);
    within("year", 1970.0 + seconds / 31_556_952.0, YEARS.0, YEARS.1)?;
    Ok(seconds)
}

/// Elevation of the sun's centre without refraction, degrees.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] outside the years 1800 to 2200.
pub fn sun_elevation_deg(at: DateTime<Utc>, place: Place) -> Result<f64, NoEstimate> {
    Ok(elevation(check_instant(at)?, place))
}

/// Position of the sun, to about 0.01 degrees.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] outside the years 1800 to 2200.
pub fn sun_position(at: DateTime<Utc>, place: Place) -> Result<SunPosition, NoEstimate> {
    let seconds = check_instant(at)?;
    let sun = coordinates(centuries(seconds));
    let (sin_long, cos_long) = sun.apparent_longitude.sin_cos();
    let (sin_obliquity, cos_obliquity) = sun.obliquity.sin_cos();
    let declination = (sin_obliquity * sin_long).asin();
    let hour = hour_angle(seconds, sun.equation_of_time_min, place);
    let (sin_lat, cos_lat) = place.lat_deg().to_radians().sin_cos();
    // Meeus 13.5, turned from south to north.
    let azimuth = (hour.sin()).atan2(hour.cos() * sin_lat - declination.tan() * cos_lat);
    Ok(SunPosition {
        apparent_longitude_deg: sun.apparent_longitude.to_degrees().rem_euclid(360.0),
        right_ascension_deg: (cos_obliquity * sin_long).atan2(cos_long).to_degrees().rem_euclid(360.0),
        declination_deg: declination.to_degrees(),
        equation_of_time_min: sun.equation_of_time_min,
        elevation_deg: elevation(seconds, place),
        azimuth_deg: (azimuth.to_degrees() + 180.0).rem_euclid(360.0),
    })
}

/// Refraction in degrees at a true elevation in degrees, standard atmosphere: Saemundsson's formula (Meeus 16.4), scaled
/// by pressure in hPa and temperature in degrees Celsius as there. For a look at an instrument; rise and set use the
/// fixed -0.8333 degrees instead.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for an elevation outside -1 to 90 degrees, a pressure outside 0 to 1100 hPa, or a temperature
/// outside -90 to 60 degrees.
pub fn refraction_deg(elevation_deg: f64, pressure_hpa: f64, air_c: f64) -> Result<f64, NoEstimate> {
    let h = within("elevation in degrees", elevation_deg, -1.0, 90.0)?;
    let pressure = within("pressure in hPa", pressure_hpa, 0.0, 1100.0)?;
    let air = within("air temperature in degrees Celsius", air_c, -90.0, 60.0)?;
    let minutes = 1.02 / (h + 10.3 / (h + 5.11)).to_radians().tan();
    Ok((minutes / 60.0 * pressure / 1010.0 * 283.0 / (273.0 + air)).max(0.0))
}
