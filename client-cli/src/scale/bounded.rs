//! Reading lines of a file without trusting their length.

use std::io::{self, BufRead};

/// A line of a file, without its end.
pub struct FileLine {
    /// The first `limit` bytes of it.
    pub bytes: Vec<u8>,
    /// Whether there were more.
    pub cut: bool,
}

/// Reads the next line and keeps at most `limit` bytes of it; `None` at the end of the file.
///
/// # Errors
/// Whatever the reader reports.
pub fn read_line(reader: &mut dyn BufRead, limit: usize) -> io::Result<Option<FileLine>> {
    let mut line = FileLine { bytes: Vec::new(), cut: false };
    let mut any = false;
    loop {
        let buffer = match reader.fill_buf() {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            other => other?,
        };
        if buffer.is_empty() {
            return Ok(any.then_some(line));
        }
        any = true;
        let end = buffer.iter().position(|byte| *byte == b'\n');
        let part = &buffer[..end.unwrap_or(buffer.len())];
        let room = limit.saturating_sub(line.bytes.len());
        line.bytes.extend_from_slice(&part[..part.len().min(room)]);
        line.cut |= part.len() > room;
        let used = end.map_or(part.len(), |at| at + 1);
        reader.consume(used);
        if end.is_some() {
            if line.bytes.last() == Some(&b'\r') {
                line.bytes.pop();
            }
            return Ok(Some(line));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn read_line_long_lines_are_cut_and_the_next_is_whole() {
        let mut file = io::BufReader::with_capacity(3, &b"abcdefgh\r\n\nxy"[..]);
        let mut next = || read_line(&mut file, 5).unwrap().map(|line| (line.bytes, line.cut));
        assert_eq!(next(), Some((b"abcde".to_vec(), true)));
        assert_eq!(next(), Some((Vec::new(), false)));
        assert_eq!(next(), Some((b"xy".to_vec(), false)));
        assert_eq!(next(), None);
    }
}
