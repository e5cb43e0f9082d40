//! Check readings: what a scale shows for a known weight. Facts: appended, superseded, voided, never changed.

pub mod routes;

use crate::features::records::resource::Resource;

/// The resource.
pub const CHECK_READINGS: Resource =
    Resource { kind: "check_reading", segment: "check-readings", projection: None };
