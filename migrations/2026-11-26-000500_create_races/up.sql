-- Pockets, condition history, stock, seasons, rule sheets, races, loadouts and seals. The tables have the shape of all
-- record kinds: see create_kit.

create table pockets (
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
    primary key (kitroom_id, id),
    foreign key (kitroom_id, item_id) references items
);
create index pockets_item on pockets (kitroom_id, item_id);

create table seasons (
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
    from_on text collate "C" generated always as (body->>'from_on') stored not null,
    to_on text collate "C" generated always as (body->>'to_on') stored not null,
    primary key (kitroom_id, id)
);

create table rule_sheets (
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

create table races (
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
    starts_at text collate "C" generated always as (body->>'starts_at') stored,
    rule_sheet_id uuid generated always as ((body->>'rule_sheet_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, rule_sheet_id) references rule_sheets
);
create index races_rule_sheet on races (kitroom_id, rule_sheet_id) where rule_sheet_id is not null;
create index races_starts_at on races (kitroom_id, starts_at) where starts_at is not null;

create table loadouts (
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
    race_id uuid generated always as ((body->>'race_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, race_id) references races
);
create index loadouts_race on loadouts (kitroom_id, race_id) where race_id is not null;

create table loadout_entries (
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
    loadout_id uuid generated always as ((body->>'loadout_id')::uuid) stored not null,
    item_id uuid generated always as ((case when body ? 'item_kitroom_id' then null else body->>'item_id' end)::uuid) stored,
    pocket_id uuid generated always as ((body->>'pocket_id')::uuid) stored,
    inside_entry_id uuid generated always as ((body->>'inside_entry_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, loadout_id) references loadouts,
    foreign key (kitroom_id, item_id) references items,
    foreign key (kitroom_id, pocket_id) references pockets,
    foreign key (kitroom_id, inside_entry_id) references loadout_entries
);
create index loadout_entries_loadout on loadout_entries (kitroom_id, loadout_id);
create index loadout_entries_item on loadout_entries (kitroom_id, item_id) where item_id is not null;
create index loadout_entries_pocket on loadout_entries (kitroom_id, pocket_id) where pocket_id is not null;
create index loadout_entries_inside_entry on loadout_entries (kitroom_id, inside_entry_id) where inside_entry_id is not null;

create table seals (
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
    loadout_id uuid generated always as ((body->>'loadout_id')::uuid) stored not null,
    supersedes_id uuid generated always as ((body->>'supersedes_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, loadout_id) references loadouts
);
create index seals_loadout on seals (kitroom_id, loadout_id);
create index seals_supersedes on seals (kitroom_id, supersedes_id) where supersedes_id is not null;

create table log_entries (
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
    event text generated always as (body->>'event') stored not null,
    observed_at text collate "C" generated always as (body->>'observed_at') stored not null,
    loadout_id uuid generated always as ((body->>'loadout_id')::uuid) stored,
    supersedes_id uuid generated always as ((body->>'supersedes_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, item_id) references items,
    foreign key (kitroom_id, loadout_id) references loadouts
);
create index log_entries_item on log_entries (kitroom_id, item_id);
create index log_entries_loadout on log_entries (kitroom_id, loadout_id) where loadout_id is not null;
create index log_entries_supersedes on log_entries (kitroom_id, supersedes_id) where supersedes_id is not null;

create table stock_entries (
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
    observed_at text collate "C" generated always as (body->>'observed_at') stored not null,
    loadout_id uuid generated always as ((body->>'loadout_id')::uuid) stored,
    supersedes_id uuid generated always as ((body->>'supersedes_id')::uuid) stored,
    primary key (kitroom_id, id),
    foreign key (kitroom_id, item_id) references items,
    foreign key (kitroom_id, loadout_id) references loadouts
);
create index stock_entries_item on stock_entries (kitroom_id, item_id);
create index stock_entries_loadout on stock_entries (kitroom_id, loadout_id) where loadout_id is not null;
create index stock_entries_supersedes on stock_entries (kitroom_id, supersedes_id) where supersedes_id is not null;

-- Stored projections, kept as item_masses is: whether an item may be used, how many units are left, whether a loadout
-- may still change.
create table item_states (
    kitroom_id uuid not null,
    item_id uuid not null,
    state jsonb not null,
    primary key (kitroom_id, item_id),
    foreign key (kitroom_id, item_id) references items on delete cascade
);
create index item_states_state on item_states (kitroom_id, (state->>'state'));
create table item_stocks (
    kitroom_id uuid not null,
    item_id uuid not null,
    stock jsonb not null,
    primary key (kitroom_id, item_id),
    foreign key (kitroom_id, item_id) references items on delete cascade
);
create table loadout_states (
    kitroom_id uuid not null,
    loadout_id uuid not null,
    state jsonb not null,
    primary key (kitroom_id, loadout_id),
    foreign key (kitroom_id, loadout_id) references loadouts on delete cascade
);

-- The items that were there before have their first state.
insert into item_states (kitroom_id, item_id, state)
select kitroom_id, id, '{"state": "serviceable"}' from items;
