//! The feed as lines: the same as pages, bounded, compressed when asked for, and to be gone on with wherever it breaks.

use std::io::Read as _;

use domain::wire::sync::{Change, FeedLine};
use serde_json::Value;
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{item, new_id, weighing};
use system_tests::harness::client::plain_client;
use system_tests::harness::device::{Device, changes_of, lines_of, seq_of};

/// A kitroom whose last change has this number: an item and weighings as devices send them, an item that was deleted
/// again (change 5), and as many more items as it takes.
async fn filled(app: &TestApp, last: i64) -> (Kitroom, Device) {
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let (shell, gone) = (new_id(), new_id());
    let ops = [
        device.create_item(shell, "blue \"shell\" é"),
        device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0)),
        device.op("append", "weighing", new_id(), 0, weighing(shell, 412.5)),
        device.create_item(gone, "gone"),
        device.op("delete", "item", gone, 0, Value::Null),
    ];
    device.push(&ops).await;
    fill(app, &kit, 6, last, 1).await;
    (kit, device)
}

/// Items with these numbers, put straight into the tables; each has 32 bytes of notes so many times.
async fn fill(app: &TestApp, kit: &Kitroom, first: i64, last: i64, notes: i64) {
    let (kitroom, author) = (kit.id, kit.keeper.account);
    let id = "('019d5a00-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid";
    app.execute(&format!(
        "insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body) \
         select '{kitroom}', {id}, n, '{{\"\": {{\"s\": 1}}}}', '{author}', now(), false, false, \
         jsonb_build_object('name', 'x', 'kind', 'other', 'notes', repeat(md5(n::text), {notes})) \
         from generate_series({first}, {last}) n; \
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) \
         select '{kitroom}', 'item', {id}, n, false, 0 from generate_series({first}, {last}) n; \
         insert into commits (kitroom_id, last_seq, mark, committed_at) \
         values ('{kitroom}', {last}, decode('000102030405060708090a0b0c0d0e0f', 'hex'), now()); \
         update kitrooms set head_seq = {last} where id = '{kitroom}'"
    ))
    .await;
}

fn end_of(lines: &[FeedLine]) -> (String, bool, i64) {
    match lines.last() {
        Some(FeedLine::End { next_cursor, has_more, changes, .. }) => {
            (next_cursor.clone(), *has_more, *changes)
        }
        other => panic!("the stream has no end: {other:?}"),
    }
}

fn last_cursor(lines: &[FeedLine]) -> Option<String> {
    lines.iter().rev().find_map(|line| match line {
        FeedLine::Cursor { cursor } => Some(cursor.clone()),
        FeedLine::End { next_cursor, .. } => Some(next_cursor.clone()),
        _ => None,
    })
}

#[tokio::test]
async fn list_changes_as_lines_is_what_the_pages_are_with_a_cursor_every_500() {
    let app = TestApp::start().await;
    let (kit, device) = filled(&app, 1500).await;
    let (pages, cursor) = device.pull(2000).await;
    let reply = device.streaming(None).send().await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "application/x-ndjson"));
    assert!(reply.header("content-length").is_empty(), "it is not gathered first");
    let lines = lines_of(&reply.body);
    let FeedLine::Header { epoch, schema_version, head_seq } = &lines[0] else { panic!("{:?}", lines[0]) };
    assert_eq!((*schema_version, *head_seq), (1, 1500));
    let stored: uuid::Uuid = app.scalar(&format!("select epoch from kitrooms where id = '{}'", kit.id)).await;
    assert_eq!(*epoch, stored);
    assert_eq!(changes_of(&lines), pages);
    assert_eq!(end_of(&lines), (cursor, false, pages.len() as i64));
    let mut since = 0;
    for line in &lines {
        match line {
            FeedLine::Change(_) => since += 1,
            FeedLine::Cursor { .. } => since = 0,
            _ => {}
        }
        assert!(since <= 500, "{since} changes without a cursor");
    }
    // From any cursor on, and with a bound.
    let half = device.page(None, 700).await;
    let rest = lines_of(&device.streaming(Some(&half.next_cursor)).send().await.body);
    assert_eq!([half.changes, changes_of(&rest)].concat(), pages);
    let some = kit.viewer.getting(&kit.path("changes?limit=3")).header("Accept", "application/x-ndjson");
    let some = lines_of(&some.send().await.body);
    assert_eq!(changes_of(&some), pages[..3]);
    let (cursor, has_more, _) = end_of(&some);
    assert!(has_more && seq_of(&cursor) == pages[2].seq);
}

