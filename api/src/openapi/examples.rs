//! One worked example a schema, from an invented kitroom. A test reads each back through the type that it shows.

use domain::wire::problem::{ErrorCode, FieldError, Problem};
use serde_json::{Map, Value, json};

mod computed;
mod records;

use records::{item, weighing};

const KITROOM: &str = "019d0000-0000-7000-8000-000000000001";
const ITEM: &str = "019d0000-0000-7000-8000-000000000002";
const SCALE: &str = "019d0000-0000-7000-8000-000000000003";
const SITTING: &str = "019d0000-0000-7000-8000-000000000004";
const CHECK: &str = "019d0000-0000-7000-8000-000000000005";
const WEIGHING: &str = "019d0000-0000-7000-8000-000000000006";
const ACCOUNT: &str = "019d0000-0000-7000-8000-000000000007";
const REPLICA: &str = "019d0000-0000-7000-8000-000000000008";
const EPOCH: &str = "019d0000-0000-7000-8000-000000000009";
const TOKEN: &str = "019d0000-0000-7000-8000-00000000000a";
const OP: &str = "019d0000-0000-7000-8000-00000000000b";
const LATER: &str = "019d0000-0000-7000-8000-00000000000d";
const AT: &str = "2026-03-01T05:10:00.000Z";

fn with(base: Value, more: Value) -> Value {
    let (Value::Object(mut base), Value::Object(more)) = (base, more) else { return Value::Null };
    base.extend(more);
    Value::Object(base)
}

fn view(id: &str, body: Value) -> Value {
    with(body, json!({"id": id, "version": 12, "created_by": ACCOUNT, "recorded_at": AT}))
}

fn fact(id: &str, body: Value) -> Value {
    with(view(id, body), json!({"recorded_by": ACCOUNT}))
}

fn page(record: Value) -> Value {
    json!({"items": [record], "next_cursor": null})
}

fn kitroom() -> Value {
    json!({"id": KITROOM, "name": "my kit", "purpose": "personal", "role": "owner", "version": 1, "epoch": EPOCH,
        "head_seq": 12, "created_at": AT})
}

fn account() -> Value {
    json!({"id": ACCOUNT, "email": "runner@example.org", "name": "Runner", "version": 1, "created_at": AT})
}

fn member() -> Value {
    json!({"account_id": ACCOUNT, "name": "Runner", "role": "keeper", "created_at": AT})
}

fn invitation() -> Value {
    json!({"id": TOKEN, "role": "member", "note": "for the new runner", "created_at": AT,
        "expires_at": "2026-03-08T05:10:00.000Z"})
}

fn device_token() -> Value {
    json!({"id": TOKEN, "name": "laptop in the kitchen", "created_at": AT})
}

/// The example of a schema.
pub fn of(schema: &str) -> Option<Value> {
    Some(match schema {
        "CreateSession" => json!({"email": "runner@example.org", "password": "four wet socks at dawn"}),
        "SessionView" => json!({"access_token": "eyJ0eXAi...", "token_type": "Bearer", "expires_in_s": 600,
            "refresh_token": "tbr_..."}),
        "RefreshSession" => json!({"refresh_token": "tbr_...", "rotation_id": OP}),
        "SessionList" => {
            json!({"items": [{"id": TOKEN, "created_at": AT, "last_used_at": AT, "current": true}]})
        }
        "CreateAccount" => {
            json!({"email": "keeper@example.org", "password": "four wet socks at dawn", "name": "Keeper",
            "invitation": "tbi_..."})
        }
        "AccountView" => account(),
        "UpdateAccount" => json!({"name": "Runner of the hills"}),
        "UpdateRunner" => json!({"body_mass_kg": 68.5, "walks_above_pct": 15}),
        "RunnerView" => json!({"body_mass_kg": 68.5, "walks_above_pct": 15, "version": 1}),
        "ChangePassword" => json!({"current_password": "four wet socks at dawn",
            "new_password": "five dry socks at dusk", "revoke_device_tokens": false}),
        "DeleteAccount" => json!({"password": "four wet socks at dawn"}),
        "MemberView" => member(),
        "MemberList" => json!({"items": [member()]}),
        "UpdateMember" => json!({"role": "keeper"}),
        "CreateInvitation" => json!({"role": "member", "note": "for the new runner", "expires_in_h": 168}),
        "InvitationView" => with(invitation(), json!({"token": "tbi_..."})),
        "InvitationList" => json!({"items": [invitation()]}),
        "CreateMembership" => json!({"invitation": "tbi_..."}),
        "MembershipView" => json!({"kitroom_id": KITROOM, "role": "member"}),
        "CreateDeviceToken" => json!({"name": "laptop in the kitchen"}),
        "DeviceTokenView" => with(device_token(), json!({"token": "tbd_..."})),
        "DeviceTokenList" => json!({"items": [device_token()]}),
        "CreateKitroom" => json!({"id": KITROOM, "name": "my kit", "purpose": "personal"}),
        "UpdateKitroom" => json!({"name": "winter kit"}),
        "KitroomView" => kitroom(),
        "KitroomList" => json!({"items": [kitroom()]}),
        "Health" => json!({"status": "ok", "version": "0.1.0"}),
        "SyncOverview" => json!({"server_time": AT, "schema": {"min": 1, "current": 1},
            "limits": {"push_ops": 500, "push_bytes": 1_048_576, "record_bytes": 65536, "pull_changes": 2000,
                "pull_bytes": 4_194_304, "wait_s": 55},
            "kitrooms": [{"kitroom_id": KITROOM, "role": "owner", "epoch": EPOCH, "head_seq": 12, "floor_seq": 0,
                "open_conflicts": 0}], "removed": []}),
        "ChangesPage" => {
            json!({"epoch": EPOCH, "changes": [{"seq": 12, "kind": "item", "id": ITEM, "deleted": false,
            "record": view(ITEM, item())}], "next_cursor": "eyJ2Ijox...", "has_more": false, "head_seq": 12})
        }
        "FeedLine" => json!({"line": "change", "seq": 12, "kind": "item", "id": ITEM, "deleted": false,
            "record": view(ITEM, item())}),
        "Digest" => json!({"head_seq": 12, "kinds": {"item": {"count": 1, "hash": "00c0ffee00c0ffee"}}}),
        "PushRequest" => json!({"replica_id": REPLICA, "schema_version": 1, "ops": [{"op_id": OP, "op_no": 1,
            "group": "1", "kind": "weighing", "record_id": WEIGHING, "action": "append", "base_seq": 12,
            "value": weighing(), "done_at": AT}]}),
        "PushResponse" => {
            json!({"epoch": EPOCH, "head_seq": 13, "results": [{"op_id": OP, "status": "applied",
            "seq": 13}], "ack": "eyJ2Ijox..."})
        }
        name => return records::of(name).or_else(|| computed::of(name)),
    })
}

/// The example of a problem.
pub fn problem(code: ErrorCode) -> Value {
    let problem = if code == ErrorCode::ValidationFailed {
        let words = "5200 g is over the capacity of 5000 g of the scale kitchen scale";
        Problem::invalid(vec![FieldError::new("/reading_g", "over-capacity", words)])
    } else {
        Problem::new(code, code.title())
    };
    let mut value = serde_json::to_value(problem).unwrap_or_else(|_| Value::Object(Map::new()));
    if let Value::Object(map) = &mut value {
        map.insert("request_id".into(), json!("019d0000-0000-7000-8000-00000000000c"));
    }
    value
}
