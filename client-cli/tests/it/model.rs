//! A service in memory that decides with the domain's own code, and loses, delays or refuses what a test asks it to.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use client_cli::remote::{Answer, Failure, Remote};
use domain::ids::KitroomId;
use domain::kinds::KINDS;
use domain::sync::canonical::{op_hash, row_hash};
use domain::sync::op::{Actor, Deciding, Op, OpResult, Role};
use domain::sync::working::Working;
use domain::time::Timestamp;
use domain::wire::account::AccountView;
use domain::wire::kitroom::{CreateKitroom, KitroomView, Purpose};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::{
    Change, ChangesPage, Digest, KindDigest, PushOp, PushRequest, PushResponse, RemovedKitroom, SchemaRange,
    SyncKitroom, SyncLimits, SyncOverview,
};
use uuid::Uuid;

/// What goes wrong, each as often as it says.
#[derive(Debug, Default)]
pub struct Faults {
    /// Requests that never arrive.
    pub lose_requests: usize,
    /// Pushes that are done and whose answers never arrive.
    pub lose_push_answers: usize,
    /// Calls that are answered 503.
    pub busy: usize,
    /// Pages of changes that are served before the line is cut; none is no limit.
    pub pages_left: Option<usize>,
    /// Every call is answered 401.
    pub deny: bool,
}

struct Room {
    view: KitroomView,
    working: Working,
    results: HashMap<Uuid, ([u8; 32], OpResult)>,
    last_op_no: HashMap<Uuid, i64>,
}

/// The service.
pub struct Model {
    rooms: Vec<Room>,
    pub removed: Vec<RemovedKitroom>,
    /// Kitrooms that are not mentioned, as after an old backup.
    pub forgotten: Vec<Uuid>,
    pub faults: Faults,
    /// The sizes of the pushes that came in.
    pub pushes: Vec<usize>,
    /// The most changes of a page.
    pub page: i64,
    account: Uuid,
    epoch: Uuid,
}

/// A device's line to it.
#[derive(Clone)]
pub struct Line(Arc<Mutex<Model>>);

/// Later than any device's clock, so that no fact lies in the future.
pub const NOW: &str = "2050-01-01T00:00:00Z";

fn id(n: u8) -> Uuid {
    format!("018f0000-0000-7000-8000-0000000000{n:02x}").parse().unwrap()
}

fn now() -> Timestamp {
    NOW.parse().unwrap()
}

impl Line {
    pub fn new() -> Self {
        Self(Arc::new(Mutex::new(Model {
            rooms: Vec::new(),
            removed: Vec::new(),
            forgotten: Vec::new(),
            faults: Faults::default(),
            pushes: Vec::new(),
            page: 500,
            account: id(1),
            epoch: id(2),
        })))
    }

    pub fn model(&self) -> MutexGuard<'_, Model> {
        self.0.lock().unwrap()
    }
}

impl Model {
    /// Every record of a kitroom as it stands: (kind, id, record), by kind and id.
    pub fn records(&self, kitroom: Uuid) -> Vec<(String, Uuid, serde_json::Value)> {
        let room = self.rooms.iter().find(|room| room.view.id.uuid() == kitroom).expect("a kitroom");
        let mut all = Vec::new();
        for kind in KINDS {
            let changed = room.working.changed(kind.name);
            all.extend(
                changed.into_iter().map(|r| (kind.name.to_owned(), r.id, serde_json::json!(r.to_wire()))),
            );
        }
        all.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
        all
    }

    /// The digest of a kitroom, from all its rows.
    pub fn digest(&self, kitroom: Uuid) -> Digest {
        let room = self.rooms.iter().find(|room| room.view.id.uuid() == kitroom).expect("a kitroom");
        let kinds = KINDS.iter().map(|kind| (kind, room.working.changed(kind.name)));
        let digests = kinds.filter(|(_, records)| !records.is_empty()).map(|(kind, records)| {
            let sum = records.iter().fold(0_i64, |sum, record| sum.wrapping_add(row_hash(kind.name, record)));
            (kind.name.to_owned(), KindDigest { count: records.len() as i64, hash: format!("{sum:016x}") })
        });
        Digest { head_seq: room.working.head(), kinds: digests.collect() }
    }

    pub fn kitroom_ids(&self) -> Vec<Uuid> {
        self.rooms.iter().map(|room| room.view.id.into()).collect()
    }

