//! What a history says: whether an item may be used, how many units are left, whether a loadout may still change.

pub mod sealed;
pub mod state;
pub mod stock;

pub use sealed::{LoadoutStateView, SealFact, loadout_state, stands};
pub use state::{StateEvent, StateView, item_state};
pub use stock::{Movement, StockView, stock_left};
