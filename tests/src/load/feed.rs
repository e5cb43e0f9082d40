//! The feed of a large kitroom, read from its beginning: as one stream of lines, squeezed, and as pages.

use std::time::Instant;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::http::{self, Connection};
use super::place::Service;
use super::pushes::Pusher;
use super::report::Target;
use super::seed::{EXTRA, one_item};
use super::{Bench, KITROOMS, REPEATS, ids, median};

const RECORDS: u64 = 100_000;
/// A small and a large kitroom, which the same few changes are made in and read from.
const SIZES: [u64; 2] = [1_000, 1_000_000];
const CHANGES: u64 = 10;
/// Times that they are made and read; the median counts.
const ROUNDS: u64 = 51;

/// An item, and so many weighings of it as a device sends them, about 400 bytes each in the feed.
async fn fill(bench: &Bench, kitroom: u64, records: u64) -> Result<(), String> {
    let item = one_item(&bench.admin, kitroom).await?;
    let (k, a) = (ids::kitroom(kitroom), ids::account(kitroom));
    let id = format!("('019d0008-{kitroom:04}-7000-8000-' || lpad(n::text, 12, '0'))::uuid");
    let statements = format!(
        "insert into weighings (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body)
         select '{k}', {id}, n + 1, '{{}}', '{a}', now(), false, false, jsonb_build_object('item_id', '{item}', 'reading_g', 400.5, 'resolution_g', 1, 'wetness', 'dry',
             'source', 'typed', 'observed_at', '2026-03-01T05:10:00.000Z', 'raw',
             jsonb_build_object('text', '400.5', 'unit', 'g')) from generate_series(1, {records}) n;
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash)
         select '{k}', 'weighing', {id}, n + 1, false, 0 from generate_series(1, {records}) n;
         insert into commits (kitroom_id, last_seq, mark, committed_at)
         select '{k}', n * 100 + 1, decode(md5(n::text), 'hex'), now() from generate_series(1, {records} / 100) n;
         update kitrooms set head_seq = {records} + 1 where id = '{k}';
         vacuum analyze weighings; vacuum analyze sync_index"
    );
    for statement in statements.split(';') {
        bench.admin.batch_execute(statement).await.map_err(|error| format!("{error:?}"))?;
    }
    Ok(())
}

/// Reads the whole feed as lines; gives the seconds and the bytes.
async fn stream(service: &Service, kitroom: u64, encoding: &str) -> Result<(f64, usize), String> {
    let told = |error: std::io::Error| error.to_string();
    let begun = Instant::now();
    let mut stream = TcpStream::connect(&service.address).await.map_err(told)?;
    let request = format!(
        "GET /v1/kitrooms/{}/changes HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {}\r\n\
         Accept: application/x-ndjson\r\nAccept-Encoding: {encoding}\r\nConnection: close\r\n\r\n",
        ids::kitroom(kitroom),
        ids::token(kitroom)
    );
    stream.write_all(request.as_bytes()).await.map_err(told)?;
    let (mut buffer, mut bytes, mut first, mut last) = (vec![0; 1 << 20], 0, Vec::new(), Vec::new());
    loop {
        let read = stream.read(&mut buffer).await.map_err(told)?;
        if read == 0 {
            break;
        }
        if first.is_empty() {
            first = buffer[..read.min(64)].to_vec();
        }
        bytes += read;
        last = buffer[read.saturating_sub(64)..read].to_vec();
    }
    let seconds = begun.elapsed().as_secs_f64();
    // The last chunk of a body that came whole: RFC 9112, section 7.1.
    if first.starts_with(b"HTTP/1.1 200 ") && last.ends_with(b"0\r\n\r\n") {
        return Ok((seconds, bytes));
    }
    Err(format!("a stream broke off after {bytes} bytes: {}", String::from_utf8_lossy(&first)))
}

/// Reads the whole feed in pages; gives the seconds.
async fn pages(service: &Service, kitroom: u64) -> Result<f64, String> {
    let begun = Instant::now();
    let mut connection = Connection::open(&service.address).await?;
    let path = format!("/v1/kitrooms/{}/changes?limit=2000", ids::kitroom(kitroom));
    last_cursor(&mut connection, &path, &ids::token(kitroom), String::new()).await?;
    Ok(begun.elapsed().as_secs_f64())
}

