//! All routes, a line each.

use utoipa_actix_web::scope;
use utoipa_actix_web::service_config::ServiceConfig;

use crate::features::{
    accounts, check_readings, device_tokens, health, invitations, items, kitrooms, members, scales, sessions,
    sittings, sync, weighings,
};

/// Adds every operation to the app and to the specification.
pub fn configure(config: &mut ServiceConfig<'_>) {
    let kitroom = scope("/kitrooms/{kitroom_id}")
        .service(items::routes::create_item)
        .service(items::routes::list_items)
        .service(items::routes::get_item)
        .service(items::routes::update_item)
        .service(items::routes::delete_item)
        .service(scales::routes::create_scale)
        .service(scales::routes::list_scales)
        .service(scales::routes::get_scale)
        .service(scales::routes::update_scale)
        .service(scales::routes::delete_scale)
        .service(sittings::routes::create_sitting)
        .service(sittings::routes::list_sittings)
        .service(sittings::routes::get_sitting)
        .service(sittings::routes::update_sitting)
        .service(sittings::routes::delete_sitting)
        .service(check_readings::routes::create_check_reading)
        .service(check_readings::routes::list_check_readings)
        .service(check_readings::routes::get_check_reading)
        .service(check_readings::routes::void_check_reading)
        .service(weighings::routes::create_weighing)
        .service(weighings::routes::list_weighings)
        .service(weighings::routes::get_weighing)
        .service(weighings::routes::void_weighing)
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
        .service(invitations::routes::create_membership)
        .service(device_tokens::routes::create_device_token)
        .service(device_tokens::routes::list_device_tokens)
        .service(device_tokens::routes::delete_device_token)
        .service(sync::routes::get_sync)
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