#[tokio::test]
async fn list_changes_cut_anywhere_goes_on_from_the_last_whole_cursor_without_loss() {
    let app = TestApp::start().await;
    let (_, device) = filled(&app, 1200).await;
    let whole = device.streaming(None).send().await.body;
    let all = changes_of(&lines_of(&whole));
    for part in 1..20 {
        let cut = whole.len() * part / 20 + part;
        let lines = lines_of(&whole[..cut.min(whole.len())]);
        let cursor = last_cursor(&lines);
        // What is kept goes up to the cursor: the lines after it come again.
        let kept = lines.iter().rposition(|line| matches!(line, FeedLine::Cursor { .. })).unwrap_or(0);
        let kept: Vec<Change> = changes_of(&lines[..kept]);
        let rest = device.streaming(cursor.as_deref()).send().await;
        assert_eq!([kept, changes_of(&lines_of(&rest.body))].concat(), all, "cut at byte {cut}");
    }
}

#[tokio::test]
async fn list_changes_media_type_is_that_which_the_reader_prefers() {
    let app = TestApp::start().await;
    let (_, device) = filled(&app, 20).await;
    let lines = "application/x-ndjson";
    for (accept, wanted) in [
        (lines, lines),
        ("application/x-ndjson, application/json;q=0.5", lines),
        ("application/x-ndjson;q=0.5, application/json", "application/json"),
        ("application/x-ndjson;q=0", "application/json"),
        ("*/*", "application/json"),
        ("application/json", "application/json"),
        ("text/html", "application/json"),
        ("", "application/json"),
    ] {
        let reply = device.asking(None, 1).header("Accept", accept).send().await;
        assert_eq!((reply.status, reply.header("content-type")), (200, wanted), "{accept:?}");
        assert!(reply.header("vary").to_lowercase().contains("accept"), "{accept:?}");
    }
    // What is refused is a problem in either form.
    let reply = device.asking(Some("x"), 1).header("Accept", lines).send().await;
    let _ = reply.problem("cursor-invalid");
}

fn gunzip(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    flate2::read::MultiGzDecoder::new(bytes).read_to_end(&mut out).unwrap();
    out
}

#[tokio::test]
async fn answers_are_squeezed_when_asked_for_streams_and_problems_included() {
    let app = TestApp::start().await;
    let (kit, device) = filled(&app, 1200).await;
    let plain = device.streaming(None).send().await;
    assert!(plain.header("content-encoding").is_empty(), "nobody asked");
    let squeezed = device.streaming(None).header("Accept-Encoding", "gzip").send().await;
    assert_eq!(squeezed.header("content-encoding"), "gzip");
    let vary: Vec<_> = squeezed.headers.get_all("vary").iter().map(|value| value.to_str().unwrap()).collect();
    assert!(vary.join(", ").to_lowercase().contains("accept-encoding"), "{vary:?}");
    assert!(squeezed.body.len() * 4 < plain.body.len(), "{} of {}", squeezed.body.len(), plain.body.len());
    assert_eq!(changes_of(&lines_of(&gunzip(&squeezed.body))), changes_of(&lines_of(&plain.body)));
    let page = device.asking(None, 500).header("Accept-Encoding", "gzip, br;q=0.1").send().await;
    assert_eq!(page.header("content-encoding"), "gzip");
    let page: Value = serde_json::from_slice(&gunzip(&page.body)).unwrap();
    assert_eq!(page, device.asking(None, 500).send().await.expect(200));
    // A problem is short: it comes as it is, whoever asks.
    let call = kit.viewer.getting(&kit.path("items?limit=0")).header("Accept-Encoding", "gzip");
    let _ = call.send().await.problem("validation-failed");
    // An encoding that nobody has is refused like anything else that does not fit.
    let odd = kit.viewer.getting("/v1/me").header("Accept-Encoding", "br, identity;q=0").send().await;
    let _ = odd.problem("not-acceptable");
}

