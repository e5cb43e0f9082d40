//! A lamp's or a cell's burn time from discharge tests.

use crate::distributions::student_t_two_sided;
use crate::time::Timestamp;
use crate::wear_history::LogFact;
use crate::wire::log_entry::{LogEntryBody, LogEvent};

/// How far one discharge test may be from the next, as a share: judgement, used while there is only one.
const ONE_TEST_U: f64 = 0.05;
/// The level of the interval.
const LEVEL: f64 = 0.95;

/// What tests say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BurnKnown {
    pub burn_h: f64,
    /// The interval of the next discharge, 95 %.
    pub low_h: f64,
    pub high_h: f64,
    pub tested_at: Timestamp,
    /// At which temperature the newest was made.
    pub temperature_c: Option<f64>,
}

/// The mean of the tests in the mode of the newest one, with the interval in which the next discharge lies: by
/// Student's t from two tests on, by an assumed scatter of 5 % from one.
pub(super) fn burn(log: &[LogFact]) -> Option<BurnKnown> {
    let bodies = || log.iter().map(|fact| &fact.body);
    let tests = || bodies().filter(|entry| entry.event == LogEvent::BurnTest && entry.burn_h.is_some());
    let newest = tests().next_back()?;
    let mode = |entry: &LogEntryBody| entry.mode.as_ref().map(|mode| mode.as_str().to_lowercase());
    let hours: Vec<f64> =
        tests().filter(|t| mode(t) == mode(newest)).filter_map(|t| t.burn_h).map(|h| h.value()).collect();
    let n = hours.len() as f64;
    let mean = hours.iter().sum::<f64>() / n;
    let half = if hours.len() == 1 {
        1.96 * ONE_TEST_U * mean
    } else {
        let s = (hours.iter().map(|h| (h - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        // Tests that agree to the last digit still scatter.
        student_t_two_sided(LEVEL, n - 1.0) * s.max(0.01 * mean) * (1.0 + 1.0 / n).sqrt()
    };
    Some(BurnKnown {
        burn_h: mean,
        low_h: (mean - half).max(0.0),
        high_h: mean + half,
        tested_at: newest.observed_at,
        temperature_c: newest.temperature_c.map(|t| t.value()),
    })
}
