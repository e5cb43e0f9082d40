//! The head of a garment on a day, from its log: hours worn, washes and head tests, and what the wear model makes of them.
//!
//! Verdicts, the forecast of one item and the list of what deserves a look all ask here, so that they agree.

mod head;
mod known;
mod log;
mod series;

pub use head::{HeadOn, head_on};
pub use known::HeadKnown;
pub use log::{LogFact, WEARING, WornUse, worn_until};
pub use series::{Conditions, SeriesTest, TestSeries, test_series};