    /// Another epoch for everything, as after a restored backup.
    pub fn new_epoch(&mut self) {
        self.epoch = id(3);
        let epoch = self.epoch;
        self.rooms.iter_mut().for_each(|room| room.view.epoch = epoch);
    }

    /// Makes a kitroom, as another device would.
    pub fn make(&mut self, wanted: &CreateKitroom) -> Answer<KitroomView> {
        let refuse = |code, words: &str| Err(Failure::Refused(Problem::new(code, words)));
        if let Some(room) = self.rooms.iter().find(|room| Some(room.view.id) == wanted.id) {
            let same = room.view.name == wanted.name.as_str() && room.view.purpose == wanted.purpose;
            return if same { Ok(room.view.clone()) } else { refuse(ErrorCode::Conflict, "the id is taken") };
        }
        let personal = |room: &Room| room.view.purpose == Purpose::Personal;
        if wanted.purpose == Purpose::Personal && self.rooms.iter().any(personal) {
            return refuse(ErrorCode::PersonalExists, "you have one");
        }
        let view = KitroomView {
            id: wanted.id.unwrap_or_else(|| KitroomId::new(id(9)).unwrap()),
            name: wanted.name.to_string(),
            purpose: wanted.purpose,
            role: Role::Owner,
            version: 1,
            epoch: self.epoch,
            head_seq: 0,
            created_at: now(),
        };
        let room = Room {
            view: view.clone(),
            working: Working::new(0),
            results: HashMap::new(),
            last_op_no: HashMap::new(),
        };
        self.rooms.push(room);
        Ok(view)
    }

    fn arrive(&mut self) -> Answer<()> {
        if self.faults.deny {
            return Err(Failure::Refused(Problem::new(
                ErrorCode::NotAuthenticated,
                "the token is not valid",
            )));
        }
        for (left, failure) in [
            (&mut self.faults.lose_requests, Failure::Lost("the line is dead".to_owned())),
            (&mut self.faults.busy, Failure::Busy { status: 503, after: None }),
        ] {
            if *left > 0 {
                *left -= 1;
                return Err(failure);
            }
        }
        Ok(())
    }

    fn room(&mut self, kitroom: Uuid) -> Answer<&mut Room> {
        let found = self.rooms.iter_mut().find(|room| room.view.id.uuid() == kitroom);
        found.ok_or_else(|| Failure::Refused(Problem::new(ErrorCode::NotFound, "no such kitroom")))
    }

    fn apply(&mut self, kitroom: Uuid, request: &PushRequest) -> Answer<PushResponse> {
        let (account, epoch) = (self.account, self.epoch);
        self.pushes.push(request.ops.len());
        assert!(request.ops.len() <= 500 && serde_json::to_vec(request).unwrap().len() <= 1024 * 1024);
        let room = self.room(kitroom)?;
        let mut results = Vec::new();
        for group in request.ops.chunk_by(|a, b| a.group == b.group) {
            let known: Vec<OpResult> = group
                .iter()
                .filter_map(|op| room.results.get(&op.op_id))
                .map(|(_, result)| OpResult { replayed: true, ..result.clone() })
                .collect();
            if known.len() == group.len() {
                assert!(
                    group.iter().all(|op| room.results[&op.op_id].0 == to_op(op).hash),
                    "an op was changed"
                );
                results.extend(known);
                continue;
            }
            let last = room.last_op_no.entry(request.replica_id).or_default();
            let first = group[0].op_no;
            if first <= *last || !known.is_empty() {
                return Err(Failure::Refused(Problem::new(ErrorCode::ReplicaForked, "used by another copy")));
            }
            if first > *last + 1 {
                let problem = Problem::new(ErrorCode::OpGap, "ops are missing").with("last_op_no", *last);
                return Err(Failure::Refused(problem));
            }
            *last = group[group.len() - 1].op_no;
            let ops: Vec<Op> = group.iter().map(to_op).collect();
            let actor = Actor { account, role: room.view.role, replica: Some(request.replica_id) };
            let deciding = Deciding { now: now(), actor, refuse_future_times: false };
            let decided = room.working.apply_group(&ops.iter().collect::<Vec<_>>(), &deciding);
            for (op, result) in ops.iter().zip(&decided) {
                room.results.insert(op.op_id, (op.hash, result.clone()));
            }
            results.extend(decided);
        }
        room.view.head_seq = room.working.head();
        Ok(PushResponse { epoch, head_seq: room.working.head(), results })
    }
}

