//! What surrounds every request: addresses, methods, media types, sizes, bodies that are no JSON, lying lengths.

use std::io::Write;
use std::time::Duration;

use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::client::{Http, Method};
use system_tests::harness::redact::redacted;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// A gigabyte of zeros in about a megabyte: a thousand members of a megabyte each (RFC 1952, section 2.2).
pub fn bomb() -> Vec<u8> {
    gzip(&vec![0; 1 << 20]).repeat(1024)
}

#[tokio::test]
async fn request_for_an_address_that_is_not_there_is_a_problem_like_any_other() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for path in [
        "/",
        "/v1",
        "/v2/kitrooms",
        "/v1/kitrooms/",
        &kit.path("item"),
        &kit.path("items/"),
        "/..%2f",
        "/%00",
    ] {
        for http in [&app.http, &kit.owner.http] {
            let problem = http.get(path).await.problem("not-found");
            insta::allow_duplicates! {
                insta::assert_json_snapshot!(redacted(&problem), @r#"
                {
                  "detail": "there is nothing at this address that is shown to you",
                  "request_id": "[id]",
                  "status": 404,
                  "title": "There is nothing here, or it is not shown to you.",
                  "type": "urn:tarebook:problem:not-found"
                }
                "#);
            }
        }
    }
}

#[tokio::test]
async fn request_with_a_method_that_the_address_does_not_take_names_those_that_it_does() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for (method, path, allow) in [
        (Method::PUT, "/v1/kitrooms".to_owned(), "GET, POST"),
        (Method::POST, "/v1/me".to_owned(), "GET, PATCH, DELETE"),
        (Method::POST, format!("/v1/kitrooms/{}", kit.id), "GET, PATCH, DELETE"),
        (Method::PUT, kit.path(&format!("items/{}", new_id())), "GET, PATCH, DELETE"),
        (Method::GET, kit.path("ops"), "POST"),
        (Method::POST, kit.path("changes"), "GET"),
        (Method::PUT, "/v1/sessions".to_owned(), "GET, POST"),
        (Method::OPTIONS, kit.path("items"), "GET, POST"),
        (Method::TRACE, "/healthz".to_owned(), "GET"),
    ] {
        let reply = kit.owner.call(method.clone(), &path).send().await;
        // RFC 9110, section 15.5.6: the answer has an Allow field.
        if reply.status == 405 || method != Method::GET {
            let _ = reply.problem("method-not-allowed");
            assert!(reply.header("allow").starts_with(allow), "{method} {path}: {:?}", reply.header("allow"));
        }
    }
}

#[tokio::test]
async fn body_in_another_media_type_or_encoding_says_which_are_taken() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    let body = item("x").to_string();
    let post = || kit.keeper.call(Method::POST, &path);
    for media in [
        "text/plain",
        "application/merge-patch+json",
        "application/jsonx",
        "x",
        "application/json, text/plain",
    ] {
        let before = app.contents().await;
        let reply = post().header("Content-Type", media).body(body.clone()).send().await;
        let _ = reply.problem("unsupported-media-type");
        assert_eq!(reply.header("accept-post"), "application/json");
        assert_eq!(app.contents().await, before);
    }
    app.refuses(post().body(body.clone()), "unsupported-media-type").await;
    for encoding in ["br", "deflate", "gzip, gzip", "?"] {
        let call = post().header("Content-Type", "application/json").header("Content-Encoding", encoding);
        let reply = call.body(body.clone()).send().await;
        let _ = reply.problem("unsupported-media-type");
        assert_eq!(reply.header("accept-encoding"), "gzip");
    }
    let json = || post().header("Content-Type", "APPLICATION/JSON; charset=utf-8");
    let squeezed = json().header("Content-Encoding", "GZIP").body(gzip(body.as_bytes())).send().await;
    assert_eq!(squeezed.expect(201)["name"], "x");
    let plain = json().header("Content-Encoding", "identity").body(body.clone()).send().await;
    let _ = plain.expect(201);
    let broken = json().header("Content-Encoding", "gzip").body(body);
    app.refuses(broken, "bad-request").await;
    let cut = gzip(item("y").to_string().as_bytes());
    let cut = json().header("Content-Encoding", "gzip").body(cut[..cut.len() - 9].to_vec());
    app.refuses(cut, "bad-request").await;
}

