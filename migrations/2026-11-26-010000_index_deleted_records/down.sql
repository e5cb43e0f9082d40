drop index sync_index_deleted;
