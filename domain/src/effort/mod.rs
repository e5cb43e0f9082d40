//! What moving costs, and what carrying costs on top: energy and, at an unchanged effort, time.
//!
//! Every figure here describes a model fitted to a few people on treadmills. It ranks no runner and predicts no
//! finish time; a course answer therefore gives its increments as ranges, in whole minutes, with [`CAVEATS`].

mod course;
mod minetti;
mod walking;

pub use course::{CAVEATS, CourseCost, Per100g, Range, Stretch, WholeMinutes, course_cost, lift_floor_kcal};
pub use minetti::{
    Gait, Gradient, LeastCost, MAX_GRADIENT, least_cost_per_metre, least_cost_per_metre_climbed,
};
pub use walking::{
    SHOE_MASS_ENERGY_PERCENT_PER_100_G, SHOE_MASS_TIME_PERCENT_PER_100_G, WeightSupport, lcda_walking,
    net_rate_at_body_weight, pandolf,
};

/// Joules in one kilocalorie (thermochemical calorie, 4.184 J).
pub const JOULES_PER_KCAL: f64 = 4184.0;
/// Standard acceleration of free fall, m/s2 (3rd CGPM, 1901).
pub const STANDARD_GRAVITY: f64 = 9.80665;
