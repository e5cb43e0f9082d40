//! The feed as a stream of lines: page after page, each read while the one before is on its way. No more than two are in
//! memory.

use std::rc::Rc;

use actix_web::rt::spawn;
use actix_web::rt::task::JoinHandle;
use actix_web::web::{Bytes, Data};
use domain::wire::sync::{FeedLine, SCHEMA_VERSION, STREAM_CURSOR_EVERY};
use futures_util::Stream;
use futures_util::stream::try_unfold;

use super::cursor::Cursor;
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
    /// What is asked for.
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

    async fn next(&self, cursor: Cursor, sent: i64) -> Result<Page, ApiError> {
        self.standing.check().await?;
        let question = Question { cursor: Some(cursor), limit: self.room(sent), ..self.first_question() };
        find_page(&self.pool, &question, Shape::Lines).await
    }
}

/// A page that is being read while the one before is on its way. It is let go of with the stream.
struct Ahead(JoinHandle<Result<Page, ApiError>>);

impl Ahead {
    fn read(source: &Rc<Source>, cursor: Cursor, sent: i64) -> Self {
        let source = Rc::clone(source);
        Self(spawn(async move { source.next(cursor, sent).await }))
    }

    async fn page(&mut self) -> Result<Page, ApiError> {
        let read = (&mut self.0).await;
        read.map_err(|error| ApiError::internal("the reading of a page stopped", error))?
    }
}

impl Drop for Ahead {
    fn drop(&mut self) {
        self.0.abort();
    }
}

enum Next {
    /// The first page, which a header goes before.
    First(Box<Page>),
    Ahead(Ahead),
}

struct State {
    source: Rc<Source>,
    next: Next,
    /// The last change when the stream began: it ends there, however fast others write.
    goal: i64,
    sent: i64,
}

/// The body: chunks of whole lines. It breaks off without an end when something fails on the way.
pub fn body(source: Source, first: Page) -> impl Stream<Item = Result<Bytes, ApiError>> {
    let (source, goal) = (Rc::new(source), first.head.seq);
    let state = State { source, next: Next::First(Box::new(first)), goal, sent: 0 };
    try_unfold(Some(state), async |state| {
        let Some(State { source, next, goal, mut sent }) = state else { return Ok(None) };
        let mut text = String::new();
        let page = match next {
            Next::First(page) => {
                let (epoch, head_seq) = (page.head.epoch, page.head.seq);
                push(&mut text, &FeedLine::Header { epoch, schema_version: SCHEMA_VERSION, head_seq })?;
                *page
            }
            Next::Ahead(mut ahead) => ahead.page().await?,
        };
        text += &page.text;
        sent += page.changes;
        let reached = page.next.seq >= goal && page.next.backfilled.is_none();
        let full = source.at_most.is_some_and(|most| sent >= most);
        if !page.has_more || reached || full || source.waits.are_over() {
            let (next_cursor, has_more) = (page.next.encode(), page.has_more);
            push(
                &mut text,
                &FeedLine::End { next_cursor, has_more, head_seq: page.head.seq, changes: sent },
            )?;
            return Ok(Some((Bytes::from(text), None)));
        }
        push(&mut text, &FeedLine::Cursor { cursor: page.next.encode() })?;
        let next = Next::Ahead(Ahead::read(&source, page.next, sent));
        Ok(Some((Bytes::from(text), Some(State { source, next, goal, sent }))))
    })
}

fn push(text: &mut String, line: &FeedLine) -> Result<(), ApiError> {
    *text += &serde_json::to_string(line)
        .map_err(|error| ApiError::internal("a line cannot be written", error))?;
    text.push('\n');
    Ok(())
}
