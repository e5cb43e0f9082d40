//! What every feature stands on; imports none of them.

pub mod embedded_pg;
