//! What a line typed at a prompt means besides a number or a name.

use super::conditions::Conditions;

/// A line at a prompt.
#[derive(Debug, Clone, PartialEq)]
pub enum Line {
    /// Nothing: take what is offered.
    Enter,
    /// The end.
    Quit,
    /// Take the last one back.
    Undo,
    /// Let this reading go.
    Skip,
    /// A check weight of this mass goes on.
    Check(String),
    /// The last one was another item: this one.
    Other(String),
    /// Only how it lies on the scale.
    Keys(Conditions),
    /// Anything else.
    Text(String),
}

/// Reads a line. A name that looks like a key can be given with a plus in front.
#[must_use]
pub fn read(line: &str, present: &Conditions) -> Line {
    let line = line.trim();
    match line {
        "" => return Line::Enter,
        "q" => return Line::Quit,
        "u" => return Line::Undo,
        "s" => return Line::Skip,
        _ => {}
    }
    match line.split_once(' ') {
        Some(("c", known)) => return Line::Check(known.trim().to_owned()),
        Some(("o", name)) => return Line::Other(name.trim().to_owned()),
        _ => {}
    }
    let mut conditions = present.clone();
    for word in line.split_whitespace() {
        let units = word.strip_prefix('x').and_then(|digits| digits.parse::<u32>().ok());
        match (word, units) {
            ("w", _) => conditions.wet = !conditions.wet,
            ("f", _) => conditions.full = !conditions.full,
            (_, Some(units)) => conditions.units = (units > 1).then_some(units),
            _ => return Line::Text(line.to_owned()),
        }
    }
    Line::Keys(conditions)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn read_keys_alone_are_keys_and_with_anything_else_are_text() {
        let none = Conditions::default();
        let read = |line: &str| read(line, &none);
        assert_eq!(read(""), Line::Enter);
        assert_eq!(read(" q "), Line::Quit);
        assert_eq!(read("u"), Line::Undo);
        assert_eq!(read("c 200=201"), Line::Check("200=201".to_owned()));
        assert_eq!(read("o glove left"), Line::Other("glove left".to_owned()));
        assert_eq!(read("c"), Line::Text("c".to_owned()));
        let wet_three = Conditions { wet: true, units: Some(3), ..none.clone() };
        assert_eq!(read("w x3"), Line::Keys(wet_three.clone()));
        assert_eq!(super::read("w x1", &wet_three), Line::Keys(none.clone()));
        assert_eq!(read("412"), Line::Text("412".to_owned()));
        assert_eq!(read("wind jacket"), Line::Text("wind jacket".to_owned()));
        assert_eq!(read("+w"), Line::Text("+w".to_owned()));
        assert_eq!(read("x"), Line::Text("x".to_owned()));
    }
}
