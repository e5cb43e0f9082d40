-- The tables of the record kinds all have one shape: what every record carries, and the body in canonical spelling.
-- Columns that SQL filters, sorts, joins or constrains by are generated from the body, so that they cannot differ
-- from it. Times in a body are UTC with a fixed number of digits, so that their text sorts as they do.

create table items (
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
    name text generated always as (body->>'name') stored not null,
    kind text generated always as (body->>'kind') stored not null,
    size text generated always as (body->>'size') stored,
    tag text generated always as (body->>'tag') stored,
    primary key (kitroom_id, id)
);
create index items_kind on items (kitroom_id, kind, id) where not deleted;

create table scales (
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
    name text generated always as (body->>'name') stored not null,
    primary key (kitroom_id, id)
);

create table sittings (
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
    scale_id uuid generated always as ((body->>'scale_id')::uuid) stored not null,
    started_at text collate "C" generated always as (body->>'started_at') stored not null,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, scale_id) references scales
);
create index sittings_scale on sittings (kitroom_id, scale_id);

create table check_readings (
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
    sitting_id uuid generated always as ((body->>'sitting_id')::uuid) stored not null,
    observed_at text collate "C" generated always as (body->>'observed_at') stored not null,
    supersedes_id uuid generated always as ((body->>'supersedes_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, sitting_id) references sittings
);
create index check_readings_sitting on check_readings (kitroom_id, sitting_id);
create index check_readings_supersedes on check_readings (kitroom_id, supersedes_id) where supersedes_id is not null;

create table weighings (
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
    item_id uuid generated always as ((body->>'item_id')::uuid) stored not null,
    sitting_id uuid generated always as ((body->>'sitting_id')::uuid) stored,
    scale_id uuid generated always as ((body->>'scale_id')::uuid) stored,
    observed_at text collate "C" generated always as (body->>'observed_at') stored not null,
    supersedes_id uuid generated always as ((body->>'supersedes_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, item_id) references items,
    foreign key (kitroom_id, sitting_id) references sittings,
    foreign key (kitroom_id, scale_id) references scales
);
create index weighings_item on weighings (kitroom_id, item_id);
create index weighings_sitting on weighings (kitroom_id, sitting_id) where sitting_id is not null;
create index weighings_scale on weighings (kitroom_id, scale_id) where scale_id is not null;
create index weighings_supersedes on weighings (kitroom_id, supersedes_id) where supersedes_id is not null;

-- Stored projection: the mass of each item, kept by the same transaction that changes what it rests on.
create table item_masses (
    kitroom_id uuid not null,
    item_id uuid not null,
    mass jsonb not null,
    primary key (kitroom_id, item_id),
    foreign key (kitroom_id, item_id) references items on delete cascade
);

-- Stored projection: how well the scale repeated in each sitting, so that one more weighing need not read them all.
create table sitting_repeats (
    kitroom_id uuid not null,
    sitting_id uuid not null,
    scale_id uuid not null,
    sum_squares double precision not null,
    dof integer not null,
    primary key (kitroom_id, sitting_id),
    foreign key (kitroom_id, sitting_id) references sittings on delete cascade
);
create index sitting_repeats_scale on sitting_repeats (kitroom_id, scale_id);
