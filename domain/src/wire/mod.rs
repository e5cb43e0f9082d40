//! What goes over the wire, one file a resource; the service and the client share these types.

pub mod account;
pub mod check_reading;
pub mod item;
pub mod kitroom;
pub mod mass;
pub mod member;
pub mod problem;
pub mod scale;
pub mod shape;
pub mod sitting;
pub mod sync;
pub mod text;
pub mod weighing;