#[tokio::test]
async fn body_that_is_no_json_names_the_byte() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    for (body, from, to) in [
        ("", 0, 0),
        ("nul", 0, 3),
        (r#"{"name": "x", }"#, 14, 14),
        (r#"{"name": tru}"#, 9, 12),
        ("{\n  \"näme\": \"x\",\n  \"kind\": 'hat'\n}", 28, 28),
        (r#"{"name": "x"} {"#, 14, 14),
        (r#"{"name": "x\q"}"#, 11, 13),
        (r#"{"name": "\ud800"}"#, 9, 18),
        (r#"{"label_mass_g": 01}"#, 17, 18),
        (r#"{"label_mass_g": 1e999}"#, 17, 22),
        (r#"{"name": "x"#, 9, 11),
    ] {
        let call = kit.keeper.call(Method::POST, &path).header("Content-Type", "application/json").body(body);
        let problem = app.refuses(call, "malformed-json").await;
        let at = problem["byte"].as_u64().unwrap();
        assert!((from..=to).contains(&at), "{body}: byte {at}: {problem}");
        assert!(problem.text("detail").contains(&format!("(byte {at})")), "{problem}");
    }
    let call = kit.keeper.call(Method::POST, &path).header("Content-Type", "application/json");
    app.refuses(call.body(b"{\"name\": \"\xff\"}".to_vec()), "malformed-json").await;
    for body in ["[]", "5", "\"x\"", "null", "true"] {
        let call = kit.keeper.call(Method::POST, &path).header("Content-Type", "application/json").body(body);
        let problem = app.refuses(call, "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], "");
    }
}

#[tokio::test]
async fn body_nested_10_000_deep_is_refused_at_a_byte_and_the_service_lives_on() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let arrays = format!("{{\"notes\": {}1{}}}", "[".repeat(10_000), "]".repeat(10_000));
    let objects = format!("{}1{}", r#"{"attributes":"#.repeat(7_000), "}".repeat(7_000));
    for body in [arrays, objects] {
        for path in [kit.path("items"), kit.path("ops")] {
            let call = kit.keeper.call(Method::POST, &path).header("Content-Type", "application/json");
            let problem = app.refuses(call.body(body.clone()), "malformed-json").await;
            let at = problem["byte"].as_u64().unwrap() as usize;
            assert!(at > 100 && at < 3000, "byte {at}");
        }
    }
    let _ = app.http.get("/healthz").await.expect(200);
}

#[tokio::test]
async fn body_over_the_limit_is_refused_also_after_decompression() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let padded = |bytes: usize| {
        let body = item("x").to_string();
        let space = " ".repeat(bytes - body.len());
        body + &space
    };
    let limit = 256 * 1024;
    let post = |path: &str| {
        kit.keeper.call(Method::POST, &kit.path(path)).header("Content-Type", "application/json")
    };
    let _ = post("items").body(padded(limit)).send().await.expect(201);
    let problem = app.refuses(post("items").body(padded(limit + 1)), "payload-too-large").await;
    assert_eq!(problem["limit_bytes"], limit);
    let squeezed = |bytes: Vec<u8>, path: &str| post(path).header("Content-Encoding", "gzip").body(bytes);
    let _ = squeezed(gzip(padded(limit).as_bytes()), "items").send().await.expect(201);
    app.refuses(squeezed(gzip(padded(limit + 1).as_bytes()), "items"), "payload-too-large").await;
    let bomb = bomb();
    // Small enough to get past the limit on what is sent.
    assert!(bomb.len() < 1024 * 1024 + 100_000, "{}", bomb.len());
    for path in ["items", "ops"] {
        app.refuses(squeezed(bomb.clone(), path), "payload-too-large").await;
    }
    app.refuses(squeezed(gzip(&vec![0; 1 << 20])[..200].repeat(2), "ops"), "bad-request").await;
    let big = json!({"replica_id": new_id(), "schema_version": 1, "ops": [], "x": "x".repeat(1024 * 1024)});
    let problem = app.refuses(kit.keeper.posting(&kit.path("ops"), &big), "payload-too-large").await;
    assert_eq!(problem["limit_bytes"], 1024 * 1024);
}

/// Sends bytes as they are; answers what comes back until the service closes or is silent.
async fn raw(http: &Http, bytes: &[u8], half_close: bool) -> String {
    let address = http.base().trim_start_matches("http://");
    let mut stream = TcpStream::connect(address).await.unwrap();
    // The service may close before it has read everything.
    let _ = stream.write_all(bytes).await;
    if half_close {
        let _ = stream.shutdown().await;
    }
    let mut answer = Vec::new();
    let mut chunk = [0; 4096];
    while let Ok(Ok(n @ 1..)) = tokio::time::timeout(Duration::from_secs(2), stream.read(&mut chunk)).await {
        answer.extend_from_slice(&chunk[..n]);
    }
    String::from_utf8_lossy(&answer).into_owned()
}

#[tokio::test]
async fn body_with_a_lying_length_stores_nothing_and_hurts_nobody_else() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("x").to_string();
    let head = |length: &str| {
        format!(
            "POST {} HTTP/1.1\r\nHost: tarebook\r\nAuthorization: Bearer {}\r\nContent-Type: application/json\r\n{length}\r\n",
            kit.path("items"),
            kit.keeper.token().unwrap()
        )
    };
    let before = app.contents().await;
    // Longer than what comes.
    let short = raw(&app.http, format!("{}{body}", head("Content-Length: 4000\r\n")).as_bytes(), true).await;
    assert!(short.is_empty() || short.contains(" 400 "), "{short}");
    // Shorter than what comes: what is cut off is no JSON, and the rest is no request.
    let long = raw(&app.http, format!("{}{body}", head("Content-Length: 5\r\n")).as_bytes(), false).await;
    assert!(long.starts_with("HTTP/1.1 400 "), "{long}");
    // A length that no service could hold, and none that is a number.
    let huge = format!("{}{}", head("Content-Length: 99999999999\r\n"), " ".repeat(300_000));
    let huge = raw(&app.http, huge.as_bytes(), false).await;
    assert!(huge.is_empty() || huge.starts_with("HTTP/1.1 413 "), "{huge}");
    for length in
        ["Content-Length: -5\r\n", "Content-Length: x\r\n", "Content-Length: 5\r\nContent-Length: 50\r\n"]
    {
        let answer = raw(&app.http, format!("{}{body}", head(length)).as_bytes(), false).await;
        assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 400 "), "{length}: {answer}");
    }
    // RFC 9112, section 6.1: both a length and chunks is how requests are smuggled.
    let both = "Content-Length: 5\r\nTransfer-Encoding: chunked\r\n";
    let both = raw(&app.http, format!("{}0\r\n\r\n{}{body}", head(both), head("")).as_bytes(), false).await;
    assert!(!both.contains(" 201 "), "{both}");
    // Chunks that break off, and chunks that lie.
    for chunks in ["ffff\r\n{\"name\":", "5\r\n{\"name\": \"x\"}\r\n0\r\n\r\n", "zz\r\n{}\r\n"] {
        let request = format!("{}{chunks}", head("Transfer-Encoding: chunked\r\n"));
        let answer = raw(&app.http, request.as_bytes(), true).await;
        assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 400 "), "{chunks}: {answer}");
    }
    assert_eq!(app.contents().await, before);
    let _ = kit.keeper.post(&kit.path("items"), &item("x")).await.expect(201);
}

#[tokio::test]
async fn request_id_is_new_for_each_request_and_the_senders_own_is_not_taken() {
    let app = TestApp::start().await;
    let given = new_id().to_string();
    let one = app.http.getting("/v1/me").header("X-Request-Id", &given).send().await;
    let two = app.http.getting("/v1/me").header("X-Request-Id", &given).send().await;
    assert_ne!(one.header("x-request-id"), two.header("x-request-id"));
    assert_eq!(one.problem("not-authenticated")["request_id"], one.header("x-request-id"));
    assert_ne!(one.header("x-request-id"), given);
}

#[tokio::test]
async fn request_from_another_origin_gets_no_leave() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let reply = ada.getting("/v1/me").header("Origin", "https://elsewhere.example").send().await;
    let _: Value = reply.expect(200);
    assert!(
        reply.headers.keys().all(|name| !name.as_str().starts_with("access-control-")),
        "{:?}",
        reply.headers
    );
}
