//! The feed as a stream of lines, read page by page: no more of it is in memory than one page.

use std::io::{BufRead, BufReader, Read};

use serde::Deserialize;
use serde_json::value::RawValue;
use uuid::Uuid;

use super::page::{Page, Row};
use super::{Answer, Failure};

/// A page is handed on when it has so many changes or bytes and the stream gives a place to go on from.
const ROWS: usize = 2000;
const BYTES: usize = 4 * 1024 * 1024;
/// The longest line: a record of the greatest size and what stands around it, with room to spare.
const LINE: u64 = 1024 * 1024;

/// One line, of whatever sort; members that the sort does not have are absent.
#[derive(Deserialize)]
struct Line<'a> {
    #[serde(borrow)]
    line: std::borrow::Cow<'a, str>,
    epoch: Option<Uuid>,
    head_seq: Option<i64>,
    seq: Option<i64>,
    kind: Option<String>,
    id: Option<Uuid>,
    deleted: Option<bool>,
    record: Option<Box<RawValue>>,
    cursor: Option<String>,
    next_cursor: Option<String>,
    has_more: Option<bool>,
}

/// A stream that is being read.
pub(super) struct Feed {
    kitroom: Uuid,
    lines: Box<dyn BufRead + Send>,
    epoch: Uuid,
    head_seq: i64,
    /// Where the next page goes on; none at the end.
    next: Option<String>,
}

impl Feed {
    /// Begins to read: the header comes first.
    pub(super) fn open(kitroom: Uuid, body: impl Read + Send + 'static) -> Answer<Self> {
        let mut lines: Box<dyn BufRead + Send> = Box::new(BufReader::with_capacity(256 * 1024, body));
        let mut text = String::new();
        let (header, _) = next(&mut lines, &mut text)?;
        match (&*header.line, header.epoch, header.head_seq) {
            ("header", Some(epoch), Some(head_seq)) => {
                Ok(Self { kitroom, lines, epoch, head_seq, next: Some(String::new()) })
            }
            _ => Err(unreadable("its first line is no header")),
        }
    }

    /// Whether the page after this cursor comes next.
    pub(super) fn goes_on_from(&self, kitroom: Uuid, cursor: Option<&str>) -> bool {
        self.kitroom == kitroom && self.next.is_some() && self.next.as_deref() == cursor
    }

    /// Whether there is another page.
    pub(super) fn is_open(&self) -> bool {
        self.next.is_some()
    }

    /// The next page.
    pub(super) fn page(&mut self) -> Answer<Page> {
        let mut rows: Vec<Row> = Vec::new();
        let mut bytes = 0;
        let mut text = String::new();
        loop {
            let (line, length) = next(&mut self.lines, &mut text)?;
            match &*line.line {
                "change" => {
                    let (Some(seq), Some(kind), Some(id), Some(deleted)) =
                        (line.seq, line.kind, line.id, line.deleted)
                    else {
                        return Err(unreadable("a change misses a part"));
                    };
                    rows.push(Row { seq, kind, id, deleted, record: line.record });
                    bytes += length;
                    // One that never says where to go on is not read into memory for ever.
                    if bytes > 16 * BYTES {
                        return Err(unreadable("it says nowhere where to go on"));
                    }
                }
                "cursor" => {
                    let Some(cursor) = line.cursor else { return Err(unreadable("a cursor is empty")) };
                    if rows.len() >= ROWS || bytes >= BYTES {
                        self.next = Some(cursor.clone());
                        let (epoch, head_seq) = (self.epoch, self.head_seq);
                        return Ok(Page { epoch, rows, next_cursor: cursor, has_more: true, head_seq });
                    }
                }
                "end" => {
                    let (Some(next_cursor), Some(has_more), Some(head_seq)) =
                        (line.next_cursor, line.has_more, line.head_seq)
                    else {
                        return Err(unreadable("its end misses a part"));
                    };
                    self.next = None;
                    return Ok(Page { epoch: self.epoch, rows, next_cursor, has_more, head_seq });
                }
                // A later version's.
                _ => {}
            }
        }
    }
}

