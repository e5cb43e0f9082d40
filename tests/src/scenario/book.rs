//! The records of one kitroom as they come about, in order, with ids from a seed.

use chrono::{DateTime, Duration, NaiveDate, Utc};
use domain::kinds::{self, Kind};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

/// Why a plan cannot be turned into records.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct PlanError(pub String);

/// What came of it.
pub type Result<T> = std::result::Result<T, PlanError>;

/// The kitroom's records.
#[derive(Debug)]
pub struct Book {
    today: NaiveDate,
    seed: u64,
    /// Each record with its kind, in the order of making.
    pub records: Vec<(&'static Kind, Stored)>,
}

impl Book {
    /// An empty one; `today` is the day that the plan counts from.
    #[must_use]
    pub fn new(today: NaiveDate, seed: u64) -> Self {
        Self { today, seed, records: Vec::new() }
    }

    /// 64 bits of chance (splitmix64, Steele, Lea and Flood 2014): the same plan always makes the same records.
    fn draw(&mut self) -> u64 {
        self.seed = self.seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// About normal, of standard deviation 1: the sum of twelve even draws less six.
    pub fn noise(&mut self) -> f64 {
        (0..12).map(|_| self.draw() as f64 / u64::MAX as f64).sum::<f64>() - 6.0
    }

    /// A day of the plan.
    #[must_use]
    pub fn day(&self, offset: i64) -> NaiveDate {
        self.today + Duration::days(offset)
    }

    /// A moment of a day of the plan.
    ///
    /// # Errors
    /// For a clock that is no `HH:MM`.
    pub fn at(&self, offset: i64, clock: &str) -> Result<Timestamp> {
        let text = format!("{}T{clock}:00Z", self.day(offset));
        text.parse().map_err(|_| PlanError(format!("{clock} is no time of the day")))
    }

    fn id(&mut self, at: Timestamp) -> Uuid {
        let high = u128::from(at.millis().unsigned_abs()) << 80;
        let middle = (0x7_u128 << 76) | (u128::from(self.draw() & 0xfff) << 64);
        let low = (0x8_u128 << 60) | u128::from(self.draw() & 0x0fff_ffff_ffff_ffff);
        Uuid::from_u128(high | middle | low)
    }

    /// Adds a record that came about at a moment; what is wrong with it fails the plan.
    ///
    /// # Errors
    /// As the kind refuses the body.
    pub fn add(&mut self, kind: &str, at: Timestamp, body: Value) -> Result<Uuid> {
        let kind = kinds::kind(kind).ok_or_else(|| PlanError(format!("there is no kind {kind}")))?;
        let Value::Object(body) = body else { return Err(PlanError("a record is an object".into())) };
        let refused = |errors: Vec<domain::wire::problem::FieldError>| {
            let words: Vec<String> =
                errors.into_iter().map(|error| format!("{} {}", error.pointer, error.detail)).collect();
            PlanError(format!("a {}: {}; {}", kind.name, words.join(", "), json!(body)))
        };
        let body: Object = (kind.normalise)(&body).map_err(refused)?;
        let id = self.id(at);
        let version = self.records.len() as i64 + 1;
        self.records.push((
            kind,
            Stored {
                id,
                version,
                units: std::collections::BTreeMap::new(),
                created_by: Uuid::nil(),
                recorded_at: at,
                deleted: false,
                voided: None,
                time_suspect: false,
                body,
            },
        ));
        Ok(id)
    }

    /// The records of a kind.
    #[must_use]
    pub fn of(&self, kind: &str) -> Vec<Stored> {
        let found = self.records.iter().filter(|(one, _)| one.name == kind);
        found.map(|(_, record)| record.clone()).collect()
    }

    /// As a file for `tare import`: a line that says what it is, then a line a record.
    #[must_use]
    pub fn lines(&self, name: &str, purpose: &str, now: DateTime<Utc>) -> String {
        let head = json!({
            "tarebook_export": 1,
            "kitroom": { "name": name, "purpose": purpose },
            "exported_at": Timestamp::from_utc(now),
            "records": self.records.len(),
        });
        let mut lines = format!("{head}\n");
        for kind in kinds::KINDS {
            for (_, record) in self.records.iter().filter(|(one, _)| one.name == kind.name) {
                let mut body = record.body.clone();
                body.insert("id".into(), json!(record.id));
                lines += &json!({ "kind": kind.name, "record": body }).to_string();
                lines.push('\n');
            }
        }
        lines
    }
}
