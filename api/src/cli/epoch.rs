//! `tarebook epoch new`.

use domain::wire::problem::ErrorCode;

use super::{Failure, on_database, say};
use crate::config::EpochNewArgs;
use crate::features::kitrooms::store as kitrooms;
use crate::platform::error::ApiError;

/// What a new epoch means for the devices.
pub const WHAT_COMES: &str = "each device notices at its next sync, reads the kitroom anew, and shows what it holds that \
     is not here; it deletes none of that without a person's yes";

pub fn new(args: &EpochNewArgs) -> Result<(), Failure> {
    let (name, id) = on_database(&args.data, async |conn| {
        let found = kitrooms::find_by_text(conn, &args.kitroom).await?;
        match found.as_slice() {
            [(id, name)] => {
                kitrooms::begin_epoch(conn, *id).await?;
                Ok((name.clone(), *id))
            }
            [] => {
                let words =
                    format!("there is no kitroom {}; write its id, or its name as it is", args.kitroom);
                Err(ApiError::new(ErrorCode::NotFound, words))
            }
            many => {
                let ids: Vec<String> = many.iter().map(|(id, _)| id.to_string()).collect();
                let words = format!(
                    "{} kitrooms are called {}; choose by id: {}",
                    many.len(),
                    args.kitroom,
                    ids.join(", ")
                );
                Err(ApiError::new(ErrorCode::Conflict, words))
            }
        }
    })?;
    say(&format!("{name} ({id}) has a new epoch: {WHAT_COMES}"));
    Ok(())
}
