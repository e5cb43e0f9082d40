//! The service as the client sees it.

pub mod address;
mod body;
pub mod client;
mod feed;
pub mod page;
pub mod retry;
pub mod token;

use std::fmt;
use std::time::Duration;

use domain::wire::account::AccountView;
use domain::wire::kitroom::{CreateKitroom, KitroomView};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::{PushRequest, PushResponse, SyncOverview};
use uuid::Uuid;

use crate::error::{Error, Result};

pub use page::{Page, Row};

/// A text that is never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Keeps a secret.
    #[must_use]
    pub fn new(text: String) -> Self {
        Self(text)
    }

    /// The text itself, for the one place that sends or stores it.
    #[must_use]
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(***)")
    }
}

/// Why a call has no result.
#[derive(Debug, Clone, PartialEq)]
pub enum Failure {
    /// No answer, or none that can be read. What was asked may have been done.
    Lost(String),
    /// Try again, after this time if one is given.
    Busy {
        /// The HTTP status.
        status: u16,
        /// What `Retry-After` says.
        after: Option<Duration>,
    },
    /// Refused.
    Refused(Problem),
}

/// Or why there is none.
pub type Answer<T> = std::result::Result<T, Failure>;

/// The calls that syncing needs. Each may be repeated.
pub trait Remote {
    /// The account that the token belongs to.
    ///
    /// # Errors
    /// [`Failure`].
    fn me(&mut self) -> Answer<AccountView>;
    /// The state of all kitrooms.
    ///
    /// # Errors
    /// [`Failure`].
    fn overview(&mut self) -> Answer<SyncOverview>;
    /// The account's kitrooms with their names.
    ///
    /// # Errors
    /// [`Failure`].
    fn kitrooms(&mut self) -> Answer<Vec<KitroomView>>;
    /// Makes a kitroom.
    ///
    /// # Errors
    /// [`Failure`].
    fn create_kitroom(&mut self, kitroom: &CreateKitroom) -> Answer<KitroomView>;
    /// The accounts and the names of a kitroom's members.
    ///
    /// # Errors
    /// [`Failure`].
    fn people(&mut self, kitroom: Uuid) -> Answer<Vec<(Uuid, String)>>;
    /// Sends ops.
    ///
    /// # Errors
    /// [`Failure`].
    fn push(&mut self, kitroom: Uuid, request: &PushRequest) -> Answer<PushResponse>;
    /// Gets the changes after a cursor, showing what the service gave with the last push.
    ///
    /// # Errors
    /// [`Failure`].
    fn changes(&mut self, kitroom: Uuid, cursor: Option<&str>, ack: Option<&str>) -> Answer<Page>;
}

impl Failure {
    /// The problem's code.
    #[must_use]
    pub fn code(&self) -> Option<ErrorCode> {
        match self {
            Failure::Refused(problem) => problem.code(),
            _ => None,
        }
    }

    /// As it is shown to a person who wanted `what`.
    #[must_use]
    pub fn to_error(&self, what: &str) -> Error {
        match self {
            Failure::Lost(why) => Error::unreachable(what).because(why).hint(
                "nothing is lost: everything is kept on this device; try again when the service answers",
            ),
            Failure::Busy { status, .. } => Error::unreachable(what)
                .because(format!("the service answered {status} each time it was asked"))
                .hint("nothing is lost; try again in a few minutes"),
            Failure::Refused(problem) if problem.status == 401 => {
                Error::of_problem("the service does not accept this device's token", problem.clone())
                    .hint("link this device again: tare link URL; what is not sent yet is safe")
            }
            Failure::Refused(problem) => Error::of_problem(what, problem.clone()),
        }
    }
}

/// A failure turned into an error about `what`.
///
/// # Errors
/// The error, when the answer is a failure.
pub fn or_error<T>(answer: Answer<T>, what: &str) -> Result<T> {
    answer.map_err(|failure| failure.to_error(what))
}
