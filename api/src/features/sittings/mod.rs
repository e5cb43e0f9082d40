//! Sittings: one session at a scale, whose check readings and weighings share one offset.

pub mod routes;

use crate::features::records::resource::Resource;

/// The resource.
pub const SITTINGS: Resource = Resource { kind: "sitting", segment: "sittings", projection: None };
