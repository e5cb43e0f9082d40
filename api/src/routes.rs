//! All routes, a line each.

use utoipa_actix_web::scope;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::features::{
    accounts, attention, check_readings, conflicts, device_tokens, health, invitations, items, kitrooms,
    ledger, loadout_entries, loadouts, log_entries, members, pockets, races, rule_sheets, runner, scales,
    seals, seasons, sessions, sittings, stock_entries, sync, trends, weighings,
};

/// Adds every operation to the app and to the specification.
pub fn configure(config: &mut ServiceConfig<'_>) {
    let kitroom = scope("/kitrooms/{kitroom_id}")
        .service(items::routes())
        .service(scales::routes())
        .service(sittings::routes())
        .service(check_readings::routes())
        .service(weighings::routes())
        .service(pockets::routes())
        .service(log_entries::routes())
        .service(stock_entries::routes())
        .service(seasons::routes())
        .service(rule_sheets::routes())
        .service(races::routes())
        .service(races::routes::get_race_plan)
        .service(loadouts::routes())
        .service(loadouts::routes::list_loadout_masses)
        .service(loadouts::routes::get_loadout_mass)
        .service(loadouts::routes::get_loadout_verdicts)
        .service(loadouts::routes::get_loadout_snapshot)
        .service(loadouts::routes::get_loadout_comparison)
        .service(loadouts::routes::find_lightest_set)
        .service(loadout_entries::routes())
        .service(seals::routes())
        .service(conflicts::routes())
        .service(ledger::routes::get_ledger)
        .service(ledger::routes::get_ledger_picture)
        .service(trends::routes::get_mass_trend)
        .service(trends::routes::get_mass_trend_picture)
        .service(trends::routes::get_head_forecast)
        .service(trends::routes::get_head_forecast_picture)
        .service(trends::routes::get_seen_item)
        .service(attention::routes::get_attention)
        .service(members::routes::list_members)
        .service(members::routes::update_member)
        .service(members::routes::delete_member)
        .service(invitations::routes::create_invitation)
        .service(invitations::routes::list_invitations)
        .service(invitations::routes::delete_invitation)
        .service(sync::routes::list_changes)
        .service(sync::routes::push_ops)
        .service(sync::routes::get_digest);
    let v1 = scope("/v1")
        .service(sessions::routes::create_session)
        .service(sessions::routes::refresh_session)
        .service(sessions::routes::list_sessions)
        .service(sessions::routes::delete_session)
        .service(accounts::routes::create_account)
        .service(accounts::routes::get_account)
        .service(accounts::routes::update_account)
        .service(accounts::routes::delete_account)
        .service(accounts::routes::update_password)
        .service(accounts::routes::get_export)
        .service(runner::routes::get_runner)
        .service(runner::routes::update_runner)
        .service(invitations::routes::create_membership)
        .service(device_tokens::routes::create_device_token)
        .service(device_tokens::routes::list_device_tokens)
        .service(device_tokens::routes::delete_device_token)
        .service(sync::routes::get_sync)
        .service(rule_sheets::routes::list_attributes)
        .service(rule_sheets::routes::get_rule_sheet_schema)
        .service(kitrooms::routes::create_kitroom)
        .service(kitrooms::routes::list_kitrooms)
        .service(kitrooms::routes::get_kitroom)
        .service(kitrooms::routes::update_kitroom)
        .service(kitrooms::routes::delete_kitroom)
        .service(kitroom);
    config
        .service(health::routes::get_health)
        .service(health::routes::get_readiness)
        .service(health::routes::get_metrics)
        .service(v1);
}
