//! What a replica asks, over HTTP, and what it hears.

use domain::kinds;
use domain::sync::client::{Failure, Limits, PolledRoom};
use domain::sync::op::{Action, Op};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::{ChangesPage, PushOp, PushRequest, PushResponse, SCHEMA_VERSION, SyncOverview};
use reqwest::{Client, RequestBuilder};
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::proof::histories::server::{Answer, Page, Row};

/// So few changes go into a page that most pulls need several.
const PAGE: usize = 7;
/// And so few ops into a push.
const PUSH: usize = 5;

/// A request.
#[derive(Debug, Clone)]
pub(super) enum Request {
    Poll { ticket: u64 },
    Push { ticket: u64, replica: Uuid, ops: Vec<Op>, cursor: Option<String>, ack: Option<String> },
    Pull { ticket: u64, cursor: Option<String>, ack: Option<String> },
}

/// What became of it.
#[derive(Debug)]
pub(super) enum Reply {
    Polled { ticket: u64, rooms: Vec<PolledRoom>, schema: (i32, i32), limits: Limits },
    Pushed { ticket: u64, answer: Answer },
    Pulled { ticket: u64, page: Page },
    Failed { ticket: u64, poll: bool, failure: Failure },
}

impl Request {
    pub(super) fn failed(&self, failure: Failure) -> Reply {
        let (ticket, poll) = match self {
            Self::Poll { ticket } => (*ticket, true),
            Self::Push { ticket, .. } | Self::Pull { ticket, .. } => (*ticket, false),
        };
        Reply::Failed { ticket, poll, failure }
    }

    pub(super) fn is_push(&self) -> bool {
        matches!(self, Self::Push { .. })
    }
}

/// Where requests go, and as whom.
#[derive(Debug, Clone)]
pub(super) struct Line {
    pub(super) client: Client,
    pub(super) base: String,
    pub(super) token: String,
    pub(super) kitroom: Uuid,
}

impl Line {
    /// Asks, and reads the answer as `tare` does.
    pub(super) async fn ask(&self, request: Request) -> Reply {
        match self.answer(&request).await {
            Ok(reply) => reply,
            Err(failure) => request.failed(failure),
        }
    }

    async fn answer(&self, request: &Request) -> Result<Reply, Failure> {
        Ok(match request.clone() {
            Request::Poll { ticket } => {
                let seen: SyncOverview = send(self.get("/v1/sync")).await?;
                let rooms = seen.kitrooms.iter();
                let rooms =
                    rooms.map(|room| PolledRoom { kitroom: room.kitroom_id.uuid(), epoch: room.epoch });
                let limits = Limits { ops: PUSH, bytes: seen.limits.push_bytes };
                let schema = (seen.schema.min, seen.schema.current);
                Reply::Polled { ticket, rooms: rooms.collect(), schema, limits }
            }
            Request::Push { ticket, replica, ops, cursor, ack } => {
                let ops = ops.iter().map(pushed).collect();
                let body =
                    PushRequest { replica_id: replica, schema_version: SCHEMA_VERSION, ops, cursor, ack };
                let path = format!("{}/v1/kitrooms/{}/ops", self.base, self.kitroom);
                let call = self.client.post(path).bearer_auth(&self.token).json(&body);
                let PushResponse { epoch, head_seq, results, ack } = send(call).await?;
                let answer = Answer { epoch, head_seq, results, ack: ack.unwrap_or_default() };
                Reply::Pushed { ticket, answer }
            }
            Request::Pull { ticket, cursor, ack } => {
                let part = |name: &str, value: Option<String>| {
                    value.map(|value| format!("&{name}={value}")).unwrap_or_default()
                };
                let (cursor, ack) = (part("cursor", cursor), part("ack", ack));
                let path = format!("/v1/kitrooms/{}/changes?limit={PAGE}{cursor}{ack}", self.kitroom);
                Reply::Pulled { ticket, page: page(send(self.get(&path)).await?) }
            }
        })
    }

    fn get(&self, path: &str) -> RequestBuilder {
        self.client.get(format!("{}{path}", self.base)).bearer_auth(&self.token)
    }
}

async fn send<T: DeserializeOwned>(call: RequestBuilder) -> Result<T, Failure> {
    let response = call.send().await.map_err(|_| Failure::Lost)?;
    let status = response.status().as_u16();
    if matches!(status, 408 | 425 | 429) || status >= 500 {
        return Err(Failure::Busy { after_ms: None });
    }
    let bytes = response.bytes().await.map_err(|_| Failure::Lost)?;
    if status < 300 {
        return serde_json::from_slice(&bytes).map_err(|_| Failure::Lost);
    }
    let unread = |_| Problem::new(ErrorCode::BadRequest, String::from_utf8_lossy(&bytes));
    Err(Failure::Refused(serde_json::from_slice(&bytes).unwrap_or_else(unread)))
}

fn pushed(op: &Op) -> PushOp {
    let (patch, value) = match op.action {
        Action::Patch => (Some(op.payload.clone()), None),
        Action::Delete | Action::Restore => (None, None),
        _ => (None, Some(op.payload.clone())),
    };
    PushOp {
        op_id: op.op_id,
        op_no: op.op_no.unwrap_or(0),
        group: op.group.clone(),
        kind: op.kind.clone(),
        record_id: op.record_id,
        action: op.action,
        base_seq: op.base_seq,
        patch,
        value,
        done_at: op.done_at,
    }
}

fn page(page: ChangesPage) -> Page {
    let row = |change: domain::wire::sync::Change| {
        let kind = kinds::kind(&change.kind)?.name;
        Some(Row { key: (kind, change.id), seq: change.seq, deleted: change.deleted, record: change.record })
    };
    Page {
        epoch: page.epoch,
        rows: page.changes.into_iter().filter_map(row).collect(),
        next_cursor: page.next_cursor,
        has_more: page.has_more,
        head_seq: page.head_seq,
    }
}
