//! Scales. Resolution and capacity are write-once: another resolution is another scale.

pub mod routes;

use crate::features::records::resource::Resource;

/// The resource.
pub const SCALES: Resource = Resource { kind: "scale", segment: "scales", projection: None };
