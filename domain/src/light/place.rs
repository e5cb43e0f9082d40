//! Places, and a runner who moves between them.

use chrono::{DateTime, Utc};

use crate::no_estimate::{NoEstimate, within};

/// The longest course that is followed, h.
const MAX_HOURS: f64 = 2400.0;

/// A place on the earth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    lat_deg: f64,
    lon_deg: f64,
}

impl Place {
    /// From latitude (north positive) and longitude (east positive) in degrees.
    ///
    /// # Errors
    /// [`NoEstimate`] for latitudes beyond 90, longitudes beyond 180, or values that are not finite.
    pub fn new(lat_deg: f64, lon_deg: f64) -> Result<Self, NoEstimate> {
        Ok(Self {
            lat_deg: within("latitude in degrees", lat_deg, -90.0, 90.0)?,
            lon_deg: within("longitude in degrees", lon_deg, -180.0, 180.0)?,
        })
    }

    /// Latitude, degrees, north positive.
    #[must_use]
    pub fn lat_deg(self) -> f64 {
        self.lat_deg
    }

    /// Longitude, degrees, east positive; within one turn of zero for a place on the way across the date line.
    #[must_use]
    pub fn lon_deg(self) -> f64 {
        self.lon_deg
    }
}

/// A runner's way: places at instants, moving linearly in time between them, the short way round in longitude.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    start: DateTime<Utc>,
    /// Seconds since the start, and the place then.
    points: Vec<(f64, Place)>,
}

impl Track {
    /// From places at instants, in order; waiting is the same place twice.
    ///
    /// # Errors
    /// [`NoEstimate`] for fewer than two points, instants that do not strictly increase, or a course of more than 2400 h.
    pub fn new(points: &[(DateTime<Utc>, Place)]) -> Result<Self, NoEstimate> {
        let [(start, _), .., (finish, _)] = points else {
            return Err(NoEstimate::TooFew { what: "places on the course", needed: 2, got: points.len() });
        };
        if points.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
            return Err(NoEstimate::Unordered { what: "times" });
        }
        within("course in h", seconds_between(*start, *finish) / 3600.0, 0.0, MAX_HOURS)?;
        let points = points.iter().map(|&(at, place)| (seconds_between(*start, at), place)).collect();
        Ok(Self { start: *start, points })
    }

    /// One place from start to finish.
    ///
    /// # Errors
    /// As [`Self::new`].
    pub fn fixed(place: Place, start: DateTime<Utc>, finish: DateTime<Utc>) -> Result<Self, NoEstimate> {
        Self::new(&[(start, place), (finish, place)])
    }

    /// The start.
    #[must_use]
    pub fn start(&self) -> DateTime<Utc> {
        self.start
    }

    /// Duration, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.points.last().map_or(0.0, |p| p.0)
    }

    /// The instant so many seconds after the start, to the millisecond.
    pub(super) fn at(&self, seconds: f64) -> DateTime<Utc> {
        self.start + chrono::TimeDelta::milliseconds((seconds * 1000.0).round() as i64)
    }

    /// Where the runner is so many seconds after the start; before it and after the finish, there.
    #[must_use]
    pub fn place(&self, seconds: f64) -> Place {
        let after = self.points.partition_point(|p| p.0 <= seconds);
        let (Some(&to), Some(&from)) = (self.points.get(after), self.points.get(after.wrapping_sub(1)))
        else {
            return if after == 0 { self.points[0].1 } else { self.points[self.points.len() - 1].1 };
        };
        let share = (seconds - from.0) / (to.0 - from.0);
        let turn = (to.1.lon_deg - from.1.lon_deg + 540.0).rem_euclid(360.0) - 180.0;
        Place {
            lat_deg: from.1.lat_deg + share * (to.1.lat_deg - from.1.lat_deg),
            lon_deg: from.1.lon_deg + share * turn,
        }
    }

    /// The greatest distance from the equator on the way, degrees.
    pub(super) fn greatest_latitude(&self) -> f64 {
        self.points.iter().fold(0.0, |a, p| a.max(p.1.lat_deg.abs()))
    }
}

pub(super) fn seconds_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).num_milliseconds() as f64 / 1000.0
}
