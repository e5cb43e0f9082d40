//! Answers that come compressed.

use std::io::Write;
use std::sync::Arc;

use client_cli::remote::address::Address;
use client_cli::remote::client::HttpClient;
use client_cli::remote::{Answer, Failure, Page, Remote};
use flate2::Compression;
use flate2::write::GzEncoder;
use tiny_http::{Header, Response, Server};
use uuid::Uuid;

fn packed(text: &str) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

fn header(line: &str) -> Header {
    line.parse().unwrap()
}

/// The first page from a service that gives one answer, and the encodings that it was asked for.
fn first_page(kind: &str, status: u16, body: Vec<u8>) -> (Answer<Page>, String) {
    let server = Arc::new(Server::http("127.0.0.1:0").unwrap());
    let address = Address::parse(&format!("http://{}", server.server_addr())).unwrap();
    let kind = header(&format!("Content-Type: {kind}"));
    let thread = std::thread::spawn(move || {
        let request = server.recv().unwrap();
        let asked = request.headers().iter().find(|header| header.field.equiv("Accept-Encoding"));
        let asked = asked.map(|header| header.value.to_string()).unwrap_or_default();
        let response = Response::from_data(body).with_status_code(status).with_header(kind);
        request.respond(response.with_header(header("Content-Encoding: gzip"))).unwrap();
        asked
    });
    let page = HttpClient::new(address).unwrap().changes(Uuid::from_u128(7), None, None);
    (page, thread.join().unwrap())
}

fn lines(changes: u32) -> String {
    let epoch = Uuid::from_u128(8);
    let mut text = format!(r#"{{"line":"header","epoch":"{epoch}","head_seq":{changes}}}"#) + "\n";
    for seq in 1..=changes {
        let id = Uuid::from_u128(seq.into());
        text += &format!(r#"{{"line":"change","seq":{seq},"kind":"item","id":"{id}","deleted":true}}"#);
        text.push('\n');
    }
    text + r#"{"line":"end","next_cursor":"c","has_more":false,"head_seq":9}"# + "\n"
}

#[test]
fn changes_are_asked_for_as_gzip_and_read_as_a_stream() {
    let (page, asked) = first_page("application/x-ndjson", 200, packed(&lines(300)));
    assert_eq!(asked, "gzip");
    let page = page.unwrap();
    assert_eq!((page.rows.len(), page.rows[299].seq, page.next_cursor.as_str()), (300, 300, "c"));
}

#[test]
fn changes_of_a_compressed_stream_that_breaks_off_are_lost() {
    let whole = packed(&lines(300));
    let (page, _) = first_page("application/x-ndjson", 200, whole[..whole.len() - 200].to_vec());
    assert!(matches!(&page, Err(Failure::Lost(why)) if why.contains("broke off")), "{page:?}");
}

#[test]
fn changes_of_a_line_that_unpacks_to_more_than_any_record_are_given_up() {
    let small = packed(&(lines(0).lines().next().unwrap().to_owned() + "\n" + &"x".repeat(32 << 20)));
    assert!(small.len() < 64 << 10, "{}", small.len());
    let (page, _) = first_page("application/x-ndjson", 200, small);
    assert!(matches!(&page, Err(Failure::Lost(why)) if why.contains("too long")), "{page:?}");
}

#[test]
fn changes_refused_in_a_compressed_answer_are_refused_in_its_words() {
    let problem = domain::wire::problem::Problem::new(
        domain::wire::problem::ErrorCode::CursorExpired,
        "read it from its beginning",
    );
    let body = packed(&serde_json::to_string(&problem).unwrap());
    let (page, _) = first_page("application/problem+json", 410, body);
    let Err(Failure::Refused(refused)) = page else { panic!("{page:?}") };
    assert_eq!((refused.code(), refused.detail), (problem.code(), problem.detail));
}
