-- Use and washes are nearly all of a log, and they are read only for the items whose head was tested.
create index log_entries_head_tests on log_entries (kitroom_id, item_id) where event = 'head_test';
create index log_entries_judging on log_entries (kitroom_id, item_id)
    where event not in ('use', 'wash') or supersedes_id is not null;
