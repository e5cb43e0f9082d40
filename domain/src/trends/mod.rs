//! Trends, change points and comparisons of series: is this item getting heavier, did something happen, is this season
//! lighter than the last?
//!
//! Every answer carries its n and an interval or a p value. All assume independent errors; repeated weighings of one day
//! are averaged before they come here. Too few points, no spread, NaN or unordered times give a
//! [`NoEstimate`](crate::no_estimate::NoEstimate), never a number.

mod bootstrap;
mod change;
mod compare;
mod decomposition;
mod kendall;
mod pelt;
mod regression;
mod sen;
mod series;
mod signed_rank;
mod slope_selection;

pub use bootstrap::{Bootstrap, bootstrap};
pub use change::{Cusum, MIN_SERIES, MIN_SIDE, Pettitt, cusum, pettitt};
pub use compare::{PairedT, Welch, paired_t, welch};
pub use decomposition::{ItemMass, MassChange, SeasonChange, season_change};
pub use kendall::{MannKendall, exact_two_sided_p, mann_kendall};
pub use pelt::{Segment, Segmentation, change_points, pelt, penalty};
pub use regression::{LeastSquares, Line, Prediction, fit_line, least_squares};
pub use sen::{TheilSen, theil_sen};
pub use series::{Interval, MAX_MAGNITUDE, Series};
pub use signed_rank::{SignedRank, signed_rank};
