create table accounts (
    id uuid primary key,
    -- In lower case: addresses that differ only in case are one account.
    email text not null unique check (email = lower(email)),
    name text not null,
    password_hash text not null,
    -- Counts the changes of this header.
    version bigint not null default 1,
    created_at timestamptz not null,
    -- The row stays, without a name or an address, because records name their author by it.
    deleted_at timestamptz
);

create table sessions (
    id uuid primary key,
    account_id uuid not null references accounts on delete cascade,
    created_at timestamptz not null,
    last_used_at timestamptz not null,
    revoked_at timestamptz
);
create index sessions_account on sessions (account_id);

-- Each is good for one exchange. A reply that was lost is asked for again with the same rotation_id.
create table refresh_tokens (
    token_hash bytea primary key check (octet_length(token_hash) = 32),
    session_id uuid not null references sessions on delete cascade,
    created_at timestamptz not null,
    used_at timestamptz,
    rotation_id uuid,
    successor_hash bytea check (octet_length(successor_hash) = 32)
);
create index refresh_tokens_session on refresh_tokens (session_id);

create table device_tokens (
    id uuid primary key,
    account_id uuid not null references accounts on delete cascade,
    name text not null,
    token_hash bytea not null unique check (octet_length(token_hash) = 32),
    created_at timestamptz not null,
    last_used_at timestamptz,
    revoked_at timestamptz
);
create index device_tokens_account on device_tokens (account_id);

-- What a repeated request without an id of its own goes by.
create table idempotency_keys (
    account_id uuid not null references accounts on delete cascade,
    key text not null check (length(key) between 1 and 200),
    op_id uuid not null,
    record_id uuid not null,
    created_at timestamptz not null,
    primary key (account_id, key)
);