pub(super) async fn measure(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let kitroom = KITROOMS + EXTRA;
    fill(bench, kitroom, RECORDS).await?;
    let rate = |seconds: &f64| RECORDS as f64 / seconds;
    let (mut plain, mut squeezed, mut paged, mut bytes) = (Vec::new(), Vec::new(), Vec::new(), 0);
    for _ in 0..REPEATS {
        let (seconds, length) = stream(service, kitroom, "identity").await?;
        plain.push(rate(&seconds));
        bytes = length;
        squeezed.push(rate(&stream(service, kitroom, "gzip").await?.0));
        paged.push(rate(&pages(service, kitroom).await?));
    }
    bench.report.number("feed as a stream, records", median(plain), "/s", Target::AtLeast(100_000.0));
    bench.report.number("feed as a squeezed stream, records", median(squeezed), "/s", Target::None);
    bench.report.number("feed in pages of 2000, records", median(paged), "/s", Target::None);
    bench.report.note(format!("A record of the stream has {} bytes on the line.", bytes as u64 / RECORDS));
    few_changes(bench, service).await
}

/// Ten changes pushed and read, in a small and in a large kitroom: what it costs must hang on the changes alone.
async fn few_changes(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let (mut pushes, mut pulls) = (Vec::new(), Vec::new());
    for (at, size) in SIZES.into_iter().enumerate() {
        let kitroom = KITROOMS + 8 + at as u64;
        fill(bench, kitroom, size).await?;
        let mut pusher = Pusher::open(service, kitroom).await?;
        pusher.items(CHANGES).await?;
        let mut connection = Connection::open(&service.address).await?;
        let path = format!("/v1/kitrooms/{}/changes?limit=2000", ids::kitroom(kitroom));
        let token = ids::token(kitroom);
        let mut cursor = last_cursor(&mut connection, &path, &token, String::new()).await?;
        let (mut pushed, mut pulled) = (Vec::new(), Vec::new());
        for round in 0..ROUNDS {
            let ops =
                pusher.weighings(6100 + 100 * at as u64 + round, 0..CHANGES, CHANGES, r#""resolution_g":1"#);
            pushed.push(pusher.push(&ops).await? * 1000.0);
            let begun = Instant::now();
            cursor = last_cursor(&mut connection, &path, &token, cursor).await?;
            pulled.push(begun.elapsed().as_secs_f64() * 1000.0);
        }
        pushes.push(median(pushed));
        pulls.push(median(pulled));
    }
    let sizes = format!("{CHANGES} changes, of {} records to of {}", SIZES[1], SIZES[0]);
    for (what, times) in [("push", pushes), ("pull", pulls)] {
        bench.report.note(format!("{what} of {CHANGES}: {:.2} and {:.2} ms", times[0], times[1]));
        bench.report.number(format!("{what} of {sizes}"), times[1] / times[0], "x", Target::AtMost(1.5));
    }
    Ok(())
}

/// Reads on from a cursor to the head; gives the cursor there.
async fn last_cursor(
    connection: &mut Connection,
    path: &str,
    token: &str,
    mut cursor: String,
) -> Result<String, String> {
    loop {
        let after = if cursor.is_empty() { String::new() } else { format!("&cursor={cursor}") };
        let answer = connection.send(&http::get(&format!("{path}{after}"), token)).await?;
        let (next, has_more) = after_page(&answer)?;
        cursor = next;
        if !has_more {
            return Ok(cursor);
        }
    }
}

/// Where a page ends, and whether there is more.
fn after_page(answer: &http::Answer<'_>) -> Result<(String, bool), String> {
    // What follows the changes is short, and stands at the end.
    let tail = String::from_utf8_lossy(&answer.body[answer.body.len().saturating_sub(600)..]).into_owned();
    let next = tail.rsplit_once(r#""next_cursor":""#).and_then(|(_, rest)| rest.split('"').next());
    let next = next.filter(|_| answer.status == 200).ok_or_else(|| format!("a page: {tail}"))?;
    Ok((next.to_owned(), !tail.contains(r#""has_more":false"#)))
}
