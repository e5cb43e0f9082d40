//! The committed API document: written from the code, compared with it, and checked by a validator
//! that is none of ours.

use std::fs;

use crate::python;
use crate::shell::{Failure, Tree, capture, run, say};

const DOCUMENT: &str = "openapi/openapi.json";

/// `cargo xtask openapi`.
pub(crate) fn write(tree: &Tree) -> Result<(), Failure> {
    run(&mut tree.cargo(&["build", "--workspace", "--locked"]))?;
    let now = from_the_code(tree)?;
    let path = tree.path(DOCUMENT);
    let made = fs::create_dir_all(tree.path("openapi")).and_then(|()| fs::write(&path, now));
    made.map_err(|error| Failure::new(format!("{}: {error}", path.display())))?;
    say(&format!("wrote {DOCUMENT}"));
    Ok(())
}

/// The document in the tree equals what the built service says.
pub(crate) fn check_drift(tree: &Tree) -> Result<(), Failure> {
    let committed = fs::read(tree.path(DOCUMENT));
    let committed = committed.map_err(|error| Failure::new(format!("{DOCUMENT}: {error}")))?;
    let now = from_the_code(tree)?;
    match first_difference(&committed, &now) {
        None => Ok(()),
        Some(line) => Err(Failure::new(format!("{DOCUMENT} differs from the code from line {line} on"))),
    }
}

/// The document is valid OpenAPI 3.1.
pub(crate) fn check_validity(tree: &Tree) -> Result<(), Failure> {
    run(python::command(tree).args(["-m", "openapi_spec_validator", DOCUMENT]))
}

fn from_the_code(tree: &Tree) -> Result<Vec<u8>, Failure> {
    capture(tree.command(tree.built("tarebook")).arg("openapi"))
}

fn first_difference(left: &[u8], right: &[u8]) -> Option<usize> {
    if left == right {
        return None;
    }
    let same = left.iter().zip(right).take_while(|(one, other)| one == other);
    Some(1 + same.filter(|(byte, _)| **byte == b'\n').count())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn first_difference_counts_lines_from_one_and_sees_a_missing_end() {
        assert_eq!(first_difference(b"a\nb\n", b"a\nb\n"), None);
        assert_eq!(first_difference(b"a\nb\n", b"a\nc\n"), Some(2));
        assert_eq!(first_difference(b"a\n", b"a\nb\n"), Some(2));
    }
}
