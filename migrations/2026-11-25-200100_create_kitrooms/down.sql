drop table kind_digests;
drop table commits;
drop table applied_ops;
drop table sync_index;
drop table replicas;
drop table invitations;
drop table memberships;
drop table kitrooms;
