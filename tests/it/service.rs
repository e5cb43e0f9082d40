//! What is said about the service itself: health, metrics, the API document, the docs page.

use system_tests::harness::app::TestApp;
use system_tests::harness::client::{Method, document};

#[tokio::test]
async fn get_health_and_readiness_say_ok_to_anybody() {
    let app = TestApp::start().await;
    for path in ["/healthz", "/readyz"] {
        let health = app.http.get(path).await.expect(200);
        assert_eq!(health["status"], "ok");
        assert_eq!(health["version"], env!("CARGO_PKG_VERSION"));
    }
}

#[tokio::test]
async fn get_readiness_without_a_database_says_when_to_try_again() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let _ = ada.get("/readyz").await.expect(200);
    let database: String = app.scalar("select current_database()::text").await;
    let own: i32 = app.scalar("select pg_backend_pid()").await;
    // Sessions end; the next statement on one of them fails, and after that the pool gives new ones.
    app.execute(&format!(
        "select pg_terminate_backend(pid) from pg_stat_activity where datname = '{database}' and pid <> {own}"
    ))
    .await;
    let mut refused = 0;
    for _ in 0..20 {
        let reply = app.http.get("/readyz").await;
        if reply.status == 200 {
            continue;
        }
        let _ = reply.problem("unavailable");
        assert_eq!(reply.header("retry-after"), "5");
        refused += 1;
    }
    assert!(refused <= 4, "{refused} refusals, but the pools hold four connections");
    let _ = app.http.get("/healthz").await.expect(200);
    let _ = ada.get("/v1/sync").await.expect(200);
}

#[tokio::test]
async fn get_metrics_counts_by_route_and_never_by_id() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let missing = kit.path(&format!("items/{}", kit.id));
    for _ in 0..3 {
        let _ = kit.viewer.get(&missing).await.problem("not-found");
    }
    let _ = app.http.get("/no/such/place").await.problem("not-found");
    let reply = app.http.get("/metrics").await;
    // The text exposition format of Prometheus, version 0.0.4.
    assert_eq!(reply.header("content-type"), "text/plain; version=0.0.4");
    let text = reply.text();
    assert!(!text.contains(&kit.id.to_string()), "{text}");
    let route = "/v1/kitrooms/{kitroom_id}/items/{item_id}";
    let labels = format!("method=\"GET\",route=\"{route}\",status=\"404\"");
    assert!(text.contains(&format!("_count{{{labels}}} 3\n")), "{text}");
    assert!(text.contains(&format!("_bucket{{{labels},le=\"+Inf\"}} 3\n")), "{text}");
    let mut buckets = text.lines().filter(|line| line.contains(&labels) && line.contains("_bucket"));
    let counts: Vec<u32> =
        buckets.by_ref().map(|line| line.rsplit(' ').next().unwrap().parse().unwrap()).collect();
    assert!(counts.len() == 11 && counts.is_sorted(), "{counts:?}");
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let (name, value) = line.rsplit_once(' ').unwrap();
        assert!(name.starts_with("tarebook_") && value.parse::<f64>().is_ok(), "{line}");
    }
}

#[tokio::test]
async fn get_openapi_answers_the_document_of_the_code() {
    let app = TestApp::start().await;
    let reply = app.http.get("/openapi.json").await;
    assert_eq!(reply.header("content-type"), "application/json");
    assert_eq!(&reply.expect(200), document());
}

/// The addresses in a page's text that a browser would fetch.
fn fetched(html: &str) -> Vec<String> {
    let mut found = Vec::new();
    for attribute in ["src=\"", "href=\""] {
        found.extend(
            html.split(attribute).skip(1).map(|rest| rest.split('"').next().unwrap_or_default().to_owned()),
        );
    }
    found
}

#[tokio::test]
async fn get_docs_serves_every_part_of_the_page_itself() {
    let app = TestApp::start().await;
    let moved = app.http.get("/docs").await;
    assert_eq!((moved.status, moved.header("location")), (308, "/docs/"));
    let page = app.http.get("/docs/").await;
    assert_eq!(page.status, 200, "{}", page.text());
    assert!(page.header("content-type").starts_with("text/html"), "{}", page.header("content-type"));
    let parts = fetched(&page.text());
    assert!(parts.len() >= 4, "{parts:?}");
    for part in parts {
        assert!(!part.contains(':') && !part.starts_with("//"), "{part} is elsewhere");
        let reply = app.http.get(&format!("/docs/{}", part.trim_start_matches("./"))).await;
        assert_eq!(reply.status, 200, "{part}");
        assert!(!reply.body.is_empty(), "{part}");
    }
    let start = app.http.get("/docs/swagger-initializer.js").await.text();
    assert!(start.contains("\"/openapi.json\""), "{start}");
    assert!(start.contains("\"validatorUrl\": \"none\""), "{start}");
    assert!(!start.contains("://"), "an address elsewhere: {start}");
    // Whatever the page's scripts would like to fetch from elsewhere, the browser refuses.
    let policy = page.header("content-security-policy");
    for directive in policy.split("; ") {
        let mut words = directive.split(' ');
        let name = words.next().unwrap();
        for source in words {
            assert!(["'none'", "'self'", "data:", "'unsafe-inline'"].contains(&source), "{directive}");
            assert!(source != "'unsafe-inline'" || name == "style-src", "{directive}");
        }
    }
    assert!(policy.starts_with("default-src 'none'; "), "{policy}");
    let _ = app.http.get("/docs/../openapi.json").await.expect(200);
    let _ = app.http.get("/docs/no-such-part.js").await.problem("not-found");
    let _ = app.http.call(Method::POST, "/openapi.json").send().await;
}
