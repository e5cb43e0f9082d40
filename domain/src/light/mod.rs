//! Where the sun stands along a course, how long it is dark there, and how long a lamp lasts.
//!
//! All instants are UTC. The sun counts as down when its centre is below -0.8333 degrees (its radius and the usual
//! refraction), and a lamp is needed in the open below -6 degrees, the end of civil twilight. Terrain, trees and weather
//! are not in these numbers: a margin for them is the caller's.

mod dark;
mod day;
mod lamp;
mod place;
mod sun;

pub use dark::{Crossing, DarkHours, DarkSpell, Darkness, crossings, dark_hours, darkness};
pub use day::{DayEvents, sun_events};
pub use lamp::{BurnTime, Cell, beam_distance_m, cold_factor, lumens_range, swaps};
pub use place::{Place, Track};
pub use sun::{SunPosition, refraction_deg, sun_elevation_deg, sun_position};

/// Elevation of the sun's centre at rise and set, degrees.
pub const SUN_DOWN_DEG: f64 = -0.8333;
/// Elevation of the sun's centre at the ends of civil twilight, degrees.
pub const CIVIL_DEG: f64 = -6.0;
