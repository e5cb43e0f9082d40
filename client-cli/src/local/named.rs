//! Records that a person names: races, rule sheets, loadouts, seasons, pockets.

use domain::kinds::Kind;
use domain::sync::record::Stored;
use serde_json::Value;
use uuid::Uuid;

use super::Store;
use super::items::fold;
use crate::error::Result;

/// What a record is called: its name, and its edition when it has one.
#[must_use]
pub fn label(record: &Stored) -> String {
    let text = |field: &str| record.body.get(field).and_then(Value::as_str);
    match (text("name"), text("edition")) {
        (Some(name), Some(edition)) if !edition.is_empty() => format!("{name}, {edition}"),
        (Some(name), _) => name.to_owned(),
        (None, _) => "without a name".to_owned(),
    }
}

/// The records that `text` may mean: those of exactly this name, else those with it in the name, else those with each
/// of its words in the name.
#[must_use]
pub fn meant<'r>(records: &'r [Stored], text: &str) -> Vec<&'r Stored> {
    let wanted = fold(text);
    let name = |record: &Stored| fold(record.body.get("name").and_then(Value::as_str).unwrap_or_default());
    let words: Vec<&str> = wanted.split([' ', ',']).filter(|word| !word.is_empty()).collect();
    let exact = |record: &Stored| fold(&label(record)) == wanted || name(record) == wanted;
    let part = |record: &Stored| fold(&label(record)).contains(&wanted);
    let each = |record: &Stored| {
        let label = fold(&label(record));
        !words.is_empty() && words.iter().all(|word| label.contains(word))
    };
    let tests: [&dyn Fn(&Stored) -> bool; 3] = [&exact, &part, &each];
    tests
        .iter()
        .map(|test| records.iter().filter(|record| test(record)).collect::<Vec<_>>())
        .find(|found| !found.is_empty())
        .unwrap_or_default()
}

impl Store {
    /// The live records of a kind, the newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn live(&self, kitroom: Uuid, kind: &'static Kind) -> Result<Vec<Stored>> {
        let mut records = self.records(kitroom, kind)?;
        records.retain(Stored::is_live);
        records.reverse();
        Ok(records)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::time::Timestamp;
    use serde_json::json;

    fn sheet(name: &str, edition: &str) -> Stored {
        Stored {
            id: Uuid::nil(),
            version: 0,
            units: Default::default(),
            created_by: Uuid::nil(),
            recorded_at: Timestamp::from_millis(0).unwrap(),
            deleted: false,
            voided: None,
            time_suspect: false,
            body: json!({ "name": name, "edition": edition }).as_object().unwrap().clone(),
        }
    }

    #[test]
    fn meant_exact_name_then_part_then_each_word() {
        let all = [sheet("Ridge", "2025"), sheet("Ridge", "2026"), sheet("Ridge by night", "2026")];
        let found = |text: &str| meant(&all, text).into_iter().map(label).collect::<Vec<_>>();
        assert_eq!(found("ridge"), ["Ridge, 2025", "Ridge, 2026"]);
        assert_eq!(found("Ridge, 2026"), ["Ridge, 2026"]);
        assert_eq!(found("night"), ["Ridge by night, 2026"]);
        assert_eq!(found("ridge 2025"), ["Ridge, 2025"]);
        assert!(found("valley").is_empty() && found("").len() == 3);
    }
}
