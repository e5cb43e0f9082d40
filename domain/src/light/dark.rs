//! When the sun crosses an elevation along a moving runner's way, and how long it stays below.

use chrono::{DateTime, Utc};

use super::place::Track;
use super::sun::{check_instant, elevation};
use super::{CIVIL_DEG, SUN_DOWN_DEG};
use crate::no_estimate::{NoEstimate, within};

/// Step of the search, s.
const STEP: f64 = 300.0;
/// Crossings are found to this, s: far finer than the equations are good for.
const FINE: f64 = 0.01;
/// Between grid points an extreme of the elevation can lie at most this much farther out, degrees: half the greatest
/// curvature, (15 degrees/h)^2, times (half a step)^2, with room.
const GRAZING: f64 = 0.02;

/// The sun crosses an elevation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// When.
    pub at: DateTime<Utc>,
    /// Upwards (dawn, rise) or downwards (set, dusk).
    pub rising: bool,
    /// How far the equations may be off, s: 60 up to 72 degrees of latitude, 600 beyond (as NOAA states).
    pub bound_s: f64,
}

/// A stretch of time below an elevation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DarkSpell {
    /// Its begin: the start of the course or a crossing.
    pub from: DateTime<Utc>,
    /// Its end: a crossing or the finish.
    pub to: DateTime<Utc>,
}

/// The darkness of a course below one elevation.
#[derive(Debug, Clone, PartialEq)]
pub struct Darkness {
    /// The elevation, degrees.
    pub below_deg: f64,
    /// The spells in order.
    pub spells: Vec<DarkSpell>,
    /// Their sum, h.
    pub hours: f64,
    /// How far the sum may be off through the equations, h.
    pub bound_h: f64,
    /// The crossings in order; none means dark or light throughout.
    pub crossings: Vec<Crossing>,
}

/// The dark hours of a course.
#[derive(Debug, Clone, PartialEq)]
pub struct DarkHours {
    /// Below -6 degrees: a lamp is needed in the open.
    pub lamp: Darkness,
    /// Below -0.8333 degrees: the sun is down.
    pub sun_down: Darkness,
}

/// Elevations along a track at grid times, computed once for all thresholds.
struct Profile<'a> {
    track: &'a Track,
    start: f64,
    grid: Vec<(f64, f64)>,
}

impl<'a> Profile<'a> {
    fn new(track: &'a Track) -> Result<Self, NoEstimate> {
        let start = check_instant(track.start())?;
        check_instant(track.at(track.seconds()))?;
        let steps = (track.seconds() / STEP).ceil().max(1.0) as usize;
        let mut profile = Self { track, start, grid: Vec::with_capacity(steps + 1) };
        for step in 0..=steps {
            let seconds = (step as f64 * STEP).min(track.seconds());
            let height = profile.elevation(seconds);
            profile.grid.push((seconds, height));
        }
        Ok(profile)
    }

    fn elevation(&self, seconds: f64) -> f64 {
        elevation(self.start + seconds, self.track.place(seconds))
    }

    /// Grid points, with the extremes that might cross `h` between two of them put in.
    fn knots(&self, h: f64) -> Vec<(f64, f64)> {
        let mut knots = Vec::with_capacity(self.grid.len() + 4);
        for (index, &(seconds, height)) in self.grid.iter().enumerate() {
            knots.push((seconds, height));
            let (Some(&before), Some(&after)) =
                (self.grid.get(index.wrapping_sub(1)), self.grid.get(index + 1))
            else {
                continue;
            };
            let away = height - h;
            let valley = away > 0.0 && height <= before.1 && height <= after.1;
            let peak = away < 0.0 && height >= before.1 && height >= after.1;
            if away.abs() < GRAZING && (valley || peak) {
                let extreme = self.extreme(before.0, after.0, if valley { 1.0 } else { -1.0 });
                if extreme.0 < seconds {
                    knots.insert(knots.len() - 1, extreme);
                } else {
                    knots.push(extreme);
                }
            }
        }
        knots
    }

    /// The lowest (sign 1) or highest (sign -1) point of a stretch with one of them, by thirds.
    fn extreme(&self, mut a: f64, mut b: f64, sign: f64) -> (f64, f64) {
        while b - a > 1.0 {
            let (c, d) = (a + (b - a) / 3.0, b - (b - a) / 3.0);
            if sign * self.elevation(c) < sign * self.elevation(d) {
                b = d;
            } else {
                a = c;
            }
        }
        let middle = f64::midpoint(a, b);
        (middle, self.elevation(middle))
    }

