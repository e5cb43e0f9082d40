//! Items of kit, each answered with its mass, the uncertainty of it and what it rests on.

pub mod routes;

use crate::features::records::resource::{Projection, Resource};

/// The resource.
pub const ITEMS: Resource = Resource {
    kind: "item",
    segment: "items",
    projection: Some(Projection { table: "item_masses", key: "item_id", value: "mass" }),
};
