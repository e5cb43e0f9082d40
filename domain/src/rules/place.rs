//! Where in a text a JSON pointer (RFC 6901) points: line and column for messages.

/// Line and column of a byte, both from 1; columns count characters.
pub fn line_column(text: &str, byte: usize) -> (usize, usize) {
    let mut end = byte.min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    let before = &text[..end];
    let start = before.rfind('\n').map_or(0, |at| at + 1);
    (before.matches('\n').count() + 1, before[start..].chars().count() + 1)
}

/// The first place at which brackets are nested deeper than `limit`, in JSON.
pub fn too_deep(text: &str, limit: usize) -> Option<usize> {
    let (mut depth, mut quoted, mut escaped) = (0usize, false, false);
    for (at, byte) in text.bytes().enumerate() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if quoted => escaped = true,
            b'"' => quoted = !quoted,
            b'[' | b'{' if !quoted => {
                depth += 1;
                if depth > limit {
                    return Some(at);
                }
            }
            b']' | b'}' if !quoted => depth = depth.saturating_sub(1),
            _ => {}
        }
    }
    None
}

/// The byte at which the value of a pointer begins in a well-formed JSON text, or the innermost value around it that
/// exists. Brackets may be nested no deeper than [`too_deep`] was asked to allow.
pub fn in_json(text: &str, pointer: &str) -> usize {
    let mut scan = Scan { bytes: text.as_bytes(), at: 0 };
    scan.blank();
    let mut found = scan.at;
    for step in steps(pointer) {
        if !scan.enter(&step) {
            break;
        }
        found = scan.at;
    }
    found
}

/// Likewise in a TOML text.
pub fn in_toml(text: &str, pointer: &str) -> usize {
    use toml::de::{DeTable, DeValue};
    let Ok(table) = DeTable::parse(text) else { return 0 };
    let mut found = 0;
    let table = table.into_inner();
    let mut steps = steps(pointer);
    let Some(mut value) = steps.next().and_then(|first| table.get(first.as_str())) else { return found };
    found = value.span().start;
    for step in steps {
        let next = match value.get_ref() {
            DeValue::Table(table) => table.get(step.as_str()),
            DeValue::Array(array) => step.parse::<usize>().ok().and_then(|at| array.get(at)),
            _ => None,
        };
        let Some(next) = next else { break };
        value = next;
        found = value.span().start;
    }
    found
}

fn steps(pointer: &str) -> impl Iterator<Item = String> + '_ {
    pointer.split('/').skip(1).map(|step| step.replace("~1", "/").replace("~0", "~"))
}

struct Scan<'t> {
    bytes: &'t [u8],
    at: usize,
}

impl Scan<'_> {
    fn peek(&self) -> u8 {
        self.bytes.get(self.at).copied().unwrap_or(0)
    }

    fn blank(&mut self) {
        while matches!(self.peek(), b' ' | b'\t' | b'\r' | b'\n' | b',' | b':') {
            self.at += 1;
        }
    }

    /// Skips a value, which may be a whole object.
    fn skip(&mut self) {
        self.blank();
        match self.peek() {
            b'"' => {
                self.string();
            }
            b'{' | b'[' => {
                let mut depth = 0usize;
                loop {
                    match self.peek() {
                        b'"' => {
                            self.string();
                            continue;
                        }
                        b'{' | b'[' => depth += 1,
                        b'}' | b']' => depth -= 1,
                        0 if self.at >= self.bytes.len() => return,
                        _ => {}
                    }
                    self.at += 1;
                    if depth == 0 {
                        return;
                    }
                }
            }
            _ => {
                let ends = |b: u8| matches!(b, b',' | b']' | b'}' | b' ' | b'\t' | b'\r' | b'\n');
                while self.at < self.bytes.len() && !ends(self.peek()) {
                    self.at += 1;
                }
            }
        }
    }

    /// Skips a string and returns it as it stands.
    fn string(&mut self) -> &[u8] {
        let start = self.at + 1;
        self.at = start;
        while self.at < self.bytes.len() && self.peek() != b'"' {
            self.at += if self.peek() == b'\\' { 2 } else { 1 };
        }
        let end = self.at.min(self.bytes.len());
        self.at += 1;
        &self.bytes[start.min(end)..end]
    }

    /// Goes to the member of that name or place; stays within the value when there is none.
    fn enter(&mut self, step: &str) -> bool {
        let start = self.at;
        match self.peek() {
            b'{' => {
                self.at += 1;
                loop {
                    self.blank();
                    if self.peek() != b'"' {
                        break;
                    }
                    let same = self.string() == step.as_bytes();
                    self.blank();
                    if same {
                        return true;
                    }
                    self.skip();
                }
            }
            b'[' => {
                let Ok(wanted) = step.parse::<usize>() else { return false };
                self.at += 1;
                for place in 0.. {
                    self.blank();
                    if matches!(self.peek(), b']' | 0) {
                        break;
                    }
                    if place == wanted {
                        return true;
                    }
                    self.skip();
                }
            }
            _ => {}
        }
        self.at = start;
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn in_json_pointer_found_with_strings_that_hold_brackets() {
        let text = "{ \"a\": \"]}\\\"{\",\n \"rules\": [1, {\"x\": [true, 7.5]}]}";
        let at = |pointer| &text[in_json(text, pointer)..];
        assert!(at("/rules/1/x/1").starts_with("7.5"));
        assert!(at("/rules/1/missing").starts_with("{\"x\""));
        assert_eq!(line_column(text, in_json(text, "/rules/1/x/0")), (2, 22));
        assert_eq!(too_deep(text, 3), Some(text.find("[true").unwrap()));
        assert_eq!(too_deep(text, 4), None);
    }

    #[test]
    fn in_toml_pointer_found() {
        let text = "name = 'x'\n[[rules]]\nid = 'a'\n[[rules]]\nid = 'b'\nwhere = [{ attribute = 'q' }]\n";
        assert_eq!(line_column(text, in_toml(text, "/rules/1/where/0/attribute")), (6, 24));
    }
}
