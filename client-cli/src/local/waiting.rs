//! What waits for a person.

use domain::sync::op::Role;
use rusqlite::{OptionalExtension, params};
use uuid::Uuid;

use super::Store;
use crate::error::Result;
use crate::render::count;

/// How much waits, and of what sort.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Waiting {
    /// Contradictions that this account may settle.
    pub conflicts: i64,
    /// Changes that the service refused.
    pub refused: i64,
    /// Records that a restored service may have lost.
    pub lost: i64,
}

impl Waiting {
    /// All of it.
    #[must_use]
    pub fn all(&self) -> i64 {
        self.conflicts + self.refused + self.lost
    }

    /// Both.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            conflicts: self.conflicts + other.conflicts,
            refused: self.refused + other.refused,
            lost: self.lost + other.lost,
        }
    }

    /// In words, as in "2 conflicts and 1 refused change wait for you"; none when nothing does.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let parts: Vec<String> = [
            (self.conflicts, "conflict"),
            (self.refused, "refused change"),
            (self.lost, "perhaps lost record"),
        ]
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, what)| count(n, what))
        .collect();
        let list = match parts.as_slice() {
            [] => return None,
            [one] => one.clone(),
            [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
        };
        let verb = if self.all() == 1 { "waits" } else { "wait" };
        Some(format!("{list} {verb} for you"))
    }
}

impl Store {
    /// What waits for a person in a kitroom.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn waiting(&self, kitroom: Uuid) -> Result<Waiting> {
        let room = self.kitroom(kitroom)?;
        let account = self.account_id()?.to_string();
        let mut statement = self.conn.prepare_cached(
            "SELECT json_extract(record, '$.offered_by') FROM view
             WHERE kitroom = ?1 AND kind = 'conflict' AND json_extract(record, '$.resolution') IS NULL",
        )?;
        let by = statement.query_map([kitroom], |row| row.get::<_, Option<String>>(0))?;
        let mut conflicts = 0;
        for by in by {
            let mine = room.role >= Role::Keeper || by?.is_some_and(|by| by == account);
            conflicts += i64::from(mine);
        }
        let refused = self.outbox_counts(kitroom)?.rejected;
        Ok(Waiting { conflicts, refused, lost: self.lost_count(kitroom)? })
    }

    /// The numbers by which a person names these things. One that has none yet gets the next; where nothing waits, they
    /// begin anew.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn numbers_of(&self, kitroom: Uuid, ids: &[Uuid]) -> Result<Vec<i64>> {
        if ids.is_empty() {
            self.conn.execute("DELETE FROM numbers WHERE kitroom = ?1", [kitroom])?;
        }
        let mut known = self.conn.prepare_cached("SELECT no FROM numbers WHERE kitroom = ?1 AND id = ?2")?;
        let mut give = self.conn.prepare_cached(
            "INSERT INTO numbers (kitroom, id, no)
             SELECT ?1, ?2, 1 + ifnull(max(no), 0) FROM numbers WHERE kitroom = ?1 RETURNING no",
        )?;
        let mut numbers = Vec::with_capacity(ids.len());
        for id in ids {
            let no = known.query_row(params![kitroom, id], |row| row.get(0)).optional()?;
            numbers.push(match no {
                Some(no) => no,
                None => give.query_row(params![kitroom, id], |row| row.get(0))?,
            });
        }
        Ok(numbers)
    }

    /// Another account's name, where the service has told it.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn person(&self, account: Uuid) -> Result<Option<String>> {
        let mut statement = self.conn.prepare_cached("SELECT name FROM people WHERE account = ?1")?;
        Ok(statement.query_row([account], |row| row.get(0)).optional()?)
    }

    /// The kitrooms that have an open conflict by somebody whose name is not known here.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn kitrooms_of_strangers(&self) -> Result<Vec<Uuid>> {
        let account = self.account_id()?.to_string();
        let mut statement = self.conn.prepare_cached(
            "SELECT DISTINCT kitroom, json_extract(record, '$.offered_by') FROM view
             WHERE kind = 'conflict' AND json_extract(record, '$.resolution') IS NULL",
        )?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get::<_, Option<String>>(1)?)))?;
        let mut kitrooms: Vec<Uuid> = Vec::new();
        for row in rows {
            let (kitroom, by) = row?;
            let Some(by) = by.filter(|by| *by != account).and_then(|by| Uuid::parse_str(&by).ok()) else {
                continue;
            };
            if self.person(by)?.is_none() && !kitrooms.contains(&kitroom) {
                kitrooms.push(kitroom);
            }
        }
        Ok(kitrooms)
    }

    /// Notes names.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn note_people(&mut self, people: &[(Uuid, String)]) -> Result<()> {
        let tx = self.begin()?;
        for (account, name) in people {
            tx.execute(
                "INSERT INTO people (account, name) VALUES (?1, ?2) ON CONFLICT (account) DO UPDATE SET name = ?2",
                params![account, name],
            )?;
        }
        Ok(tx.commit()?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_name_what_waits_and_nothing_else() {
        let waiting = |conflicts, refused, lost| Waiting { conflicts, refused, lost }.words();
        assert_eq!(waiting(0, 0, 0), None);
        assert_eq!(waiting(1, 0, 0).as_deref(), Some("1 conflict waits for you"));
        assert_eq!(waiting(2, 0, 0).as_deref(), Some("2 conflicts wait for you"));
        assert_eq!(
            waiting(1, 2, 3).as_deref(),
            Some("1 conflict, 2 refused changes and 3 perhaps lost records wait for you")
        );
    }
}
