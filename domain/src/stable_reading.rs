//! When a stream of readings has settled, and when the pan is ready for the next item.
//!
//! The rule: the latest samples, at least `n` of them and spanning at least `min_span_ms`, lie within one step `d` of
//! each other, and their median is more than 2 d from zero; then the median is reported, once. Nothing more is taken
//! for an item until the reading has been within 1 d of zero. This is a rule of this project, not of a standard; n = 5
//! and 0.8 s are judgement.
//!
//! The samples of one settled stretch are one look at one load: they do not make the reading surer than one reading
//! of step `d`, and `spread` and `n` are kept as evidence, not as statistics.
//!
//! Times are passed in and only their differences count.

mod signal;

use std::collections::VecDeque;

pub use self::signal::{Sample, ScaleStep, Signal, StableReading, Tare};
use crate::units::{MassMg, ReadingMg};

/// How settled is told from unsettled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StableRule {
    /// The scale's step `d`. If the unit shown has a coarser last digit, that step is used.
    pub resolution: MassMg,
    /// The least number of samples.
    pub n: usize,
    /// The least time from the first to the last of them, in ms.
    pub min_span_ms: u64,
    /// A pause longer than this, in ms, parts two stretches.
    pub max_gap_ms: u64,
    /// A load that has not settled for this long, in ms, is said to be unsettled.
    pub unsettled_after_ms: u64,
    /// Each sample is a reading by itself and no zero is wanted in between: a scale that sends on its print key.
    pub each_sample: bool,
}

impl StableRule {
    /// The usual rule for a scale of step `resolution`: 5 samples over 0.8 s.
    #[must_use]
    pub fn new(resolution: MassMg) -> Self {
        Self {
            resolution,
            n: 5,
            min_span_ms: 800,
            max_gap_ms: 5_000,
            unsettled_after_ms: 15_000,
            each_sample: false,
        }
    }

    /// For a scale that sends one line when its print key is pressed: each line that is not marked unstable is a
    /// settled reading by itself.
    #[must_use]
    pub fn on_print(resolution: MassMg) -> Self {
        Self { n: 1, min_span_ms: 0, each_sample: true, ..Self::new(resolution) }
    }
}

/// The most samples that are kept, whatever the rate.
const MAX_KEPT: usize = 4096;

/// How many of the latest samples tell how unsettled the reading is.
const RECENT: usize = 16;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Gate {
    /// Nothing has been seen yet.
    Start,
    /// Zero has been seen: the next load is taken.
    Ready,
    /// A load has been taken, or was on the pan at the start; the value last spoken of.
    Loaded,
    /// The reading was below zero: only a settled zero makes it ready.
    Below,
}

/// The state of the stream.
#[derive(Debug, Clone)]
pub struct StableReader {
    rule: StableRule,
    window: VecDeque<Sample>,
    gate: Gate,
    /// The value last told of in this stretch and its step, in mg, so that it is told once.
    told_mg: Option<(i64, i64)>,
    /// The latest values in mg, settled or not, for saying how unsettled they are.
    recent_mg: VecDeque<i64>,
    /// The last settled load, in mg.
    load_mg: Option<i64>,
    last: Option<Sample>,
    tare: Tare,
    out_of_range: Option<Signal>,
    unsettled_since: Option<u64>,
    unsettled_told: bool,
}

impl StableReader {
    /// A reader that has seen nothing.
    #[must_use]
    pub fn new(rule: StableRule) -> Self {
        Self {
            rule,
            window: VecDeque::new(),
            gate: Gate::Start,
            told_mg: None,
            recent_mg: VecDeque::new(),
            load_mg: None,
            last: None,
            tare: Tare::NotSeen,
            out_of_range: None,
            unsettled_since: None,
            unsettled_told: false,
        }
    }

