//! The tables that are read and written through the query builder. Record kinds go through `door::records`, which
//! needs no columns of its own.

#![expect(missing_docs, reason = "the columns are documented in the migrations")]

diesel::table! {
    accounts (id) {
        id -> Uuid,
        email -> Text,
        name -> Text,
        password_hash -> Text,
        version -> Int8,
        created_at -> Timestamptz,
        deleted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    sessions (id) {
        id -> Uuid,
        account_id -> Uuid,
        created_at -> Timestamptz,
        last_used_at -> Timestamptz,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    refresh_tokens (token_hash) {
        token_hash -> Bytea,
        session_id -> Uuid,
        created_at -> Timestamptz,
        used_at -> Nullable<Timestamptz>,
        rotation_id -> Nullable<Uuid>,
        successor_hash -> Nullable<Bytea>,
    }
}

diesel::table! {
    device_tokens (id) {
        id -> Uuid,
        account_id -> Uuid,
        name -> Text,
        token_hash -> Bytea,
        created_at -> Timestamptz,
        last_used_at -> Nullable<Timestamptz>,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    runners (account_id) {
        account_id -> Uuid,
        version -> Int8,
        body -> Jsonb,
    }
}

diesel::table! {
    idempotency_keys (account_id, key) {
        account_id -> Uuid,
        key -> Text,
        op_id -> Uuid,
        record_id -> Uuid,
        created_at -> Timestamptz,
    }
}

diesel::table! {
    kitrooms (id) {
        id -> Uuid,
        name -> Text,
        purpose -> Text,
        version -> Int8,
        epoch -> Uuid,
        head_seq -> Int8,
        floor_seq -> Int8,
        created_at -> Timestamptz,
        deleted_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    memberships (kitroom_id, account_id) {
        kitroom_id -> Uuid,
        account_id -> Uuid,
        role -> Text,
        created_at -> Timestamptz,
        removed_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    invitations (id) {
        id -> Uuid,
        kitroom_id -> Uuid,
        token_hash -> Bytea,
        role -> Text,
        note -> Nullable<Text>,
        created_by -> Uuid,
        created_at -> Timestamptz,
        expires_at -> Timestamptz,
        accepted_by -> Nullable<Uuid>,
        accepted_at -> Nullable<Timestamptz>,
        revoked_at -> Nullable<Timestamptz>,
    }
}

diesel::table! {
    replicas (kitroom_id, replica_id) {
        kitroom_id -> Uuid,
        replica_id -> Uuid,
        account_id -> Uuid,
        last_op_no -> Int8,
        schema_version -> Int4,
        last_seen_at -> Timestamptz,
    }
}

diesel::joinable!(memberships -> kitrooms (kitroom_id));
diesel::joinable!(memberships -> accounts (account_id));
diesel::joinable!(refresh_tokens -> sessions (session_id));
diesel::joinable!(invitations -> kitrooms (kitroom_id));
diesel::allow_tables_to_appear_in_same_query!(kitrooms, memberships, accounts, invitations);
diesel::allow_tables_to_appear_in_same_query!(sessions, refresh_tokens, device_tokens);
diesel::allow_tables_to_appear_in_same_query!(accounts, sessions);
diesel::allow_tables_to_appear_in_same_query!(accounts, device_tokens);