#[tokio::test]
async fn list_changes_of_large_records_ends_its_pages_by_bytes() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    fill(&app, &kit, 1, 150, 1875).await;
    let device = Device::new(&kit.viewer, kit.id);
    let reply = device.asking(None, 2000).send().await;
    assert!(reply.body.len() <= 4 * 1024 * 1024 + 1024, "{} bytes", reply.body.len());
    let page: domain::wire::sync::ChangesPage = reply.read();
    assert!(page.has_more && (60..75).contains(&page.changes.len()), "{} changes", page.changes.len());
    let (all, _) = device.pull(2000).await;
    assert_eq!(all.iter().map(|change| change.seq).collect::<Vec<_>>(), (1..=150).collect::<Vec<_>>());
    // A stream has its cursors closer together, by bytes as well.
    let lines = lines_of(&device.streaming(None).send().await.body);
    assert_eq!(changes_of(&lines), all);
    assert!(lines.iter().filter(|line| matches!(line, FeedLine::Cursor { .. })).count() >= 8);
}

#[tokio::test]
async fn list_changes_as_lines_breaks_off_without_an_end_when_the_reader_is_removed_on_the_way() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    // More than what lies between the service and a reader that does not read.
    fill(&app, &kit, 1, 900, 1875).await;
    let url = format!("{}{}", kit.viewer.base(), kit.path("changes"));
    let request = plain_client().get(url).bearer_auth(kit.viewer.token().unwrap());
    let mut response = request.header("Accept", "application/x-ndjson").send().await.unwrap();
    let mut body = response.chunk().await.unwrap().unwrap().to_vec();
    app.leave(kit.id, &kit.viewer).await;
    let broken = loop {
        match response.chunk().await {
            Ok(Some(chunk)) => body.extend_from_slice(&chunk),
            Ok(None) => break false,
            Err(_) => break true,
        }
    };
    assert!(broken, "the stream came to a regular end");
    let lines = lines_of(&body);
    assert!(!lines.iter().any(|line| matches!(line, FeedLine::End { .. })));
    let got = changes_of(&lines).len();
    assert!((1..900).contains(&got), "{got} changes");
    // What came goes up to a cursor; it opens nothing any more.
    let device = Device::new(&kit.viewer, kit.id);
    let cursor = last_cursor(&lines).expect("a cursor among them");
    let _ = device.streaming(Some(&cursor)).send().await.problem("not-found");
}

#[tokio::test]
async fn list_changes_as_lines_ends_though_others_go_on_writing() {
    let app = TestApp::start().await;
    let (kit, device) = filled(&app, 4000).await;
    let writer = kit.owner.clone();
    let path = kit.path("items");
    let writing = tokio::spawn(async move {
        for n in 0..40 {
            let _ = writer.post(&path, &item(&format!("late {n}"))).await.expect(201);
        }
    });
    let lines = lines_of(&device.streaming(None).send().await.body);
    let (mut cursor, ..) = end_of(&lines);
    writing.await.unwrap();
    let mut all = changes_of(&lines);
    // Whatever the first said, the writer went on.
    let mut has_more = true;
    while has_more {
        let lines = lines_of(&device.streaming(Some(&cursor)).send().await.body);
        all.extend(changes_of(&lines));
        (cursor, has_more, _) = end_of(&lines);
    }
    assert!(all.windows(2).all(|pair| pair[0].seq < pair[1].seq));
    assert_eq!(all, device.pull(2000).await.0);
    assert_eq!(all.len(), 4000 - 2 + 40);
}
