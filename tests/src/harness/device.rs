//! A device that pushes and pulls.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::kinds::kind;
use domain::sync::canonical::row_hash;
use domain::sync::record::Stored;
use domain::wire::sync::{Change, ChangesPage, Digest, FeedLine, KindDigest};
use serde_json::{Value, json};
use uuid::Uuid;

use super::actors::Actor;
use super::client::{Call, Http, Method, Reply};

/// A replica of one kitroom: it numbers its ops.
#[derive(Debug, Clone)]
pub struct Device {
    /// Its id.
    pub replica: Uuid,
    /// The kitroom.
    pub kitroom: Uuid,
    /// The number of its last op.
    pub last_op_no: i64,
    http: Http,
}

impl Device {
    /// A new one of an actor's.
    #[must_use]
    pub fn new(actor: &Actor, kitroom: Uuid) -> Self {
        Self { replica: Uuid::now_v7(), kitroom, last_op_no: 0, http: actor.http.clone() }
    }

    /// The same replica, asking with other credentials or elsewhere.
    #[must_use]
    pub fn at(self, actor: &Actor) -> Self {
        Self { http: actor.http.clone(), ..self }
    }

    /// The next op, in a group of its own.
    pub fn op(&mut self, action: &str, kind: &str, record: Uuid, base_seq: i64, content: Value) -> Value {
        self.last_op_no += 1;
        let content_field = if action == "patch" { "patch" } else { "value" };
        let mut op = json!({
            "op_id": Uuid::now_v7(), "op_no": self.last_op_no, "group": format!("g{}", self.last_op_no),
            "kind": kind, "record_id": record, "action": action, "base_seq": base_seq,
        });
        if !content.is_null() {
            op[content_field] = content;
        }
        op
    }

    /// The next op, in a named group.
    pub fn op_in(&mut self, group: &str, action: &str, kind: &str, record: Uuid, content: Value) -> Value {
        let mut op = self.op(action, kind, record, 0, content);
        op["group"] = group.into();
        op
    }

    /// The next op: an item made.
    pub fn create_item(&mut self, record: Uuid, name: &str) -> Value {
        self.op("create", "item", record, 0, super::bodies::item(name))
    }

    /// The push of some ops, not yet sent.
    #[must_use]
    pub fn pushing(&self, ops: &[Value]) -> Call {
        let body = json!({"replica_id": self.replica, "schema_version": 1, "ops": ops});
        self.http.call(Method::POST, &format!("/v1/kitrooms/{}/ops", self.kitroom)).json(&body)
    }

    /// Pushes ops; answers their results.
    ///
    /// # Panics
    /// When the push is not taken, or the results are not those of the ops in their order.
    pub async fn push<'a>(&'a self, ops: &'a [Value]) -> Vec<Value> {
        let reply = self.pushing(ops).send().await;
        results_of(&reply, ops)
    }

    /// The whole kitroom, page by page.
    ///
    /// # Panics
    /// When a page is not as it should be.
    pub async fn pull(&self, limit: i64) -> (Vec<Change>, String) {
        let (mut all, mut cursor): (Vec<Change>, Option<String>) = (Vec::new(), None);
        loop {
            let page = self.page(cursor.as_deref(), limit).await;
            let after = all.last().map_or(0, |change| change.seq);
            assert_page(&page, after, limit);
            all.extend(page.changes);
            if !page.has_more {
                return (all, page.next_cursor);
            }
            cursor = Some(page.next_cursor);
        }
    }

    /// One page of changes.
    pub async fn page(&self, cursor: Option<&str>, limit: i64) -> ChangesPage {
        self.asking(cursor, limit).send().await.read()
    }

    /// The question for a page, not yet sent.
    #[must_use]
    pub fn asking(&self, cursor: Option<&str>, limit: i64) -> Call {
        let cursor = cursor.map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
        self.http.getting(&format!("/v1/kitrooms/{}/changes?limit={limit}{cursor}", self.kitroom))
    }

    /// The question for a page with further parameters, not yet sent.
    #[must_use]
    pub fn asking_with(&self, cursor: Option<&str>, parameters: &str) -> Call {
        let cursor = cursor.map(|cursor| format!("&cursor={cursor}")).unwrap_or_default();
        self.http.getting(&format!("/v1/kitrooms/{}/changes?{parameters}{cursor}", self.kitroom))
    }

    /// The question for a stream, not yet sent.
    #[must_use]
    pub fn streaming(&self, cursor: Option<&str>) -> Call {
        let cursor = cursor.map(|cursor| format!("?cursor={cursor}")).unwrap_or_default();
        let path = format!("/v1/kitrooms/{}/changes{cursor}", self.kitroom);
        self.http.getting(&path).header("Accept", "application/x-ndjson")
    }

    /// The kitroom's digest as the service keeps it.
    pub async fn digest(&self) -> Digest {
        self.http.get(&format!("/v1/kitrooms/{}/digest", self.kitroom)).await.read()
    }
}

/// The lines of a stream that came, the last one too when it is whole.
///
/// # Panics
/// When a whole line is none.
#[must_use]
#[track_caller]
pub fn lines_of(body: &[u8]) -> Vec<FeedLine> {
    let lines = body.split_inclusive(|byte| *byte == b'\n').filter(|line| line.ends_with(b"\n"));
    let read = |line: &[u8]| {
        serde_json::from_slice(line)
            .unwrap_or_else(|error| panic!("{error}: {}", String::from_utf8_lossy(line)))
    };
    lines.map(read).collect()
}

