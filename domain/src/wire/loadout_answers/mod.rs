//! What is answered about a loadout and its race: masses, verdicts, the lightest set, the plan, a comparison. Nothing
//! of it is stored; the service and the client compute it alike.

pub mod compare;
pub mod finding;
pub mod lightest;
pub mod mass;
pub mod plan;
pub mod verdicts;

pub use compare::{ComparedVerdict, ComparisonLine, ComparisonSide, LoadoutComparison};
pub use finding::{FindingCode, LoadoutFinding};
pub use lightest::{LightestAnswer, LightestEntry, LightestReason, LightestSwap, SwapSide};
pub use mass::{
    ByReach, CarriedMasses, ExpendableMasses, LoadoutMass, LoadoutMassInBrief, MassRestsOn, PlaceMasses,
    PocketMass,
};
pub use plan::{
    CostOf100g, DarkHours, DarkSpell, FoodLeg, FoodPlan, LampPlan, LightSource, NumberRange, RacePlan,
    WaterLeg, WaterPlan,
};
pub use verdicts::{JudgedSheet, LoadoutVerdicts, RuleVerdict, VerdictCounts};
