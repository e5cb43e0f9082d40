//! A ledger: why one sealed set weighs more or less than another, or one season's sets than another's, line by line.
//!
//! Only sealed masses are read. All sums are whole numbers. A side of n sets is their mean: its masses are whole n-ths of a
//! milligram, so the change of every line is a whole number of `n_before * n_after`-ths of a milligram, and the lines add
//! up to the change exactly. They are then rounded to whole milligrams together, by largest remainders, so that the rounded
//! lines still add up to the difference of the two rounded means. What is left over is 0 by construction.
//!
//! A thing whose mass is not known on one side is in no sum: its line is named apart, and a known mass opposite it is left
//! out with it.

mod composition;
mod matching;
mod round;
mod split;
mod statistics;
mod view;
mod words;

pub use composition::{SealedSet, Side};
pub use round::apportion;
pub use view::ledger;
pub use words::{part_words, whole_grams};