fn to_op(op: &PushOp) -> Op {
    let payload = op.patch.clone().or_else(|| op.value.clone());
    let value = payload.clone().map(serde_json::Value::Object);
    Op {
        op_id: op.op_id,
        op_no: Some(op.op_no),
        group: op.group.clone(),
        kind: op.kind.clone(),
        record_id: op.record_id,
        action: op.action,
        base_seq: op.base_seq,
        payload: payload.unwrap_or_default(),
        hash: op_hash(&op.kind, &op.record_id.to_string(), op.action, op.base_seq, value.as_ref()).unwrap(),
        if_version: None,
    }
}

impl Remote for Line {
    fn me(&mut self) -> Answer<AccountView> {
        let mut model = self.model();
        model.arrive()?;
        let id = domain::ids::AccountId::new(model.account).unwrap();
        Ok(AccountView {
            id,
            email: "runner@example.org".into(),
            name: "Runner A".into(),
            created_at: now(),
            version: 1,
        })
    }

    fn overview(&mut self) -> Answer<SyncOverview> {
        let mut model = self.model();
        model.arrive()?;
        let mentioned = model.rooms.iter().filter(|room| !model.forgotten.contains(&room.view.id.uuid()));
        let kitrooms = mentioned
            .map(|room| SyncKitroom {
                kitroom_id: room.view.id,
                role: room.view.role,
                epoch: room.view.epoch,
                head_seq: room.working.head(),
                floor_seq: 0,
                open_conflicts: 0,
            })
            .collect();
        Ok(SyncOverview {
            server_time: now(),
            schema: SchemaRange { min: 1, current: 1 },
            limits: SyncLimits {
                push_ops: 500,
                push_bytes: 1 << 20,
                record_bytes: 1 << 16,
                pull_changes: 2000,
            },
            kitrooms,
            removed: model.removed.clone(),
        })
    }

    fn kitrooms(&mut self) -> Answer<Vec<KitroomView>> {
        let mut model = self.model();
        model.arrive()?;
        let removed = |room: &Room| model.removed.iter().any(|gone| gone.kitroom_id == room.view.id);
        let shown =
            model.rooms.iter().filter(|r| !removed(r) && !model.forgotten.contains(&r.view.id.uuid()));
        Ok(shown.map(|room| room.view.clone()).collect())
    }

    fn create_kitroom(&mut self, kitroom: &CreateKitroom) -> Answer<KitroomView> {
        let mut model = self.model();
        model.arrive()?;
        model.make(kitroom)
    }

    fn push(&mut self, kitroom: Uuid, request: &PushRequest) -> Answer<PushResponse> {
        let mut model = self.model();
        model.arrive()?;
        let answer = model.apply(kitroom, request)?;
        if model.faults.lose_push_answers > 0 {
            model.faults.lose_push_answers -= 1;
            return Err(Failure::Lost("the answer was lost".to_owned()));
        }
        Ok(answer)
    }

    fn changes(&mut self, kitroom: Uuid, cursor: Option<&str>, limit: i64) -> Answer<ChangesPage> {
        let mut model = self.model();
        model.arrive()?;
        if let Some(left) = &mut model.faults.pages_left {
            *left = left.checked_sub(1).ok_or_else(|| Failure::Lost("the line was cut".to_owned()))?;
        }
        let (epoch, most) = (model.epoch, limit.min(model.page) as usize);
        let room = model.room(kitroom)?;
        let after: i64 = cursor.map_or(0, |cursor| cursor.parse().unwrap());
        let mut changes: Vec<Change> = KINDS
            .iter()
            .flat_map(|kind| room.working.changed(kind.name).into_iter().map(move |record| (kind, record)))
            .filter(|(_, record)| record.version > after)
            .map(|(kind, record)| Change {
                seq: record.version,
                kind: kind.name.to_owned(),
                id: record.id,
                deleted: record.deleted,
                record: (!record.deleted).then(|| record.to_wire()),
            })
            .collect();
        changes.sort_by_key(|change| change.seq);
        let has_more = changes.len() > most;
        changes.truncate(most);
        let head_seq = room.working.head();
        let next = if has_more { changes.last().map_or(after, |change| change.seq) } else { head_seq };
        Ok(ChangesPage { epoch, changes, next_cursor: next.to_string(), has_more, head_seq })
    }
}
