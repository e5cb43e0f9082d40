//! Sun events of one day at one place.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use super::dark::{Crossing, crossings};
use super::place::{Place, Track};
use super::sun::sun_elevation_deg;
use crate::no_estimate::NoEstimate;

/// What the sun does about an elevation in a UTC day.
#[derive(Debug, Clone, PartialEq)]
pub enum DayEvents {
    /// It crosses, at these instants in order: a set may come before a rise, and near the polar circles there may be one
    /// only, or two of a kind.
    Crossings(Vec<Crossing>),
    /// It stays above all day.
    AlwaysAbove,
    /// It stays below all day.
    AlwaysBelow,
}

impl DayEvents {
    /// The first crossing upwards.
    #[must_use]
    pub fn rise(&self) -> Option<DateTime<Utc>> {
        self.first(true)
    }

    /// The first crossing downwards.
    #[must_use]
    pub fn set(&self) -> Option<DateTime<Utc>> {
        self.first(false)
    }

    fn first(&self, rising: bool) -> Option<DateTime<Utc>> {
        match self {
            Self::Crossings(found) => found.iter().find(|c| c.rising == rising).map(|c| c.at),
            Self::AlwaysAbove | Self::AlwaysBelow => None,
        }
    }
}

/// The crossings of an elevation in degrees on a UTC day at a place.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for an elevation outside -90 to 90 degrees, or a day outside the years 1800 to 2200.
pub fn sun_events(place: Place, utc_date: NaiveDate, elevation_deg: f64) -> Result<DayEvents, NoEstimate> {
    let start = utc_date.and_time(chrono::NaiveTime::MIN).and_utc();
    let finish = start
        .checked_add_signed(TimeDelta::days(1))
        .ok_or(NoEstimate::Because("the day is beyond the calendar"))?;
    let found = crossings(&Track::fixed(place, start, finish)?, elevation_deg)?;
    Ok(if !found.is_empty() {
        DayEvents::Crossings(found)
    } else if sun_elevation_deg(start, place)? < elevation_deg {
        DayEvents::AlwaysBelow
    } else {
        DayEvents::AlwaysAbove
    })
}
