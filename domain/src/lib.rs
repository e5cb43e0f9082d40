//! Tarebook's pure core: every computed number and every merge decision, from plain values to plain values.
//!
//! Nothing here reads a clock, opens a socket or touches a database, so the service, the client at a kit check
//! without signal and the tests run the very same code.

pub mod attention;
pub mod condition;
pub mod distributions;
pub mod effort;
pub mod ids;
pub mod item_kind;
pub mod item_trends;
pub mod kinds;
mod least_squares;
pub mod ledger;
pub mod light;
pub mod lightest;
pub mod loadout;
pub mod mass;
pub mod mass_unit;
pub mod metrology;
pub mod no_estimate;
#[cfg(feature = "openapi")]
pub mod openapi;
pub mod picture;
pub mod pool_life;
pub mod provisions;
pub mod rules;
pub mod stable_reading;
pub mod sync;
pub mod time;
pub mod time_zone;
pub mod trends;
pub mod units;
pub mod waterproofness;
pub mod wear;
pub mod wear_history;
pub mod weighing_text;
pub mod wind_chill;
pub mod wire;