    /// Seconds at which the elevation crosses h, each with its direction.
    fn crossings(&self, h: f64) -> Vec<(f64, bool)> {
        self.knots(h)
            .windows(2)
            .filter(|pair| (pair[0].1 < h) != (pair[1].1 < h))
            .map(|pair| {
                let rising = pair[0].1 < h;
                let (mut a, mut b) = (pair[0].0, pair[1].0);
                while b - a > FINE {
                    let middle = f64::midpoint(a, b);
                    if (self.elevation(middle) < h) == rising {
                        a = middle;
                    } else {
                        b = middle;
                    }
                }
                (f64::midpoint(a, b), rising)
            })
            .collect()
    }

    fn bound_s(&self) -> f64 {
        if self.track.greatest_latitude() <= 72.0 { 60.0 } else { 600.0 }
    }

    fn stamped(&self, crossings: &[(f64, bool)]) -> Vec<Crossing> {
        crossings
            .iter()
            .map(|&(s, rising)| Crossing { at: self.track.at(s), rising, bound_s: self.bound_s() })
            .collect()
    }

    fn darkness(&self, h: f64, margin_s: f64) -> Darkness {
        let crossings = self.crossings(h);
        let finish = self.track.seconds();
        let mut spells: Vec<(f64, f64)> = Vec::new();
        let mut begin = (self.grid[0].1 < h).then_some(0.0);
        for &(seconds, rising) in &crossings {
            match (begin, rising) {
                (Some(from), true) => {
                    spells.push((from, seconds));
                    begin = None;
                }
                (None, false) => begin = Some(seconds),
                // Two crossings of one direction cannot follow each other.
                _ => {}
            }
        }
        spells.extend(begin.map(|from| (from, finish)));
        let mut widened: Vec<(f64, f64)> = Vec::new();
        for (from, to) in spells {
            let (from, to) = ((from - margin_s).max(0.0), (to + margin_s).min(finish));
            match widened.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(to),
                _ => widened.push((from, to)),
            }
        }
        Darkness {
            below_deg: h,
            hours: widened.iter().map(|(from, to)| to - from).sum::<f64>() / 3600.0,
            bound_h: crossings.len() as f64 * self.bound_s() / 3600.0,
            spells: widened
                .iter()
                .map(|&(from, to)| DarkSpell { from: self.track.at(from), to: self.track.at(to) })
                .collect(),
            crossings: self.stamped(&crossings),
        }
    }
}

/// The crossings of an elevation in degrees along a track, in order; none in polar day or night.
///
/// Sign changes on a five-minute grid (extremes that graze the elevation put in), each bisected. The one-shot formula for
/// rise and set is not used: the runner moves, and a course lasts days.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for an elevation outside -90 to 90 degrees, or instants outside the years 1800 to 2200.
pub fn crossings(track: &Track, elevation_deg: f64) -> Result<Vec<Crossing>, NoEstimate> {
    let h = within("elevation in degrees", elevation_deg, -90.0, 90.0)?;
    let profile = Profile::new(track)?;
    Ok(profile.stamped(&profile.crossings(h)))
}

/// The time below an elevation in degrees along a track. `margin_min` lengthens every spell at both ends, within the
/// course, for trees or a deep valley (half an hour is common practice).
///
/// # Errors
/// As [`crossings`], and for a margin outside 0 to 720 min.
pub fn darkness(track: &Track, below_deg: f64, margin_min: f64) -> Result<Darkness, NoEstimate> {
    let h = within("elevation in degrees", below_deg, -90.0, 90.0)?;
    let margin = within("margin in min", margin_min, 0.0, 720.0)?;
    Ok(Profile::new(track)?.darkness(h, 60.0 * margin))
}

/// The dark hours of a course: below -6 and below -0.8333 degrees, without margin.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for instants outside the years 1800 to 2200.
pub fn dark_hours(track: &Track) -> Result<DarkHours, NoEstimate> {
    let profile = Profile::new(track)?;
    Ok(DarkHours { lamp: profile.darkness(CIVIL_DEG, 0.0), sun_down: profile.darkness(SUN_DOWN_DEG, 0.0) })
}
