//! Lines out of a stream of bytes, with bounded memory.

use super::line::MAX_LINE;

/// A piece of the stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// A whole line, without its end.
    Line(Vec<u8>),
    /// The beginning of a line that has no end within [`MAX_LINE`] bytes; the rest up to the next end is dropped.
    TooLong(Vec<u8>),
    /// A line that another one, or the end of the stream, cut off.
    Half(Vec<u8>),
}

/// Parts a stream at CR, LF, and the control characters STX (a line begins) and ETX (it ends). Blank lines are dropped.
#[derive(Debug)]
pub struct LineSplitter {
    line: Vec<u8>,
    /// Bytes up to the next end or beginning of a line are dropped.
    skip: bool,
}

const STX: u8 = 0x02;
const ETX: u8 = 0x03;

impl LineSplitter {
    /// For a stream read from its beginning.
    #[must_use]
    pub fn from_start() -> Self {
        Self { line: Vec::new(), skip: false }
    }

    /// For a stream joined in the middle, such as a device just opened: what comes before the first end of a line may
    /// be the tail of one, and the tail of `1412 g` is another mass.
    #[must_use]
    pub fn mid_stream() -> Self {
        Self { line: Vec::new(), skip: true }
    }

    /// Takes bytes and answers the pieces that they complete.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Piece> {
        let mut pieces = Vec::new();
        for byte in bytes {
            match *byte {
                b'\r' | b'\n' | ETX => {
                    if !self.line.is_empty() {
                        pieces.push(Piece::Line(std::mem::take(&mut self.line)));
                    }
                    self.skip = false;
                }
                STX => {
                    if !self.line.is_empty() {
                        pieces.push(Piece::Half(std::mem::take(&mut self.line)));
                    }
                    self.skip = false;
                }
                _ if self.skip => {}
                byte => {
                    self.line.push(byte);
                    if self.line.len() > MAX_LINE {
                        pieces.push(Piece::TooLong(std::mem::take(&mut self.line)));
                        self.skip = true;
                    }
                }
            }
        }
        pieces
    }

    /// What is left at the end of the stream.
    pub fn finish(&mut self) -> Option<Piece> {
        self.skip = false;
        (!self.line.is_empty()).then(|| Piece::Half(std::mem::take(&mut self.line)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(text: &str) -> Piece {
        Piece::Line(text.into())
    }

    #[test]
    fn push_every_kind_of_line_end_parts_lines() {
        let mut splitter = LineSplitter::from_start();
        assert_eq!(splitter.push(b"1 g\r\n2 g\n\n3 g\r4 g"), [line("1 g"), line("2 g"), line("3 g")]);
        assert_eq!(splitter.push(b"0 g\x03"), [line("4 g0 g")]);
        assert_eq!(
            splitter.push(b"\x025 g\x03\x026\x027 g\r"),
            [line("5 g"), Piece::Half("6".into()), line("7 g")]
        );
        assert_eq!(splitter.push(b"8 "), []);
        assert_eq!(splitter.finish(), Some(Piece::Half("8 ".into())));
        assert_eq!(splitter.finish(), None);
    }

    #[test]
    fn push_stream_joined_in_the_middle_drops_the_first_part() {
        let mut splitter = LineSplitter::mid_stream();
        assert_eq!(splitter.push(b"12 g\r\n412 g\r\n"), [line("412 g")]);
        assert_eq!(LineSplitter::mid_stream().push(b"12 g\x02412 g\x03"), [line("412 g")]);
    }

    #[test]
    fn push_ten_megabytes_without_an_end_stay_bounded_and_are_said_once() {
        let mut splitter = LineSplitter::from_start();
        let mut pieces = Vec::new();
        for _ in 0..2_560 {
            pieces.extend(splitter.push(&[b'7'; 4096]));
            assert!(splitter.line.capacity() <= 4 * MAX_LINE);
        }
        assert_eq!(pieces, [Piece::TooLong(vec![b'7'; MAX_LINE + 1])]);
        assert_eq!(splitter.push(b"\n412 g\n"), [line("412 g")]);
    }

    proptest! {
        #[test]
        fn push_any_bytes_in_any_portions_give_the_same_pieces(
            bytes in prop::collection::vec(prop_oneof![Just(b'\n'), Just(STX), Just(ETX), any::<u8>()], 0..600),
            portion in 1_usize..64
        ) {
            let whole = LineSplitter::from_start().push(&bytes);
            let mut splitter = LineSplitter::from_start();
            let parts: Vec<Piece> = bytes.chunks(portion).flat_map(|chunk| splitter.push(chunk)).collect();
            prop_assert_eq!(whole, parts);
        }
    }
}
