//! Weighings: one reading of one item on one scale. Facts: appended, superseded, voided, never changed.

pub mod routes;

use crate::features::records::resource::Resource;

/// The resource.
pub const WEIGHINGS: Resource = Resource { kind: "weighing", segment: "weighings", projection: None };
