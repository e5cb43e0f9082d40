//! `domain` computes from plain values. Its dependencies are on a list, so that a new one is looked
//! at, and its own code names nothing of the outside.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::shell::{Failure, Tree, capture};

/// Every crate that `domain` may stand on, directly or not: none reads a clock, a file or a socket on
/// its own account. `chrono` is without its clock, `uuid` without its generators,
/// `rand_chacha` with the seed that it is given.
const ALLOWED: &[&str] = &[
    "approx",
    "block-buffer",
    "bytemuck",
    "cfg-if",
    "chrono",
    "chrono-tz",
    "cpufeatures",
    "crypto-common",
    "digest",
    "domain",
    "equivalent",
    "generic-array",
    "hashbrown",
    "indexmap",
    "itoa",
    "libm",
    "matrixmultiply",
    "memchr",
    "nalgebra",
    "num-complex",
    "num-integer",
    "num-rational",
    "num-traits",
    "paste",
    "phf",
    "phf_shared",
    "ppv-lite86",
    "proc-macro2",
    "quote",
    "rand_chacha",
    "rand_core",
    "rawpointer",
    "ryu-js",
    "safe_arch",
    "serde",
    "serde_core",
    "serde_derive",
    "serde_json",
    "serde_json_canonicalizer",
    "serde_path_to_error",
    "serde_spanned",
    "sha2",
    "simba",
    "siphasher",
    "statrs",
    "syn",
    "thiserror",
    "thiserror-impl",
    "toml",
    "toml_datetime",
    "toml_parser",
    "toml_writer",
    "typenum",
    "unicode-ident",
    "utoipa",
    "utoipa-gen",
    "uuid",
    "wide",
    "winnow",
    "zerocopy",
    "zmij",
];

/// What its code must not name, tests aside.
const OUTSIDE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "SystemTime",
    "Instant::now",
    "Utc::now",
    "Local::now",
    "Uuid::now_v7",
    "Uuid::new_v4",
    "thread_rng",
    "rand::rng(",
];

/// Looks at the dependencies and at the code.
pub(crate) fn check(tree: &Tree) -> Result<(), Failure> {
    let features = ["--edges", "normal", "--prefix", "none", "--format", "{p}", "--all-features", "--locked"];
    let listed = capture(tree.cargo(&["tree", "--package", "domain"]).args(features))?;
    let listed = String::from_utf8_lossy(&listed);
    let strangers = strangers(&listed);
    if !strangers.is_empty() {
        return Err(Failure::new(format!(
            "domain now stands on {}: if it has no input or output of its own, add it to ALLOWED in xtask/src/purity.rs",
            strangers.join(", ")
        )));
    }
    let mut found = Vec::new();
    search(&tree.path("domain/src"), &mut found).map_err(|error| Failure::new(error.to_string()))?;
    if found.is_empty() { Ok(()) } else { Err(Failure::new(found.join("\n"))) }
}

fn strangers(tree: &str) -> Vec<&str> {
    let names: BTreeSet<&str> = tree.lines().filter_map(|line| line.split(' ').next()).collect();
    names.into_iter().filter(|name| !name.is_empty() && !ALLOWED.contains(name)).collect()
}

fn search(folder: &Path, found: &mut Vec<String>) -> std::io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            search(&path, found)?;
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = fs::read_to_string(&path)?;
            let named = outside_names(&text);
            found.extend(named.map(|(line, name)| format!("{}:{line} names {name}", path.display())));
        }
    }
    Ok(())
}

/// The lines before the file's tests that name something of the outside; comments may.
fn outside_names(text: &str) -> impl Iterator<Item = (usize, &'static str)> {
    let code = text.lines().take_while(|line| line.trim() != "#[cfg(test)]").enumerate();
    code.filter(|(_, line)| !line.trim_start().starts_with("//")).flat_map(|(index, line)| {
        OUTSIDE.iter().filter(move |name| line.contains(*name)).map(move |name| (index + 1, *name))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_in_a_tree_are_named_once() {
        let tree = "domain v0.1.0 (/x)\nserde v1.0.0\ntokio v1.0.0\ntokio v1.0.0 (*)\n\n";
        assert_eq!(strangers(tree), ["tokio"]);
    }

    #[test]
    fn outside_names_in_code_are_found_and_in_comments_and_tests_are_not() {
        let text = "// std::fs is not used\nlet t = Instant::now();\n#[cfg(test)]\nuse std::fs;\n";
        assert_eq!(outside_names(text).collect::<Vec<_>>(), [(2, "Instant::now")]);
    }
}
