-- Conflicts have the shape of every record kind. One is open until its body says how it ended.

create table conflicts (
    kitroom_id uuid not null references kitrooms on delete cascade,
    id uuid not null,
    version bigint not null,
    units jsonb not null,
    created_by uuid not null,
    recorded_at timestamptz not null,
    deleted boolean not null,
    voided jsonb,
    time_suspect boolean not null,
    body jsonb not null,
    record_id uuid generated always as ((body->>'record_id')::uuid) stored not null,
    open boolean generated always as (not jsonb_exists(body, 'resolution')) stored not null,
    primary key (kitroom_id, id)
);
create index conflicts_open on conflicts (kitroom_id, record_id) where open;
