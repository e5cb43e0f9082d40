//! The service.

pub mod platform {
    //! What every feature stands on.
    pub mod embedded_pg;
}
