drop table idempotency_keys;
drop table device_tokens;
drop table refresh_tokens;
drop table sessions;
drop table accounts;
