//! The feed as a stream of lines: page after page, each read when the one before is on its way.

use actix_web::web::{Bytes, Data};
use domain::wire::sync::{FeedLine, SCHEMA_VERSION, STREAM_CURSOR_EVERY};
use futures_util::Stream;
use futures_util::stream::try_unfold;

use super::feed::{Page, Question, Shape, find_page};
use super::waits::Waits;
use crate::platform::auth::Standing;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;

/// The most bytes of the changes between two cursors.
pub const BYTES: usize = 1024 * 1024;

/// What a stream reads with.
pub struct Source {
    /// Whether whoever asks is still let in.
    pub standing: Standing,
    /// The database.
    pub pool: Data<Pool>,
    /// Whether the service stops.
    pub waits: Data<Waits>,
    /// What is asked for; its cursor moves along.
    pub question: Question,
    /// The most changes of the whole; none for all.
    pub at_most: Option<i64>,
}

impl Source {
    /// How many changes the next page may have, after so many.
    fn room(&self, sent: i64) -> i64 {
        self.at_most.map_or(STREAM_CURSOR_EVERY, |most| (most - sent).min(STREAM_CURSOR_EVERY))
    }

    /// The first page, whose failure is still an answer of its own.
    ///
    /// # Errors
    /// As [`find_page`].
    pub fn first_question(&self) -> Question {
        Question { limit: self.room(0), bytes: BYTES, ..self.question.clone() }
    }

    async fn next(&mut self, sent: i64) -> Result<Page, ApiError> {
        self.standing.check().await?;
        let question = Question { limit: self.room(sent), bytes: BYTES, ..self.question.clone() };
        find_page(&self.pool, &question, Shape::Lines).await
    }
}

struct State {
    source: Source,
    page: Option<Page>,
    /// The last change when the stream began: it ends there, however fast others write.
    goal: i64,
    sent: i64,
    begun: bool,
}

/// The body: chunks of whole lines. It breaks off without an end when something fails on the way.
pub fn body(source: Source, first: Page) -> impl Stream<Item = Result<Bytes, ApiError>> {
    let goal = first.head.seq;
    let state = State { source, page: Some(first), goal, sent: 0, begun: false };
    try_unfold(Some(state), async |state| {
        let Some(mut state) = state else { return Ok(None) };
        let page = match state.page.take() {
            Some(page) => page,
            None => state.source.next(state.sent).await?,
        };
        let mut text = String::new();
        if !std::mem::replace(&mut state.begun, true) {
            let (epoch, head_seq) = (page.head.epoch, page.head.seq);
            push(&mut text, &FeedLine::Header { epoch, schema_version: SCHEMA_VERSION, head_seq })?;
        }
        text += &page.text;
        state.sent += page.changes;
        let reached = page.next.seq >= state.goal && page.next.backfilled.is_none();
        let full = state.source.at_most.is_some_and(|most| state.sent >= most);
        if !page.has_more || reached || full || state.source.waits.are_over() {
            let (next_cursor, has_more) = (page.next.encode(), page.has_more);
            let (head_seq, changes) = (page.head.seq, state.sent);
            push(&mut text, &FeedLine::End { next_cursor, has_more, head_seq, changes })?;
            return Ok(Some((Bytes::from(text), None)));
        }
        push(&mut text, &FeedLine::Cursor { cursor: page.next.encode() })?;
        state.source.question.cursor = Some(page.next);
        Ok(Some((Bytes::from(text), Some(state))))
    })
}

fn push(text: &mut String, line: &FeedLine) -> Result<(), ApiError> {
    *text += &serde_json::to_string(line)
        .map_err(|error| ApiError::internal("a line cannot be written", error))?;
    text.push('\n');
    Ok(())
}
