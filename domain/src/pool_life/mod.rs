//! How long a club's pool of one kind of gear lasts: survival curves of items by age or by hours of use.
//!
//! The event is retirement for cause. An item still in use, sold or lost is right-censored: it lasted at least so long (loss is
//! not failure; where items tend to be lost because they were worn out, the curve is too hopeful, and that must be said). An
//! item bought used enters at its age (left truncation): it could not have been seen to fail before.

pub mod kaplan_meier;
pub mod life;
pub mod log_rank;
pub mod weibull;

pub use kaplan_meier::{KaplanMeier, KaplanMeierStep, kaplan_meier};
pub use life::{ItemLife, LEAST_EVENTS};
pub use log_rank::{LogRank, log_rank};
pub use weibull::{Weibull, WeibullCurve, fit_weibull};