    /// Whether the next settled load will be taken.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.gate == Gate::Ready
    }

    /// Takes the next step of the stream and answers what it has come to; most steps come to nothing.
    pub fn step(&mut self, step: ScaleStep) -> Vec<Signal> {
        let mut signals = Vec::new();
        match step {
            ScaleStep::Interrupted => {
                // What is on the pan after the break may be what was weighed before it.
                self.window.clear();
                self.last = None;
                self.gate = Gate::Start;
                self.told_mg = None;
                self.unsettled_since = None;
            }
            ScaleStep::Overload { .. } => self.out_of_range(Signal::Overload, &mut signals),
            ScaleStep::Underload { .. } => {
                self.gate = Gate::Below;
                self.told_mg = None;
                self.out_of_range(Signal::Underload, &mut signals);
            }
            ScaleStep::Sample(sample) => self.sample(sample, &mut signals),
        }
        signals
    }

    fn out_of_range(&mut self, signal: Signal, signals: &mut Vec<Signal>) {
        self.window.clear();
        self.last = None;
        self.unsettled_since = None;
        if self.out_of_range != Some(signal) {
            self.out_of_range = Some(signal);
            signals.push(signal);
        }
    }

    fn sample(&mut self, sample: Sample, signals: &mut Vec<Signal>) {
        self.out_of_range = None;
        if let Some(last) = self.last {
            if sample.t_ms < last.t_ms {
                signals.push(Signal::TimeWentBack);
                self.window.clear();
                self.unsettled_since = None;
            } else if sample.t_ms - last.t_ms > self.rule.max_gap_ms {
                self.window.clear();
            }
            if sample.unit != last.unit {
                signals.push(Signal::UnitChanged { from: last.unit, to: sample.unit });
                self.window.clear();
            }
        }
        let before = self.last.replace(sample);
        let step = self.step_mg(sample);
        self.recent_mg.push_back(sample.reading.scaled());
        if self.recent_mg.len() > RECENT {
            self.recent_mg.pop_front();
        }
        if sample.stable == Some(false) {
            self.window.clear();
        } else {
            self.window.push_back(sample);
            self.trim();
        }
        self.zero(sample, before, step, signals);
        match self.settled(step) {
            Some(reading) => self.tell(reading, step, signals),
            None => self.unsettled(sample, step, signals),
        }
    }

    /// The scale's own step or, if coarser, that of the digits it sends.
    fn step_mg(&self, sample: Sample) -> i64 {
        self.rule.resolution.scaled().max(sample.step_mg).max(1)
    }

    /// Keeps the fewest latest samples that satisfy both the number and the span.
    fn trim(&mut self) {
        let Some(newest) = self.window.back().map(|sample| sample.t_ms) else { return };
        while self.window.len() > self.rule.n.max(1) {
            let next = self.window[1].t_ms;
            if self.window.len() > MAX_KEPT || newest - next >= self.rule.min_span_ms {
                self.window.pop_front();
            } else {
                break;
            }
        }
    }

    fn settled(&self, step: i64) -> Option<StableReading> {
        let (first, last) = (self.window.front()?, self.window.back()?);
        if self.window.len() < self.rule.n || last.t_ms - first.t_ms < self.rule.min_span_ms {
            return None;
        }
        let mut values: Vec<i64> = self.window.iter().map(|sample| sample.reading.scaled()).collect();
        values.sort_unstable();
        let spread = values.last()? - values.first()?;
        if spread > step {
            return None;
        }
        let middle = values.len() / 2;
        let median =
            if values.len() % 2 == 1 { values[middle] } else { (values[middle - 1] + values[middle]) / 2 };
        Some(StableReading {
            median: ReadingMg::from_scaled(median).ok()?,
            spread: MassMg::from_scaled(spread).ok()?,
            n: values.len(),
            from_ms: first.t_ms,
            to_ms: last.t_ms,
            unit: last.unit,
            step_mg: step,
            flagged_stable: self.window.iter().all(|sample| sample.stable == Some(true)),
            tare: if last.net == Some(true) { Tare::Shown } else { self.tare },
        })
    }

    /// Opens the gate at zero.
    fn zero(&mut self, sample: Sample, before: Option<Sample>, step: i64, signals: &mut Vec<Signal>) {
        if sample.reading.scaled().abs() > step {
            return;
        }
        self.unsettled_since = None;
        let was_at_zero = before.is_some_and(|b| b.reading.scaled().abs() <= step);
        let open = match self.gate {
            Gate::Ready => false,
            Gate::Start | Gate::Loaded => true,
            // On the way up from below zero one sample may pass through zero.
            Gate::Below => was_at_zero && sample.stable != Some(false),
        };
        if open {
            // From the settled load to zero in one step, without a sample of the way down.
            let jumped = self.gate == Gate::Loaded
                && before.is_some_and(|b| {
                    self.told_mg.is_some_and(|(told, _)| (b.reading.scaled() - told).abs() <= step)
                });
            self.tare = if jumped { Tare::Possible } else { Tare::NotSeen };
            self.gate = Gate::Ready;
            self.told_mg = None;
            self.unsettled_told = false;
            signals.push(Signal::Ready { jumped });
        }
    }

    fn tell(&mut self, reading: StableReading, step: i64, signals: &mut Vec<Signal>) {
        self.unsettled_since = None;
        self.unsettled_told = false;
        let median = reading.median.scaled();
        if self.rule.each_sample {
            if median > 2 * step {
                signals.push(Signal::Stable(reading));
            } else if median < -2 * step {
                signals.push(Signal::BelowZero { reading, tared_load: None });
            }
            return;
        }
        if let Some((told, told_step)) = self.told_mg
            && (median - told).abs() <= 2 * step.max(told_step)
        {
            // A load creeps: follow it, so that a slow drift is not taken for another load.
            self.told_mg = Some((median, step));
            return;
        }
        if median.abs() <= step {
            self.told_mg = None;
            return;
        }
        self.told_mg = Some((median, step));
        if median < -2 * step {
            let tared_load = self
                .load_mg
                .filter(|load| (load + median).abs() <= 2 * step)
                .and_then(|l| ReadingMg::from_scaled(l).ok());
            self.gate = Gate::Below;
            signals.push(Signal::BelowZero { reading, tared_load });
        } else if median <= 2 * step {
            signals.push(Signal::NotAtZero(reading));
        } else {
            let signal = match self.gate {
                Gate::Ready => Signal::Stable(reading),
                Gate::Start => Signal::StartedLoaded(reading),
                Gate::Loaded | Gate::Below => Signal::Changed(reading),
            };
            if self.gate != Gate::Below {
                self.gate = Gate::Loaded;
            }
            self.load_mg = Some(median);
            signals.push(signal);
        }
    }

    fn unsettled(&mut self, sample: Sample, step: i64, signals: &mut Vec<Signal>) {
        if sample.reading.scaled().abs() <= 2 * step || self.gate == Gate::Loaded {
            return;
        }
        let since = *self.unsettled_since.get_or_insert(sample.t_ms);
        let for_ms = sample.t_ms.saturating_sub(since);
        if for_ms < self.rule.unsettled_after_ms || self.unsettled_told {
            return;
        }
        self.unsettled_told = true;
        let values = self.recent_mg.iter().copied();
        let spread = values.clone().max().unwrap_or(0) - values.min().unwrap_or(0);
        if let Ok(spread) = MassMg::from_scaled(spread.min(MassMg::MAX)) {
            signals.push(Signal::Unsettled { for_ms, spread });
        }
    }
}

#[cfg(test)]
mod tests;
