//! Food, water and what is carried, leg by leg: what is left on every arrival, whether a reserve holds, and how heavy
//! the load is at the start, on average, at most and at the finish.
//!
//! Legs are counted from 0. Bands of intake are shown with their source; they are no advice, and drinking more is not
//! safer (hyponatraemia).

mod depletion;
mod energy;
mod legs;
mod load;
mod loadout;
mod water;

pub use energy::{Band, IntakeBand, MAX_KCAL_PER_G, Nutrients, check_density, food_mass_g, kcal_to_kj};
pub use legs::{Arrival, Finding, LegByLeg, LegLoad, Rates, Required, carried_mass};
pub use load::{MassFigure, Masses, MaximumMass};
pub use loadout::{
    CarryPlace, Entry, EntryMass, Leg, Loadout, LoadoutArrival, LoadoutCourse, MassSum, Refill, SharedPart,
    loadout_course,
};
pub use water::{water_density_kg_m3, water_mass_g};
