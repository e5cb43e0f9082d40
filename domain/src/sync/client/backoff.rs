//! Pauses between tries: exponential backoff with full jitter, never shorter than the service asks for.

/// How long a replica keeps trying.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// How often a request is made in a row without an answer; none is without end.
    pub tries: Option<u32>,
    /// The longest pause by itself, in milliseconds.
    pub longest_ms: u64,
    /// A service that asks for a longer pause than this is left alone for now, in milliseconds.
    pub longest_asked_ms: u64,
}

impl Patience {
    /// Somebody waits in front of the screen.
    pub const SHORT: Self = Self { tries: Some(4), longest_ms: 30_000, longest_asked_ms: 30_000 };
    /// Nobody waits: a device that watches.
    pub const LONG: Self = Self { tries: None, longest_ms: 300_000, longest_asked_ms: 24 * 3_600_000 };
}

/// The most that the first pause is, in milliseconds; it doubles each time.
const FIRST_MS: u64 = 500;

/// The pause after so many failures in a row (1 is the first): full jitter, that is evenly spread between 0 and
/// half a second times two to the power of `failures - 1`, at most `longest_ms`; what the service asks for comes before
/// it, so that those whom it sent away do not all come back at once. `roll` is evenly spread over all of `u32`.
#[must_use]
pub fn backoff(failures: u32, longest_ms: u64, asked_ms: Option<u64>, roll: u32) -> u64 {
    let most = FIRST_MS.saturating_mul(1 << failures.saturating_sub(1).min(20)).min(longest_ms);
    let jitter = (u128::from(most) * u128::from(roll)) >> 32;
    u64::try_from(jitter).unwrap_or(most).saturating_add(asked_ms.unwrap_or(0))
}
