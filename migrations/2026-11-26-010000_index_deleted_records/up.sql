-- A digest leaves out what is deleted: the sums over that are taken from here.
create index sync_index_deleted on sync_index (kitroom_id, kind) include (row_hash) where deleted;
