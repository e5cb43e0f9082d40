//! When a stream of readings has come to rest.

use std::collections::VecDeque;

use serde::Serialize;

use super::outliers::median;
use super::resolution::positive;
use crate::no_estimate::{NoEstimate, finite};

/// Samples in the window.
const WINDOW: usize = 5;
/// Least time from the first to the last of them, s.
const SPAN_S: f64 = 0.8;

/// A reading that stood still.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stable {
    /// Median of the window.
    pub reading_g: f64,
    /// Greatest minus least of the window.
    pub spread_g: f64,
    /// Number of samples in the window.
    pub samples: usize,
    /// Position in the stream, from 0, of the sample that completed it.
    pub index: usize,
}

/// Watches a stream: reports once when at least five samples over at least 0.8 s lie within one resolution `d` and their
/// median is more than two `d` from zero; then waits until the pan is empty (within one `d` of zero).
#[derive(Debug, Clone)]
pub struct StableDetector {
    d_g: f64,
    armed: bool,
    seen: usize,
    window: VecDeque<(f64, f64)>,
}

impl StableDetector {
    /// For a scale of resolution `d_g` grams.
    ///
    /// # Errors
    /// `NotFinite` or `OutOfRange` for a resolution that is not above 0.
    pub fn new(d_g: f64) -> Result<Self, NoEstimate> {
        Ok(Self { d_g: positive("the resolution in g", d_g)?, armed: true, seen: 0, window: VecDeque::new() })
    }

    /// Takes the next sample: time in s from any start, reading in g.
    ///
    /// # Errors
    /// `NotFinite`; `Unordered` for a time before the last one. A refused sample leaves the detector as it was.
    pub fn push(&mut self, time_s: f64, reading_g: f64) -> Result<Option<Stable>, NoEstimate> {
        finite("the time in s", time_s)?;
        finite("the reading in g", reading_g)?;
        if self.window.back().is_some_and(|(last, _)| time_s < *last) {
            return Err(NoEstimate::Unordered { what: "sample times" });
        }
        let index = self.seen;
        self.seen += 1;
        // Readings are whole multiples of d, blurred by the decimal point.
        let d = self.d_g * (1.0 + 1e-6);
        if reading_g.abs() <= d {
            self.armed = true;
        }
        self.window.push_back((time_s, reading_g));
        // The shortest window that still spans long enough, but never fewer samples than asked.
        while self.window.len() > WINDOW && time_s - self.window[1].0 >= SPAN_S - 1e-9 {
            self.window.pop_front();
        }
        let span = time_s - self.window[0].0;
        if !self.armed || self.window.len() < WINDOW || span < SPAN_S - 1e-9 {
            return Ok(None);
        }
        let readings: Vec<f64> = self.window.iter().map(|(_, reading)| *reading).collect();
        let (least, most) = readings.iter().fold((f64::MAX, f64::MIN), |(l, m), r| (l.min(*r), m.max(*r)));
        let middle = median(&readings);
        if most - least > d || middle.abs() <= 2.0 * d {
            return Ok(None);
        }
        self.armed = false;
        Ok(Some(Stable { reading_g: middle, spread_g: most - least, samples: readings.len(), index }))
    }
}
