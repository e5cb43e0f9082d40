create table kitrooms (
    id uuid primary key,
    name text not null,
    purpose text not null check (purpose in ('personal', 'club')),
    -- Counts the changes of this header; the records have head_seq.
    version bigint not null default 1,
    epoch uuid not null,
    -- The number of the last change. Allocated under this row's lock, which is held to the commit, so that the order of
    -- the numbers is the order of the commits and no reader can pass a change that is still to come.
    head_seq bigint not null default 0,
    floor_seq bigint not null default 0,
    created_at timestamptz not null,
    deleted_at timestamptz
);

create table memberships (
    kitroom_id uuid not null references kitrooms on delete cascade,
    account_id uuid not null references accounts on delete cascade,
    role text not null check (role in ('viewer', 'member', 'keeper', 'owner')),
    created_at timestamptz not null,
    removed_at timestamptz,
    primary key (kitroom_id, account_id)
);
create index memberships_account on memberships (account_id);

-- A way in for somebody who has the secret: once, until it expires.
create table invitations (
    id uuid primary key,
    kitroom_id uuid not null references kitrooms on delete cascade,
    token_hash bytea not null unique check (octet_length(token_hash) = 32),
    role text not null check (role in ('viewer', 'member', 'keeper', 'owner')),
    note text,
    created_by uuid not null references accounts,
    created_at timestamptz not null,
    expires_at timestamptz not null,
    accepted_by uuid references accounts,
    accepted_at timestamptz,
    revoked_at timestamptz
);
create index invitations_kitroom on invitations (kitroom_id);

-- Which copy of a kitroom has sent which numbers.
create table replicas (
    kitroom_id uuid not null references kitrooms on delete cascade,
    replica_id uuid not null,
    account_id uuid not null references accounts on delete cascade,
    last_op_no bigint not null,
    schema_version integer not null,
    last_seen_at timestamptz not null,
    primary key (kitroom_id, replica_id)
);

-- One row per record, moved to the record's newest change: the feed is one scan of it.
create table sync_index (
    kitroom_id uuid not null references kitrooms on delete cascade,
    kind text not null,
    record_id uuid not null,
    seq bigint not null,
    deleted boolean not null,
    row_hash bigint not null,
    primary key (kitroom_id, kind, record_id)
);
create unique index sync_index_seq on sync_index (kitroom_id, seq);

-- Every op ever decided, with the answer that a repetition gets. Kept for good.
create table applied_ops (
    kitroom_id uuid not null references kitrooms on delete cascade,
    op_id uuid not null,
    replica_id uuid,
    op_no bigint,
    op_hash bytea not null check (octet_length(op_hash) = 32),
    result jsonb not null,
    seq bigint,
    applied_at timestamptz not null,
    primary key (kitroom_id, op_id)
);

-- A random mark per commit: another mark where a client saw this one means that the database was restored or copied.
create table commits (
    kitroom_id uuid not null references kitrooms on delete cascade,
    last_seq bigint not null,
    mark bytea not null check (octet_length(mark) = 16),
    committed_at timestamptz not null,
    primary key (kitroom_id, last_seq)
);

-- Per kind the number of records and the wrapping sum of their hashes.
create table kind_digests (
    kitroom_id uuid not null references kitrooms on delete cascade,
    kind text not null,
    records bigint not null,
    hash_sum numeric(20, 0) not null,
    primary key (kitroom_id, kind)
);
