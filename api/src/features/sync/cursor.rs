//! The feed's cursor: how far its reader has come, how far the kitroom had when that was read, and the mark of the commit
//! that holds the latter. A server that was restored or copied has another mark there. It is no capability: the kitroom
//! and the membership are checked every time. An ack has the same form and is never taken for a cursor: whoever has it
//! has not read what lies before it.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::sync::feed::Place;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::SCHEMA_VERSION;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::platform::error::ApiError;

const FORM: u8 = 1;
/// Longer than any of ours.
const MAX_BYTES: usize = 1000;

/// What a cursor holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cursor {
    #[serde(rename = "v")]
    form: u8,
    /// The kitroom.
    #[serde(rename = "k")]
    pub kitroom: Uuid,
    /// Its epoch.
    #[serde(rename = "e")]
    pub epoch: Uuid,
    /// The last change that was delivered.
    #[serde(rename = "s")]
    pub seq: i64,
    /// The last change of the kitroom at that moment, where there was more.
    #[serde(rename = "n", default, skip_serializing_if = "Option::is_none")]
    ahead: Option<i64>,
    /// The mark of the commit that holds the last change of the kitroom at that moment; empty before the first.
    #[serde(rename = "m")]
    mark: String,
    /// The version of the schema that its reader knew.
    #[serde(rename = "c")]
    pub schema: i32,
    /// While a kitroom is read from its beginning: the last change when that began. What was deleted by then is left out.
    #[serde(rename = "h", default, skip_serializing_if = "Option::is_none")]
    pub began_at: Option<i64>,
    /// While the kinds are read that an older reader lacked: how far that has come.
    #[serde(rename = "b", default, skip_serializing_if = "Option::is_none")]
    pub backfilled: Option<i64>,
    #[serde(rename = "a", default, skip_serializing_if = "std::ops::Not::not")]
    is_ack: bool,
}

impl Cursor {
    /// Before the first change of a kitroom whose last one is `head`.
    #[must_use]
    pub fn start(kitroom: Uuid, epoch: Uuid, schema: i32, head: i64) -> Self {
        let Place { seq, began_at, .. } = Place::start(head);
        Self {
            form: FORM,
            kitroom,
            epoch,
            seq,
            ahead: None,
            mark: String::new(),
            schema,
            began_at,
            backfilled: None,
            is_ack: false,
        }
    }

    /// The same reader at a later change of a kitroom whose last one is `head`; `mark` is that of the commit that holds
    /// `head`.
    #[must_use]
    pub fn moved_to(&self, seq: i64, head: i64, mark: Option<&[u8]>) -> Self {
        Self { mark: spell(mark), ..self.at(self.place().moved_to(seq, head)) }
    }

    /// The same reader at a later change, when the kitroom has not changed since.
    #[must_use]
    pub fn moved_within(&self, seq: i64) -> Self {
        let place = self.place();
        self.at(place.moved_to(seq, place.seen))
    }

    fn at(&self, place: Place) -> Self {
        let Place { seq, seen, began_at } = place;
        Self { seq, ahead: Some(seen).filter(|seen| *seen > seq), began_at, ..self.clone() }
    }

    /// How far its reader has come.
    #[must_use]
    pub fn place(&self) -> Place {
        Place { seq: self.seq, seen: self.ahead.unwrap_or(self.seq), began_at: self.began_at }
    }

    /// The same for a reader that knows this version of the schema, and has the kinds that it lacked up to here; all of
    /// them when there is no such place.
    #[must_use]
    pub fn known_to(&self, schema: i32, backfilled: Option<i64>) -> Self {
        Self { schema: if backfilled.is_some() { self.schema } else { schema }, backfilled, ..self.clone() }
    }

    /// The ack of everything up to a change.
    #[must_use]
    pub fn ack(kitroom: Uuid, epoch: Uuid, seq: i64, mark: Option<&[u8]>) -> Self {
        Self { is_ack: true, ..Self::start(kitroom, epoch, SCHEMA_VERSION, 0).moved_to(seq, seq, mark) }
    }

    /// As text.
    #[must_use]
    pub fn encode(&self) -> String {
        URL_SAFE_NO_PAD.encode(serde_json::to_vec(self).unwrap_or_default())
    }

    /// From text.
    ///
    /// # Errors
    /// `cursor-invalid` when it is none of ours, or another kitroom's; `schema-unsupported` when a newer service wrote
    /// it.
    pub fn decode(kitroom: Uuid, text: &str) -> Result<Self, ApiError> {
        Self::read(kitroom, text).filter(|cursor| !cursor.is_ack).map_or_else(
            || Err(invalid("leave the cursor out to read the kitroom from its beginning")),
            Self::supported,
        )
    }

    /// What shows which history somebody rests on, from text: an ack, or a cursor from which they do not read on.
    ///
    /// # Errors
    /// As [`Cursor::decode`].
    pub fn decode_ack(kitroom: Uuid, text: &str) -> Result<Self, ApiError> {
        Self::read(kitroom, text)
            .ok_or_else(|| invalid("leave the ack out, or send that of the last push to this kitroom"))
    }

