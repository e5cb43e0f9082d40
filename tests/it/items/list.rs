use serde_json::Value;
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item};

async fn filled(app: &TestApp, names: &[(&str, &str, &str)]) -> Kitroom {
    let kit = app.kitroom().await;
    for (name, kind, size) in names {
        let body = item(name).with("kind", *kind).with("size", *size).with("tag", format!("T-{name}"));
        let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    }
    kit
}

fn names(page: &Value) -> Vec<&str> {
    page["items"].as_array().unwrap().iter().map(|item| item.text("name")).collect()
}

const KIT: &[(&str, &str, &str)] = &[
    ("blue shell", "shell_jacket", "M"),
    ("red shell", "shell_jacket", "L"),
    ("road shoes", "shoes", "M"),
    ("fell shoes", "shoes", "44"),
    ("Änderung 100%", "other", "M"),
];

#[tokio::test]
async fn list_items_page_by_page_gives_each_once_in_a_stable_order() {
    let app = TestApp::start().await;
    let kit = filled(&app, KIT).await;
    let whole = kit.viewer.get(&kit.path("items")).await.expect(200);
    assert_eq!(names(&whole), KIT.iter().map(|row| row.0).collect::<Vec<_>>());
    assert_eq!(whole["next_cursor"], Value::Null);
    let (mut paged, mut next) = (Vec::new(), format!("{}?limit=2", kit.path("items")));
    for size in [2, 2, 1] {
        let reply = kit.viewer.get(&next).await;
        let page = reply.expect(200);
        let items = page["items"].as_array().unwrap();
        assert_eq!(items.len(), size);
        paged.extend(items.clone());
        match page["next_cursor"].as_str() {
            Some(cursor) => next = format!("{}?limit=2&cursor={cursor}", kit.path("items")),
            None => next.clear(),
        }
    }
    assert!(next.is_empty(), "a page too many");
    assert_eq!(Value::from(paged), whole["items"]);
}

#[tokio::test]
async fn list_items_following_the_link_keeps_the_filter_and_the_size() {
    let app = TestApp::start().await;
    let kit = filled(&app, KIT).await;
    let (mut found, mut next) = (Vec::new(), format!("{}?kind=shoes&limit=1&q=o", kit.path("items")));
    while !next.is_empty() {
        let reply = kit.viewer.get(&next).await;
        let page = reply.expect(200);
        found.extend(names(&page).into_iter().map(str::to_owned));
        assert_eq!(reply.header("link").is_empty(), page["next_cursor"].is_null());
        // RFC 8288: <target>; rel="next".
        let link =
            reply.header("link").strip_prefix('<').and_then(|rest| rest.strip_suffix(">; rel=\"next\""));
        next = link.unwrap_or_default().to_owned();
        assert!(found.len() <= 2, "{found:?}");
    }
    assert_eq!(found, ["road shoes", "fell shoes"]);
}

#[tokio::test]
async fn list_items_each_filter_narrows_and_they_combine() {
    let app = TestApp::start().await;
    let kit = filled(&app, KIT).await;
    for (query, wanted) in [
        ("kind=shoes", vec!["road shoes", "fell shoes"]),
        ("kind=shoes&size=M", vec!["road shoes"]),
        ("size=M", vec!["blue shell", "road shoes", "Änderung 100%"]),
        ("q=SHELL", vec!["blue shell", "red shell"]),
        ("q=t-road", vec!["road shoes"]),
        ("q=100%25", vec!["Änderung 100%"]),
        ("q=%C3%A4nder", vec!["Änderung 100%"]),
        ("q=_", vec![]),
        ("kind=whistle", vec![]),
        ("kind=no_such_kind", vec![]),
        ("size='%20or%201=1--", vec![]),
    ] {
        let page = kit.viewer.get(&format!("{}?{query}", kit.path("items"))).await.expect(200);
        assert_eq!(names(&page), wanted, "{query}");
    }
}

#[tokio::test]
async fn list_items_a_deleted_one_is_left_out() {
    let app = TestApp::start().await;
    let kit = filled(&app, &KIT[..2]).await;
    let page = kit.viewer.get(&kit.path("items")).await.expect(200);
    let path = kit.path(&format!("items/{}", page["items"][0].id()));
    let tag = kit.keeper.get(&path).await.etag();
    assert_eq!(kit.keeper.deleting(&path, &tag).send().await.status, 204);
    assert_eq!(names(&kit.viewer.get(&kit.path("items")).await.expect(200)), ["red shell"]);
}

#[tokio::test]
async fn list_items_bad_parameters_are_named() {
    let app = TestApp::start().await;
    let kit = filled(&app, &KIT[..2]).await;
    let path = kit.path("items");
    for (query, parameter) in [
        ("limit=0", "?limit"),
        ("limit=501", "?limit"),
        ("limit=-1", "?limit"),
        ("limit=ten", "?limit"),
        ("limit=1&limit=2", "?limit"),
        ("limt=1", "?limt"),
        ("q=a%00b", "?q"),
        ("kind=%00", "?kind"),
    ] {
        let problem = kit.viewer.get(&format!("{path}?{query}")).await.problem("validation-failed");
        assert_eq!(problem["errors"][0]["pointer"], parameter, "{query}");
    }
}

#[tokio::test]
async fn list_items_a_cursor_of_another_kitroom_or_a_made_up_one_is_refused() {
    let app = TestApp::start().await;
    let (one, two) = (filled(&app, &KIT[..2]).await, filled(&app, &KIT[..2]).await);
    let page = one.viewer.get(&format!("{}?limit=1", one.path("items"))).await.expect(200);
    let foreign = page.text("next_cursor");
    // The same content for this kitroom, but no id in it.
    for cursor in [foreign, "abc", "", "eyJrIjoiMSJ9"] {
        let _ =
            two.viewer.get(&format!("{}?cursor={cursor}", two.path("items"))).await.problem("cursor-invalid");
    }
}