/// The changes among lines.
#[must_use]
pub fn changes_of(lines: &[FeedLine]) -> Vec<Change> {
    let changes = lines.iter().filter_map(|line| match line {
        FeedLine::Change(change) => Some(change.clone()),
        _ => None,
    });
    changes.collect()
}

/// The results of a push that was taken, one per op in its order.
///
/// # Panics
/// When it was not taken so.
#[must_use]
#[track_caller]
pub fn results_of(reply: &Reply, ops: &[Value]) -> Vec<Value> {
    let body = reply.expect(200);
    let results = body["results"].as_array().cloned().unwrap_or_default();
    let ids = |values: &[Value]| values.iter().map(|value| value["op_id"].clone()).collect::<Vec<_>>();
    assert_eq!(ids(&results), ids(ops), "one result per op, in their order");
    results
}

/// The statuses of results.
#[must_use]
pub fn statuses(results: &[Value]) -> Vec<&str> {
    results.iter().map(|result| result["status"].as_str().unwrap_or("?")).collect()
}

/// The code of the problem of a result that was refused.
///
/// # Panics
/// When it was not.
#[must_use]
#[track_caller]
pub fn refusal(result: &Value) -> &str {
    assert_eq!(result["status"], "rejected", "{result}");
    let urn = result["problem"]["type"].as_str().unwrap_or_else(|| panic!("no problem in {result}"));
    urn.rsplit(':').next().unwrap_or_default()
}

/// Checks what holds of every page that was asked for after `after`.
///
/// # Panics
/// When it does not.
#[track_caller]
pub fn assert_page(page: &ChangesPage, after: i64, limit: i64) {
    let seqs: Vec<i64> = page.changes.iter().map(|change| change.seq).collect();
    assert!(seqs.len() as i64 <= limit, "{} changes on a page of {limit}", seqs.len());
    assert!(seqs.iter().all(|seq| (after + 1..=page.head_seq).contains(seq)), "{seqs:?} after {after}");
    assert!(seqs.windows(2).all(|pair| pair[0] < pair[1]), "not in order: {seqs:?}");
    // What was deleted before a kitroom is read from its beginning is left out, so the last change of a page may lie
    // before the place where it ends.
    let (last, end) = (seqs.last().copied().unwrap_or(after), seq_of(&page.next_cursor));
    assert!(last <= end, "ends at {end}, after {last}");
    assert_eq!(page.has_more, end < page.head_seq, "has_more at {end} of {}", page.head_seq);
    for change in &page.changes {
        assert_eq!(change.record.is_none(), change.deleted, "{change:?}");
    }
}

/// The change that a cursor stands at. Nobody but a test looks into one.
///
/// # Panics
/// When it is no cursor.
#[must_use]
#[track_caller]
pub fn seq_of(cursor: &str) -> i64 {
    opened(cursor)["s"].as_i64().unwrap_or_else(|| panic!("no number in {cursor}"))
}

/// What a cursor holds.
///
/// # Panics
/// When it is no cursor.
#[must_use]
#[track_caller]
pub fn opened(cursor: &str) -> Value {
    let bytes = URL_SAFE_NO_PAD.decode(cursor).unwrap_or_else(|error| panic!("{cursor}: {error}"));
    serde_json::from_slice(&bytes).unwrap_or_else(|error| panic!("{cursor}: {error}"))
}

/// A cursor that holds this.
#[must_use]
pub fn closed(content: &Value) -> String {
    URL_SAFE_NO_PAD.encode(content.to_string())
}

/// The records of a full pull as a replica holds them, by kind; deleted ones left out.
///
/// # Panics
/// When one cannot be read.
#[must_use]
pub fn replica_of(changes: &[Change]) -> BTreeMap<String, Vec<Stored>> {
    let mut records: BTreeMap<String, Vec<Stored>> = BTreeMap::new();
    for change in changes {
        let Some(record) = &change.record else { continue };
        let kind = kind(&change.kind).unwrap_or_else(|| panic!("an unknown kind: {}", change.kind));
        let stored = Stored::from_wire(kind, record).unwrap_or_else(|| panic!("cannot be read: {change:?}"));
        records.entry(change.kind.clone()).or_default().push(stored);
    }
    records
}

/// What the digest of a kitroom must be: counted and summed from a full pull. Deleted records do not count.
///
/// # Panics
/// When a record cannot be read.
#[must_use]
pub fn digest_of(changes: &[Change]) -> BTreeMap<String, KindDigest> {
    let mut sums: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    for change in changes {
        let Some(record) = &change.record else { continue };
        let kind = kind(&change.kind).unwrap_or_else(|| panic!("an unknown kind: {}", change.kind));
        let stored = Stored::from_wire(kind, record).unwrap_or_else(|| panic!("cannot be read: {change:?}"));
        let (count, sum) = sums.entry(change.kind.clone()).or_default();
        *count += 1;
        *sum = sum.wrapping_add(row_hash(kind.name, &stored));
    }
    let digest =
        |(count, sum): (i64, i64)| KindDigest { count, hash: format!("{:016x}", sum.cast_unsigned()) };
    sums.into_iter().map(|(kind, sums)| (kind, digest(sums))).collect()
}