    fn read(kitroom: Uuid, text: &str) -> Option<Self> {
        let bytes = (text.len() <= MAX_BYTES).then(|| URL_SAFE_NO_PAD.decode(text).ok())??;
        let read = serde_json::from_slice::<Self>(&bytes).ok()?;
        let marked = match URL_SAFE_NO_PAD.decode(&read.mark).ok()?.len() {
            0 => read.place().seen == 0,
            length => length == 16 && read.place().seen > 0,
        };
        let within = |part: Option<i64>| part.is_none_or(|part| part >= 0);
        let fits = read.form == FORM
            && read.kitroom == kitroom
            && read.schema >= 0
            && read.seq >= 0
            && read.ahead.is_none_or(|ahead| ahead > read.seq)
            && marked
            && within(read.began_at)
            && within(read.backfilled);
        fits.then_some(read)
    }

    fn supported(self) -> Result<Self, ApiError> {
        if self.schema <= SCHEMA_VERSION {
            return Ok(self);
        }
        let words = "a newer service wrote this cursor; ask its owner to update it again, nothing is lost";
        let problem = Problem::new(ErrorCode::SchemaUnsupported, words);
        Err(problem.with("min", domain::wire::sync::SCHEMA_MIN).with("current", SCHEMA_VERSION).into())
    }

    /// Whether it was made where the commit that holds the last change that its kitroom had then has this mark.
    #[must_use]
    pub fn fits(&self, mark: Option<&[u8]>) -> bool {
        self.mark == spell(mark)
    }
}

fn spell(mark: Option<&[u8]>) -> String {
    mark.map(|mark| URL_SAFE_NO_PAD.encode(mark)).unwrap_or_default()
}

fn invalid(words: &str) -> ApiError {
    ApiError::new(ErrorCode::CursorInvalid, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    const K: Uuid = Uuid::from_u128(7);

    fn at(seq: i64) -> Cursor {
        Cursor::start(K, Uuid::from_u128(8), 1, 20).moved_to(seq, 21, Some(&[9; 16]))
    }

    #[test]
    fn decode_of_what_was_encoded_is_the_same_and_an_ack_is_no_cursor() {
        for cursor in
            [at(5), at(20), at(21), Cursor::start(K, K, 1, 0), Cursor { backfilled: Some(3), ..at(5) }]
        {
            assert_eq!(Cursor::decode(K, &cursor.encode()).unwrap(), cursor);
            assert_eq!(Cursor::decode_ack(K, &cursor.encode()).unwrap(), cursor);
        }
        let ack = Cursor::ack(K, K, 5, Some(&[9; 16]));
        assert_eq!(Cursor::decode_ack(K, &ack.encode()).unwrap(), ack);
        assert!(Cursor::decode(K, &ack.encode()).is_err());
    }

    #[test]
    fn moved_within_is_moved_to_where_the_kitroom_stands_still() {
        for seq in [5, 20, 21] {
            assert_eq!(at(3).moved_within(seq), at(seq));
        }
        let empty = Cursor::start(K, K, 1, 0);
        assert_eq!(empty.moved_within(0), empty);
    }

    #[test]
    fn moved_past_where_it_began_a_cursor_forgets_that() {
        assert_eq!((at(19).began_at, at(20).began_at), (Some(20), None));
    }

    #[test]
    fn decode_of_what_no_service_wrote_is_refused() {
        let spelled = |cursor: &Cursor, from: &str, to: &str| {
            let text = serde_json::to_string(cursor).unwrap();
            assert!(text.contains(from), "{text}");
            URL_SAFE_NO_PAD.encode(text.replace(from, to))
        };
        for made_up in [
            spelled(&at(5), "\"v\":1", "\"v\":2"),
            spelled(&at(5), "\"s\":5", "\"s\":-5"),
            spelled(&at(21), "\"s\":21", "\"s\":0"),
            spelled(&at(5), "\"n\":21", "\"n\":5"),
            spelled(&at(5), "\"c\":1", "\"c\":-1"),
            spelled(&at(5), "\"c\":1", "\"c\":1,\"x\":1"),
            spelled(&at(5), "\"m\":\"", "\"m\":\"!"),
            spelled(&Cursor::start(K, K, 1, 0), "\"s\":0", "\"s\":1"),
            spelled(&at(5), "\"h\":20", "\"h\":-20"),
            at(5).encode() + &"A".repeat(1000),
        ] {
            let problem = Cursor::decode(K, &made_up).unwrap_err();
            assert_eq!(problem.problem().code(), Some(ErrorCode::CursorInvalid), "{made_up}");
        }
        assert!(Cursor::decode(Uuid::from_u128(9), &at(5).encode()).is_err());
        let newer = spelled(&at(5), "\"c\":1", "\"c\":99");
        let problem = Cursor::decode(K, &newer).unwrap_err();
        assert_eq!(problem.problem().code(), Some(ErrorCode::SchemaUnsupported));
    }
}
