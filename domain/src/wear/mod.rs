//! How waterproofness wears off: the head as it falls with hours worn and washes, and when it may fall below a limit.
//!
//! Model: ln H = a - b_u u - b_w w + e, e normal with standard deviation sigma; u hours worn, w washes. From five exact tests
//! on it is fitted; below that a stated prior carries most of the answer, which says so. No published rate of loss by hour or
//! wash was found: the default prior is judgement, and every number of it can be edited. Loss of the spray grade is another
//! property ([`spray`]): reproofing restores it and not the head.

mod along;
mod density;
pub mod forecast;
pub mod head_test;
mod likelihood;
pub mod ln_head;
mod marginal;
pub mod model;
pub mod ols;
pub mod posterior;
pub mod prior;
mod quadrature;
pub mod spray;
pub mod tobit;

pub use forecast::{FittedWear, HEAD_LEVEL, LIFE_LEVEL, WearAnswer, fit_wear, forecast};
pub use head_test::{HeadTest, LimitShown, UsePath, UsePoint, limit_shown};
pub use ln_head::LnHead;
pub use model::{HeadForecast, WearLife, WearMethod, WearModel};
pub use ols::{LEAST_TESTS, OlsWear, fit_ols};
pub use posterior::{Posterior, update};
pub use prior::{Gaussian, Prior, PriorBasis, TEST_SIGMA};
pub use spray::{SprayGrade, SpraySummary, summarise_spray};
pub use tobit::{TobitWear, fit_tobit};