/// The next line, and how long it is.
fn next<'a>(lines: &mut Box<dyn BufRead + Send>, text: &'a mut String) -> Answer<(Line<'a>, usize)> {
    text.clear();
    let read = lines.take(LINE).read_line(text);
    let length = text.len();
    match read {
        Err(error) => Err(Failure::Lost(format!("the answer broke off: {error}"))),
        Ok(_) if !text.ends_with('\n') && length as u64 >= LINE => Err(unreadable("a line is far too long")),
        Ok(_) if !text.ends_with('\n') => Err(Failure::Lost("the answer broke off".to_owned())),
        Ok(_) => {
            let line = serde_json::from_str(text).map_err(|error| unreadable(&error.to_string()))?;
            Ok((line, length))
        }
    }
}

fn unreadable(why: &str) -> Failure {
    Failure::Lost(format!("the answer cannot be read: {why}"))
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;

    use super::*;

    const ROOM: Uuid = Uuid::from_u128(7);

    fn header() -> String {
        format!(r#"{{"line":"header","epoch":"{}","schema_version":1,"head_seq":9000}}"#, Uuid::from_u128(8))
            + "\n"
    }

    fn changes(text: &mut String, seqs: std::ops::RangeInclusive<u32>) {
        for seq in seqs {
            let id = Uuid::from_u128(seq.into());
            writeln!(
                text,
                r#"{{"line":"change","seq":{seq},"kind":"item","id":"{id}","deleted":false,"record":{{"name":"n{seq}"}}}}"#
            )
            .unwrap();
        }
    }

    fn cursor(text: &mut String, at: u32) {
        writeln!(text, r#"{{"line":"cursor","cursor":"c{at}"}}"#).unwrap();
    }

    fn open(text: &str) -> Answer<Feed> {
        Feed::open(ROOM, std::io::Cursor::new(text.to_owned().into_bytes()))
    }

    #[test]
    fn page_ends_at_a_cursor_and_the_last_at_the_end() {
        let mut text = header();
        for at in 0..5 {
            changes(&mut text, at * 500 + 1..=at * 500 + 500);
            cursor(&mut text, at * 500 + 500);
            text.push_str("{\"line\":\"something later\"}\n");
        }
        changes(&mut text, 2501..=2600);
        text.push_str(
            r#"{"line":"end","next_cursor":"c2600","has_more":false,"head_seq":2600,"changes":2600}"#,
        );
        text.push('\n');
        let mut feed = open(&text).unwrap();
        let first = feed.page().unwrap();
        assert_eq!((first.rows.len(), first.next_cursor.as_str(), first.has_more), (2000, "c2000", true));
        assert_eq!(first.rows[1999].text(), Some(r#"{"name":"n2000"}"#));
        assert!(feed.goes_on_from(ROOM, Some("c2000")) && !feed.goes_on_from(ROOM, Some("c1500")));
        let last = feed.page().unwrap();
        assert_eq!((last.rows.len(), last.next_cursor.as_str(), last.has_more), (600, "c2600", false));
        assert_eq!(last.head_seq, 2600);
        assert!(!feed.is_open());
    }

    #[test]
    fn page_of_a_stream_that_breaks_off_is_lost_wherever_that_is() {
        let mut text = header();
        changes(&mut text, 1..=2000);
        cursor(&mut text, 2000);
        changes(&mut text, 2001..=2003);
        for cut in [text.len(), text.len() - 1, text.len() - 40] {
            let mut feed = open(&text[..cut]).unwrap();
            assert_eq!(feed.page().unwrap().rows.len(), 2000);
            assert!(matches!(feed.page(), Err(Failure::Lost(_))), "{cut}");
        }
        assert!(matches!(open(&text[..20]), Err(Failure::Lost(_))));
        assert!(matches!(open("{\"line\":\"end\"}\n"), Err(Failure::Lost(_))));
    }

    #[test]
    fn page_of_a_line_without_end_is_given_up() {
        let text = header() + &"x".repeat(2 * 1024 * 1024);
        assert!(matches!(open(&text).unwrap().page(), Err(Failure::Lost(why)) if why.contains("too long")));
    }
}
