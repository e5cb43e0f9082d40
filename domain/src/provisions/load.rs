//! The four figures of a load.

use crate::no_estimate::NoEstimate;

/// A mass and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MassFigure {
    /// Value, g.
    pub value_g: f64,
    /// Standard uncertainty, g, of the items' masses; how much is eaten and drunk is an assumption without one. None when an
    /// item that counts has no known uncertainty (a label's mass).
    pub u_g: Option<f64>,
}

/// The heaviest moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MaximumMass {
    /// The mass.
    pub mass: MassFigure,
    /// On leaving for this leg; the first of equals.
    pub leg: usize,
}

/// A load over a course. Without legs only the start is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Masses {
    /// Crossing the start line.
    pub start: MassFigure,
    /// Mean over time.
    pub mean: Result<MassFigure, NoEstimate>,
    /// At most, and where.
    pub maximum: Result<MaximumMass, NoEstimate>,
    /// Crossing the finish line.
    pub finish: Result<MassFigure, NoEstimate>,
}
