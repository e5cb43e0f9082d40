//! The body of an answer, plain or gzip. Whoever reads it counts what comes out: a small answer may unpack to a large
//! one, and every limit of this client is one of decoded bytes.

use std::io::Read;

use flate2::read::MultiGzDecoder;
use reqwest::blocking::Response;
use reqwest::header;

use super::{Answer, Failure};

/// What this client asks for. Changes are much alike, so that the feed shrinks to a small part.
pub(super) const ACCEPTED: &str = "gzip";

/// The body as it was before it was compressed.
///
/// # Errors
/// [`Failure::Lost`] when it comes in an encoding that was not asked for.
pub(super) fn decoded(response: Response) -> Answer<Box<dyn Read + Send>> {
    let encoding = response.headers().get(header::CONTENT_ENCODING).map(|value| value.as_bytes().to_vec());
    unpacked(encoding.as_deref(), response)
}

fn unpacked(encoding: Option<&[u8]>, body: impl Read + Send + 'static) -> Answer<Box<dyn Read + Send>> {
    match encoding {
        None => Ok(Box::new(body)),
        Some(name) if name.eq_ignore_ascii_case(b"identity") => Ok(Box::new(body)),
        Some(name) if name.eq_ignore_ascii_case(b"gzip") => Ok(Box::new(MultiGzDecoder::new(body))),
        Some(name) => {
            let name = String::from_utf8_lossy(name);
            Err(Failure::Lost(format!("the answer comes as {name}, which was not asked for")))
        }
    }
}

/// All of a body, when it has at most `limit` bytes.
///
/// # Errors
/// [`Failure::Lost`] when it breaks off, or has more.
pub(super) fn read_whole(body: impl Read, limit: u64) -> Answer<Vec<u8>> {
    let mut bytes = Vec::new();
    body.take(limit + 1)
        .read_to_end(&mut bytes)
        .map_err(|error| Failure::Lost(format!("the answer broke off: {}", super::client::chain(&error))))?;
    if bytes.len() as u64 > limit {
        return Err(Failure::Lost("the answer is far too long".to_owned()));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use std::io::{Cursor, Write};

    use flate2::Compression;
    use flate2::write::GzEncoder;
    use uuid::Uuid;

    use super::super::feed::Feed;
    use super::*;

    fn packed(text: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
        encoder.write_all(text).unwrap();
        encoder.finish().unwrap()
    }

    fn whole(encoding: &[u8], bytes: Vec<u8>, limit: u64) -> Answer<Vec<u8>> {
        read_whole(unpacked(Some(encoding), Cursor::new(bytes))?, limit)
    }

    #[test]
    fn decoded_body_is_what_was_packed_whatever_the_spelling() {
        let text = b"a shell, a pair of gloves".repeat(100);
        for encoding in [&b"gzip"[..], b"GZIP"] {
            assert_eq!(whole(encoding, packed(&text), 10_000).unwrap(), text);
        }
        assert_eq!(whole(b"identity", text.clone(), 10_000).unwrap(), text);
        let Err(Failure::Lost(why)) = whole(b"zstd", packed(&text), 10_000) else { panic!("taken") };
        assert!(why.contains("zstd"), "{why}");
    }

    #[test]
    fn read_whole_counts_what_comes_out_and_not_what_came_in() {
        let small = packed(&vec![b' '; 1 << 20]);
        assert!(small.len() < 2048, "{}", small.len());
        assert_eq!(whole(b"gzip", small.clone(), 1 << 20).unwrap().len(), 1 << 20);
        let over = whole(b"gzip", small, (1 << 20) - 1);
        assert!(matches!(&over, Err(Failure::Lost(why)) if why.contains("too long")), "{over:?}");
    }

    #[test]
    fn read_whole_of_a_packed_body_that_breaks_off_or_is_damaged_is_lost() {
        let text: Vec<u8> = (0..4000_u32).flat_map(|n| n.wrapping_mul(2_654_435_761).to_le_bytes()).collect();
        let good = packed(&text);
        for cut in [0, 5, good.len() / 2, good.len() - 1] {
            let read = whole(b"gzip", good[..cut].to_vec(), 1 << 20);
            assert!(matches!(read, Err(Failure::Lost(_))), "{cut}");
        }
        let mut damaged = good.clone();
        let checksum = damaged.len() - 6;
        damaged[checksum] ^= 1;
        assert!(matches!(whole(b"gzip", damaged, 1 << 20), Err(Failure::Lost(_))));
    }

    #[test]
    fn page_of_a_packed_line_without_end_is_given_up_after_the_longest_line() {
        let epoch = Uuid::from_u128(8);
        let mut text = format!(r#"{{"line":"header","epoch":"{epoch}","head_seq":1}}"#) + "\n";
        text.push_str(&"x".repeat(8 << 20));
        let body = unpacked(Some(b"gzip"), Cursor::new(packed(text.as_bytes()))).unwrap();
        let page = Feed::open(Uuid::from_u128(7), body).unwrap().page();
        assert!(matches!(page, Err(Failure::Lost(why)) if why.contains("too long")));
    }
}
