//! A service in memory that decides with the domain's own code, and loses, delays or refuses what a test asks it to.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard};

use client_cli::remote::{Answer, Failure, Page, Remote};
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

#[derive(Clone)]
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
    /// What its clock says.
    pub clock: Timestamp,
    /// The schema versions that it takes.
    pub schema: (i32, i32),
    account: Uuid,
    epoch: Uuid,
}

/// What a model was.
pub struct Backup(Vec<Room>);

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
            clock: "2026-03-01T08:00:30Z".parse().unwrap(),
            schema: (1, 1),
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

    /// The digest of a kitroom, from all its rows that are not deleted.
    pub fn digest(&self, kitroom: Uuid) -> Digest {
        let room = self.rooms.iter().find(|room| room.view.id.uuid() == kitroom).expect("a kitroom");
        let live = |kind: &str| -> Vec<_> {
            room.working.changed(kind).into_iter().filter(|record| !record.deleted).collect()
        };
        let kinds = KINDS.iter().map(|kind| (kind, live(kind.name)));
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
        let epoch = Uuid::from_u128(self.epoch.as_u128() + 1);
        self.epoch = epoch;
        self.rooms.iter_mut().for_each(|room| room.view.epoch = epoch);
    }

    /// A backup of everything.
    pub fn backup(&self) -> Backup {
        Backup(self.rooms.clone())
    }

    /// Goes back to a backup, as after a lost disk: in another epoch, and nothing else tells.
    pub fn restore(&mut self, backup: Backup) {
        self.rooms = backup.0;
        self.new_epoch();
    }

    /// A page of changes.
    pub fn changes_page(&mut self, kitroom: Uuid, cursor: Option<&str>) -> Answer<ChangesPage> {
        self.arrive()?;
        if let Some(left) = &mut self.faults.pages_left {
            *left = left.checked_sub(1).ok_or_else(|| Failure::Lost("the line was cut".to_owned()))?;
        }
        let (epoch, most) = (self.epoch, self.page as usize);
        let room = self.room(kitroom)?;
        let after: i64 = match cursor.map(|cursor| cursor.split_once('@').unwrap()) {
            None => 0,
            Some((seq, of)) if of == epoch.to_string() => seq.parse().unwrap(),
            Some(_) => return Err(Failure::Refused(Problem::new(ErrorCode::EpochChanged, "restored"))),
        };
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
        Ok(ChangesPage { epoch, changes, next_cursor: format!("{next}@{epoch}"), has_more, head_seq })
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
        let (min, current) = self.schema;
        if !(min..=current).contains(&request.schema_version) {
            let problem = Problem::new(ErrorCode::SchemaUnsupported, "not this one");
            return Err(Failure::Refused(problem.with("min", min).with("current", current)));
        }
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
        Ok(PushResponse { epoch, head_seq: room.working.head(), results, ack: None })
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
        hash: op_hash(&op.kind, &op.record_id.to_string(), op.action, value.as_ref()).unwrap(),
        if_version: None,
        done_at: op.done_at,
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
            server_time: model.clock,
            schema: SchemaRange { min: model.schema.0, current: model.schema.1 },
            limits: SyncLimits::CURRENT,
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

    fn people(&mut self, _: Uuid) -> Answer<Vec<(Uuid, String)>> {
        let mut model = self.model();
        model.arrive()?;
        Ok(vec![(model.account, "Runner A".to_owned())])
    }

    fn changes(&mut self, kitroom: Uuid, cursor: Option<&str>, _: Option<&str>) -> Answer<Page> {
        self.model().changes_page(kitroom, cursor).map(Page::from)
    }
}
