//! What goes into the rule for a settled reading, and what comes out.

use crate::mass_unit::MassUnit;
use crate::units::{MassMg, ReadingMg};

/// One reading from a scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// Milliseconds since any fixed moment.
    pub t_ms: u64,
    /// What the scale shows.
    pub reading: ReadingMg,
    /// The unit that it shows it in.
    pub unit: MassUnit,
    /// What one step of the last digit sent is worth, in mg; 0 when unknown.
    pub step_mg: i64,
    /// Whether the scale says that it is stable; `None` when it says nothing.
    pub stable: Option<bool>,
    /// Whether the scale says that the value is net of a tare; `None` when it says nothing.
    pub net: Option<bool>,
}

/// What comes from the scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScaleStep {
    /// A reading.
    Sample(Sample),
    /// The load is more than the scale takes.
    Overload {
        /// Milliseconds, as in [`Sample`].
        t_ms: u64,
    },
    /// The reading is below what the scale can show.
    Underload {
        /// Milliseconds, as in [`Sample`].
        t_ms: u64,
    },
    /// The stream was interrupted: what came before does not join what comes after.
    Interrupted,
}

/// What is known of a tare behind a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tare {
    /// The reading came down to zero over intermediate values, or was at zero from the start.
    NotSeen,
    /// The reading jumped from a settled load to zero from one sample to the next: the tare key, or a quick hand.
    Possible,
    /// The scale marks the reading as net.
    Shown,
}

/// A settled reading and its evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StableReading {
    /// The median of the settled samples.
    pub median: ReadingMg,
    /// The greatest less the least of them.
    pub spread: MassMg,
    /// How many they are.
    pub n: usize,
    /// The time of the first of them, ms.
    pub from_ms: u64,
    /// The time of the last of them, ms.
    pub to_ms: u64,
    /// The unit that the scale showed.
    pub unit: MassUnit,
    /// The step used, in mg: the scale's `d`, or the shown unit's coarser last digit.
    pub step_mg: i64,
    /// Whether the scale itself called every one of them stable.
    pub flagged_stable: bool,
    /// Whether a tare lies behind it.
    pub tare: Tare,
}

/// What the stream has come to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// A new load has settled: a reading to take.
    Stable(StableReading),
    /// The load has settled at another value and the pan was not empty in between: more was put on, something was
    /// taken off, or one item was swapped for the next.
    Changed(StableReading),
    /// The first thing seen is a settled load, so that its zero was not seen.
    StartedLoaded(StableReading),
    /// The reading has settled below zero: something that was on the pan when it was zeroed has gone.
    BelowZero {
        /// The settled reading.
        reading: StableReading,
        /// An earlier settled load of the same mass, which must have been on the pan when tare was pressed.
        tared_load: Option<ReadingMg>,
    },
    /// The empty pan has settled beside zero, too near to be a load and too far to count as zero.
    NotAtZero(StableReading),
    /// The pan is at zero again and the next load will be taken.
    Ready {
        /// Whether the reading jumped to zero, as at a press of the tare key.
        jumped: bool,
    },
    /// The load is more than the scale takes. Said once until a reading comes.
    Overload,
    /// The reading is below what the scale can show. Said once until a reading comes.
    Underload,
    /// A load is on the pan and has not settled for long. Said once for a load.
    Unsettled {
        /// How long it has been on, ms.
        for_ms: u64,
        /// The greatest less the least of the latest 16 samples.
        spread: MassMg,
    },
    /// The scale shows another unit than before.
    UnitChanged {
        /// Before.
        from: MassUnit,
        /// Now.
        to: MassUnit,
    },
    /// A sample's time is before that of the sample before it.
    TimeWentBack,
}
