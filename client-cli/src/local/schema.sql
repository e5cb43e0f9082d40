CREATE TABLE settings (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

-- place: 'here' only on this device so far, 'apart' only here by choice, 'linked' also on the service.
-- base_seq: the last change of the kitroom that this device has; last_op_no: the number of its last op there. ack: what
-- the service gave with the last push; adrift: it is known to have lost ops; replacing: a replacement of base, as JSON.
CREATE TABLE kitrooms (
    id BLOB PRIMARY KEY,
    name TEXT NOT NULL,
    purpose TEXT NOT NULL,
    role TEXT NOT NULL,
    place TEXT NOT NULL CHECK (place IN ('here', 'apart', 'linked')),
    epoch BLOB,
    cursor TEXT,
    base_seq INTEGER NOT NULL DEFAULT 0,
    last_op_no INTEGER NOT NULL DEFAULT 0,
    ack TEXT,
    generation INTEGER NOT NULL DEFAULT 0,
    adrift INTEGER NOT NULL DEFAULT 0,
    replacing TEXT
) WITHOUT ROWID;

-- Records as the service last told them, kinds that this version does not know included. own: that state was
-- written by an op of this device. A record of a deletion is the last one known, if any. live: neither deleted nor
-- voided.
CREATE TABLE base (
    kitroom BLOB NOT NULL,
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    seq INTEGER NOT NULL,
    deleted INTEGER NOT NULL,
    own INTEGER NOT NULL,
    live INTEGER NOT NULL,
    record TEXT,
    PRIMARY KEY (kitroom, kind, id)
) WITHOUT ROWID;

-- What takes the place of base, beside it until it is whole.
CREATE TABLE incoming (
    kitroom BLOB NOT NULL,
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    seq INTEGER NOT NULL,
    deleted INTEGER NOT NULL,
    live INTEGER NOT NULL,
    record TEXT,
    PRIMARY KEY (kitroom, kind, id)
) WITHOUT ROWID;

-- What a restored service may have lost of what it once told this device: a person decides what becomes of it. A service
-- that was restored twice may have lost two states of one record. common: the last change that this device and the restored
-- service have in common.
CREATE TABLE recovery (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    kitroom BLOB NOT NULL,
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    loss TEXT NOT NULL,
    deleted INTEGER NOT NULL,
    record TEXT,
    common INTEGER NOT NULL,
    found_at INTEGER NOT NULL,
    decided TEXT CHECK (decided IN ('sent', 'left', 'back'))
);
CREATE INDEX recovery_of_record ON recovery (kitroom, kind, id);

-- The records that the outbox changes: base with the ops that it does not have yet replayed on top.
CREATE TABLE overlay (
    kitroom BLOB NOT NULL,
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    live INTEGER NOT NULL,
    deleted INTEGER NOT NULL,
    record TEXT NOT NULL,
    PRIMARY KEY (kitroom, kind, id)
) WITHOUT ROWID;

-- What people see.
CREATE VIEW view AS
    SELECT kitroom, kind, id, live, deleted, record FROM overlay
    UNION ALL
    SELECT kitroom, kind, id, live, deleted, record FROM base
    WHERE record IS NOT NULL
      AND NOT EXISTS (SELECT 1 FROM overlay AS over
                      WHERE over.kitroom = base.kitroom AND over.kind = base.kind AND over.id = base.id);

-- Which record of the view names which.
CREATE TABLE refs (
    kitroom BLOB NOT NULL,
    to_kind TEXT NOT NULL,
    to_id BLOB NOT NULL,
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    field TEXT NOT NULL,
    PRIMARY KEY (kitroom, to_kind, to_id, kind, id, field)
) WITHOUT ROWID;
CREATE INDEX refs_by_source ON refs (kitroom, kind, id);

-- One row an op; deleted only when base holds its effect: a page has brought its record at seq or later (0 once one has)
-- and base has reached reach. bytes: its size in a push. applies: whether replaying it on the present base works.
CREATE TABLE outbox (
    ord INTEGER PRIMARY KEY AUTOINCREMENT,
    kitroom BLOB NOT NULL,
    op_no INTEGER NOT NULL,
    op_id BLOB NOT NULL,
    grp TEXT NOT NULL,
    kind TEXT NOT NULL,
    record_id BLOB NOT NULL,
    action TEXT NOT NULL,
    base_seq INTEGER NOT NULL,
    payload TEXT NOT NULL,
    done_at INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('pending', 'sent', 'acked', 'rejected', 'aside')),
    bytes INTEGER NOT NULL,
    seq INTEGER,
    reach INTEGER,
    problem TEXT,
    applies INTEGER NOT NULL DEFAULT 1,
    UNIQUE (kitroom, op_id)
);
CREATE INDEX outbox_by_state ON outbox (kitroom, state, ord);
CREATE INDEX outbox_by_group ON outbox (kitroom, grp, ord);
CREATE INDEX outbox_by_record ON outbox (kitroom, kind, record_id);

-- Live items with their mass, state and stock, ready to be listed: what a long list shows stands in columns of its own.
CREATE TABLE items (
    kitroom BLOB NOT NULL,
    id BLOB NOT NULL,
    name TEXT NOT NULL,
    fold TEXT NOT NULL,
    kind TEXT NOT NULL,
    size TEXT,
    tag TEXT,
    tag_fold TEXT,
    mass_g REAL,
    mass_u_g REAL,
    mass_basis TEXT NOT NULL DEFAULT 'none',
    mass_n INTEGER NOT NULL DEFAULT 0,
    last_weighed_at TEXT,
    mass TEXT,
    state TEXT,
    stock TEXT,
    state_name TEXT NOT NULL DEFAULT 'serviceable',
    stock_left INTEGER,
    PRIMARY KEY (kitroom, id)
) WITHOUT ROWID;
CREATE INDEX items_by_name ON items (kitroom, fold);

-- How well each sitting's scale repeated, from which a scale's repeatability is pooled.
CREATE TABLE sitting_repeats (
    kitroom BLOB NOT NULL,
    scale_id BLOB NOT NULL,
    sitting_id BLOB NOT NULL,
    sum_squares REAL NOT NULL,
    dof INTEGER NOT NULL,
    PRIMARY KEY (kitroom, scale_id, sitting_id)
) WITHOUT ROWID;
CREATE INDEX sitting_repeats_by_sitting ON sitting_repeats (kitroom, sitting_id);

-- Derived values that a change made stale; emptied before anything is shown.
CREATE TABLE dirty (
    kitroom BLOB NOT NULL,
    what TEXT NOT NULL,
    id BLOB NOT NULL,
    PRIMARY KEY (kitroom, what, id)
) WITHOUT ROWID;

-- Numbers by which a person names what waits for a decision: the id of a conflict, an op or a record.
CREATE TABLE numbers (
    kitroom BLOB NOT NULL,
    id BLOB NOT NULL,
    no INTEGER NOT NULL,
    PRIMARY KEY (kitroom, id)
) WITHOUT ROWID;

-- The names of other accounts, as the service last told them.
CREATE TABLE people (account BLOB PRIMARY KEY, name TEXT NOT NULL) WITHOUT ROWID;
