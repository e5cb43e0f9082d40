create table accounts (
    id uuid primary key,
    -- In lower case: addresses that differ only in case are one account.
    email text not null unique check (email = lower(email)),
    name text not null,
    password_hash text not null,
    created_at timestamptz not null
);

create table sessions (
    id uuid primary key,
    account_id uuid not null references accounts on delete cascade,
    refresh_hash bytea not null unique check (octet_length(refresh_hash) = 32),
    created_at timestamptz not null,
    last_used_at timestamptz not null,
    revoked_at timestamptz
);
create index sessions_account on sessions (account_id);

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
