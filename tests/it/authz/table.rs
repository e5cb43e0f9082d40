//! The table. Each operation of the API document has a row; a new one without a row fails [`super::walk`].

/// Who asks, in the order of the columns. The last two are the same person: with a session of a moment ago, and with a
/// device token, which a lost device would show.
pub const ACTORS: [&str; 8] =
    ["anonymous", "outsider", "removed member", "viewer", "member", "keeper", "owner", "owner's device"];

/// What comes of it: a status of success, or the problem's slug.
pub type Outcomes = [&'static str; 8];

/// An operation and its outcomes.
#[derive(Debug)]
pub struct Row {
    /// The operation id.
    pub operation: &'static str,
    /// By actor.
    pub outcomes: Outcomes,
}

const ANON: &str = "not-authenticated";
const GONE: &str = "not-found";
const NO: &str = "forbidden";
const LOGIN: &str = "reauthentication-required";

/// Open to everybody.
const fn open(done: &'static str) -> Outcomes {
    [done; 8]
}

/// Whoever has an account, on what is their own.
const fn own(done: &'static str) -> Outcomes {
    [ANON, done, done, done, done, done, done, done]
}

/// Members of any role.
const fn viewer(done: &'static str) -> Outcomes {
    [ANON, GONE, GONE, done, done, done, done, done]
}

/// From the role of member on.
const fn member(done: &'static str) -> Outcomes {
    [ANON, GONE, GONE, NO, done, done, done, done]
}

/// From the role of keeper on.
const fn keeper(done: &'static str) -> Outcomes {
    [ANON, GONE, GONE, NO, NO, done, done, done]
}

/// Owners.
const fn owner(done: &'static str) -> Outcomes {
    [ANON, GONE, GONE, NO, NO, NO, done, done]
}

/// Owners who have logged in a moment ago.
const fn owner_by_login(done: &'static str) -> Outcomes {
    [ANON, GONE, GONE, NO, NO, NO, done, LOGIN]
}

const fn row(operation: &'static str, outcomes: Outcomes) -> Row {
    Row { operation, outcomes }
}

/// All rows.
pub const ROWS: &[Row] = &[
    row("get_health", open("200")),
    row("get_readiness", open("200")),
    row("get_metrics", open("200")),
    row("create_session", open("201")),
    row("refresh_session", open("200")),
    row("create_account", open("201")),
    row("list_sessions", own("200")),
    row("delete_session", own("204")),
    row("get_account", own("200")),
    row("update_account", own("200")),
    row("update_password", own("204")),
    row("delete_account", own("204")),
    row("get_export", own("200")),
    row("get_runner", own("200")),
    row("update_runner", own("200")),
    row("create_device_token", [ANON, "201", "201", "201", "201", "201", "201", LOGIN]),
    row("list_device_tokens", own("200")),
    row("delete_device_token", own("204")),
    row("create_membership", own("201")),
    row("list_attributes", open("200")),
    row("get_rule_sheet_schema", open("200")),
    row("get_sync", own("200")),
    row("create_kitroom", own("201")),
    row("list_kitrooms", own("200")),
    row("get_kitroom", viewer("200")),
    row("update_kitroom", owner("200")),
    row("delete_kitroom", owner_by_login("204")),
    row("list_members", viewer("200")),
    row("update_member", owner("200")),
    row("delete_member", owner("204")),
    row("create_invitation", owner("201")),
    row("list_invitations", owner("200")),
    row("delete_invitation", owner("204")),
    row("create_item", keeper("201")),
    row("list_items", viewer("200")),
    row("get_item", viewer("200")),
    row("update_item", keeper("200")),
    row("delete_item", keeper("204")),
    row("create_scale", member("201")),
    row("list_scales", viewer("200")),
    row("get_scale", viewer("200")),
    row("update_scale", member("200")),
    row("delete_scale", member("204")),
    row("create_sitting", member("201")),
    row("list_sittings", viewer("200")),
    row("get_sitting", viewer("200")),
    row("update_sitting", member("200")),
    row("delete_sitting", member("204")),
    row("create_check_reading", member("201")),
    row("list_check_readings", viewer("200")),
    row("get_check_reading", viewer("200")),
    row("void_check_reading", keeper("200")),
    row("create_weighing", member("201")),
    row("list_weighings", viewer("200")),
    row("get_weighing", viewer("200")),
    row("void_weighing", keeper("200")),
    row("create_pocket", keeper("201")),
    row("list_pockets", viewer("200")),
    row("get_pocket", viewer("200")),
    row("update_pocket", keeper("200")),
    row("delete_pocket", keeper("204")),
    row("create_log_entry", member("201")),
    row("list_log_entries", viewer("200")),
    row("get_log_entry", viewer("200")),
    row("void_log_entry", keeper("200")),
    row("create_stock_entry", member("201")),
    row("list_stock_entries", viewer("200")),
    row("get_stock_entry", viewer("200")),
    row("void_stock_entry", keeper("200")),
    row("create_season", keeper("201")),
    row("list_seasons", viewer("200")),
    row("get_season", viewer("200")),
    row("update_season", keeper("200")),
    row("delete_season", keeper("204")),
    row("create_rule_sheet", keeper("201")),
    row("list_rule_sheets", viewer("200")),
    row("get_rule_sheet", viewer("200")),
    row("update_rule_sheet", keeper("200")),
    row("delete_rule_sheet", keeper("204")),
    row("create_race", keeper("201")),
    row("list_races", viewer("200")),
    row("get_race", viewer("200")),
    row("update_race", keeper("200")),
    row("delete_race", keeper("204")),
    row("create_loadout", member("201")),
    row("list_loadouts", viewer("200")),
    row("get_loadout", viewer("200")),
    row("update_loadout", keeper("200")),
    row("delete_loadout", keeper("204")),
    row("create_loadout_entry", keeper("201")),
    row("list_loadout_entries", viewer("200")),
    row("get_loadout_entry", viewer("200")),
    row("update_loadout_entry", keeper("200")),
    row("delete_loadout_entry", keeper("204")),
    row("create_seal", keeper("201")),
    row("list_seals", viewer("200")),
    row("get_seal", viewer("200")),
    row("void_seal", keeper("200")),
    row("list_conflicts", viewer("200")),
    row("get_conflict", viewer("200")),
    row("create_resolution", keeper("200")),
    row("list_loadout_masses", viewer("200")),
    row("get_loadout_mass", viewer("200")),
    row("get_loadout_verdicts", viewer("200")),
    row("get_loadout_snapshot", viewer("200")),
    row("get_loadout_comparison", viewer("200")),
    row("find_lightest_set", viewer("200")),
    row("get_race_plan", viewer("200")),
    row("get_ledger", viewer("200")),
    row("get_ledger_picture", viewer("200")),
    row("get_mass_trend", viewer("200")),
    row("get_mass_trend_picture", viewer("200")),
    row("get_head_forecast", viewer("200")),
    row("get_head_forecast_picture", viewer("200")),
    row("get_seen_item", viewer("200")),
    row("get_attention", viewer("200")),
    row("list_changes", viewer("200")),
    row("push_ops", viewer("200")),
    row("get_digest", viewer("200")),
];

const OWN_LOADOUT: &str = "members do it with the loadouts that they made themselves";

/// What the table cannot say in one word; each is proved by a test of its own.
pub const NOTES: &[(&str, &str)] = &[
    ("create_invitation", "an invitation for an owner takes a login within the last 15 minutes"),
    ("create_loadout_entry", OWN_LOADOUT),
    (
        "create_membership",
        "takes an open invitation; the role is the invitation's, or the greater one held already",
    ),
    (
        "create_resolution",
        "members settle the conflicts that their own offers opened; what settling writes takes the right to write it",
    ),
    ("create_seal", OWN_LOADOUT),
    ("delete_loadout", OWN_LOADOUT),
    ("delete_loadout_entry", OWN_LOADOUT),
    ("delete_member", "everybody may leave; the last owner may not"),
    ("find_lightest_set", "changes nothing; each candidate kitroom must be open to whoever asks"),
    ("get_race_plan", "body mass and walking threshold are those of whoever asks, and shown to nobody else"),
    ("push_ops", "each op is judged by the role of its kind, as the operations above are"),
    ("update_loadout", OWN_LOADOUT),
    ("update_loadout_entry", OWN_LOADOUT),
    ("update_member", "making an owner takes a login within the last 15 minutes"),
    ("void_check_reading", "members void what they appended themselves"),
    ("void_log_entry", "members void what they appended themselves"),
    ("void_seal", "members void what they appended themselves, and the seals of their own loadouts"),
    ("void_stock_entry", "members void what they appended themselves"),
    ("void_weighing", "members void what they appended themselves"),
];
