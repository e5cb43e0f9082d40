//! What the table's notes say.

use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::client::Method;
use system_tests::harness::device::{Device, refusal, statuses};

use super::scene::Scene;

#[actix_web::test]
async fn void_of_ones_own_fact_by_a_member_is_taken_and_of_anothers_refused() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let (kitroom, member) = (&scene.kitroom, &scene.kitroom.member);
    let item = scene.item().await;
    let own = member.post(&kitroom.path("weighings"), &bodies::weighing(item, 400.0)).await.expect(201).id();
    let others = scene.weighing().await;
    let reason = json!({"reason": "the other glove"});
    let void = |id| kitroom.path(&format!("weighings/{id}/void"));
    assert!(member.post(&void(own), &reason).await.expect(200)["voided"].is_object());
    app.refuses(member.posting(&void(others), &reason), "forbidden").await;
}

#[actix_web::test]
async fn push_by_each_role_is_judged_op_by_op() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let kitroom = &scene.kitroom;
    let item = scene.item().await;
    for (actor, wanted) in [
        (&kitroom.viewer, ["rejected", "rejected", "rejected"]),
        (&kitroom.member, ["rejected", "applied", "applied"]),
        (&kitroom.keeper, ["applied", "applied", "applied"]),
        (&kitroom.owner, ["applied", "applied", "applied"]),
    ] {
        let mut device = Device::new(actor, kitroom.id);
        let ops = [
            device.create_item(new_id(), "whistle"),
            device.op("append", "weighing", new_id(), 0, bodies::weighing(item, 410.0)),
            device.op("create", "scale", new_id(), 0, bodies::scale()),
        ];
        let results = device.push(&ops).await;
        assert_eq!(statuses(&results), wanted, "{}", actor.email);
        for result in results.iter().filter(|result| result["status"] == "rejected") {
            assert_eq!(refusal(result), "forbidden");
        }
    }
}

#[actix_web::test]
async fn push_by_a_member_who_was_removed_meanwhile_is_not_found() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let mut device = Device::new(&scene.kitroom.keeper, scene.kitroom.id);
    let op = device.create_item(new_id(), "whistle");
    assert_eq!(statuses(&device.push(std::slice::from_ref(&op)).await), ["applied"]);
    let power = scene.power().await;
    let path = scene.kitroom.path(&format!("members/{}", scene.kitroom.keeper.account));
    assert_eq!(power.http.call(Method::DELETE, &path).send().await.status, 204);
    let op = device.create_item(new_id(), "compass");
    app.refuses(device.pushing(std::slice::from_ref(&op)), "not-found").await;
    let told = scene.kitroom.keeper.get("/v1/sync").await.expect(200);
    assert_eq!(told["kitrooms"], json!([]));
    assert_eq!(told["removed"][0].text("kitroom_id"), scene.kitroom.id.to_string());
}

#[actix_web::test]
async fn owner_made_or_invited_takes_a_recent_login() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let (kitroom, power) = (&scene.kitroom, scene.power().await);
    let member = kitroom.path(&format!("members/{}", kitroom.keeper.account));
    let (role, invitation) = (json!({"role": "owner"}), kitroom.path("invitations"));
    // By a device, and by a session of sixteen minutes ago.
    let old = scene.power().await;
    app.execute("update sessions set created_at = created_at - interval '16 minutes'").await;
    for http in [&kitroom.owner.http, &old.http] {
        app.refuses(http.call(Method::PATCH, &member).merge_patch(&role), "reauthentication-required").await;
        app.refuses(http.posting(&invitation, &role), "reauthentication-required").await;
        app.refuses(http.deleting(&format!("/v1/kitrooms/{}", kitroom.id), "*"), "reauthentication-required")
            .await;
        app.refuses(http.posting("/v1/device-tokens", &json!({"name": "x"})), "reauthentication-required")
            .await;
    }
    app.execute("update sessions set created_at = created_at + interval '16 minutes'").await;
    drop(power);
    let fresh = scene.power().await.http;
    assert_eq!(
        fresh.call(Method::PATCH, &member).merge_patch(&role).send().await.expect(200).text("role"),
        "owner"
    );
    assert_eq!(fresh.post(&invitation, &role).await.expect(201).text("role"), "owner");
}
