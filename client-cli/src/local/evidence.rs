//! What calculations over a whole kitroom read.

use std::collections::HashMap;

use domain::kinds;
use domain::mass::{Evidence, WeighingFact};
use domain::wear_history::LogFact;
use uuid::Uuid;

use super::Store;
use crate::error::Result;

impl Store {
    /// All weighings of a kitroom, and what its scales and check weights say.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn evidence(&self, kitroom: Uuid) -> Result<(Vec<WeighingFact>, Evidence)> {
        let weighings = self.records(kitroom, &kinds::weighing::KIND)?;
        let evidence = Evidence::of_kitroom(
            &self.records(kitroom, &kinds::scale::KIND)?,
            &self.records(kitroom, &kinds::sitting::KIND)?,
            &self.records(kitroom, &kinds::check_reading::KIND)?,
            &weighings,
        );
        let superseded = Evidence::superseded(&weighings);
        let facts = weighings.iter().filter_map(|record| WeighingFact::from_record(record, &superseded));
        Ok((facts.collect(), evidence))
    }

    /// The condition history of one item.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn log_of(&self, kitroom: Uuid, item: Uuid) -> Result<Vec<LogFact>> {
        let records =
            self.referring(kitroom, &kinds::log_entry::KIND, "item_id", (kinds::item::KIND.name, item))?;
        Ok(LogFact::all(&records))
    }

    /// The condition history of every item.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn logs(&self, kitroom: Uuid) -> Result<HashMap<Uuid, Vec<LogFact>>> {
        let records = self.records(kitroom, &kinds::log_entry::KIND)?;
        let mut logs: HashMap<Uuid, Vec<LogFact>> = HashMap::new();
        for fact in LogFact::all(&records) {
            logs.entry(fact.body.item_id.into()).or_default().push(fact);
        }
        Ok(logs)
    }
}
