//! A loadout's numbers from plain records: masses, verdicts, the lightest set, the plan of its race, its snapshot, and
//! two of them side by side.
//!
//! Both ends build [`LoadoutFacts`] ([`LoadoutRecords`] does it from stored records) and ask:
//! - [`mass()`]: how heavy it is over the course, by reach, demanded and own choice;
//! - [`verdicts()`]: each rule MET, NOT MET, NOT SHOWN or NOT APPLICABLE;
//! - [`lightest()`]: the lightest set that meets every rule and fits the vest;
//! - [`plan()`]: dark hours, light, water, food and the cost of 100 g;
//! - [`snapshot()`]: what a seal holds;
//! - [`compare()`]: the difference of two;
//! - [`see()`]: what an entry keeps of a club's item.

mod burn;
mod candidates;
mod compare;
mod cuts;
mod demanded;
mod facts;
mod findings;
mod head;
mod layout;
mod lightest_question;
mod lightest_set;
mod masses;
mod plan;
mod race;
mod records;
mod seen;
mod snapshot;
mod sources;
mod verdicts;

pub use compare::compare;
pub use facts::{KnownItem, KnownSheet, LoadoutFacts, OfferedItem};
pub use lightest_set::{LightestOptions, NoLightestSet, lightest};
pub use masses::{mass, mass_in_brief};
pub use plan::{PlanOptions, plan};
pub use records::{LoadoutRecords, UnreadableRecord, known_item, superseded};
pub use seen::see;
pub use snapshot::snapshot;
pub use verdicts::verdicts;
