//! What the history of one item says: how its mass moves, and how its head will stand on a day.

mod head;
mod joint;
mod mass;
mod mass_words;

pub use head::{head_forecast, noon};
pub use mass::{LEAST_DAYS, mass_trend};
