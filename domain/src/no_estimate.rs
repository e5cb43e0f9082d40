//! Why there is no number: the one answer of every estimator when its input cannot carry an estimate.

/// A typed reason instead of a made-up number. `Display` completes the sentence "no estimate because ...".
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoEstimate {
    /// Fewer observations than the method needs.
    #[error("{needed} {what} are needed and there are {got}")]
    TooFew {
        /// What is counted, in the plural ("points", "events").
        what: &'static str,
        /// The least that the method needs.
        needed: usize,
        /// How many there are.
        got: usize,
    },
    /// The values do not vary, so nothing can be told from them.
    #[error("all {what} are equal")]
    NoSpread {
        /// What does not vary, in the plural.
        what: &'static str,
    },
    /// A value is NaN or infinite.
    #[error("{what} is not a finite number")]
    NotFinite {
        /// The value's name.
        what: &'static str,
    },
    /// A value is outside the range in which the method holds.
    #[error("{what} is {value}, outside {low} to {high}")]
    OutOfRange {
        /// The value's name, with its unit.
        what: &'static str,
        /// The value.
        value: f64,
        /// The least that is allowed.
        low: f64,
        /// The most that is allowed.
        high: f64,
    },
    /// Two inputs that must have one length do not.
    #[error("{what} have different lengths ({left} and {right})")]
    LengthMismatch {
        /// The inputs' names.
        what: &'static str,
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// Times that must not run backwards do.
    #[error("{what} are not in order")]
    Unordered {
        /// The input's name, in the plural.
        what: &'static str,
    },
    /// Every observation is censored, so that nothing was seen to happen.
    #[error("every observation is censored")]
    AllCensored,
    /// The system of equations has no unique solution.
    #[error("{what} cannot be told apart by these observations")]
    Singular {
        /// What cannot be told apart.
        what: &'static str,
    },
    /// Anything else that makes the question unanswerable, in words.
    #[error("{0}")]
    Because(&'static str),
}

/// Checks that a value is finite.
///
/// # Errors
/// [`NoEstimate::NotFinite`] with the given name.
pub fn finite(what: &'static str, value: f64) -> Result<f64, NoEstimate> {
    if value.is_finite() { Ok(value) } else { Err(NoEstimate::NotFinite { what }) }
}

/// Checks that a value is finite and within `low..=high`.
///
/// # Errors
/// [`NoEstimate::NotFinite`] or [`NoEstimate::OutOfRange`] with the given name.
pub fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<f64, NoEstimate> {
    finite(what, value)?;
    if (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(NoEstimate::OutOfRange { what, value, low, high })
    }
}
