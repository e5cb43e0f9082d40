//! What the page on security says about this tree.

use std::collections::BTreeSet;
use std::path::Path;

const ROOT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/..");

fn sources(dir: &Path, into: &mut String) {
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            into.push_str(&std::fs::read_to_string(path).unwrap());
        }
    }
}

/// All that could hold a test.
fn all_sources() -> String {
    let mut all = String::new();
    for dir in ["api/src", "client-cli/src", "client-cli/tests", "domain/src", "domain/tests", "tests/it"] {
        sources(&Path::new(ROOT).join(dir), &mut all);
    }
    all
}

#[test]
fn docs_sync_page_has_each_invariant_with_tests_that_exist() {
    let page = std::fs::read_to_string(format!("{ROOT}/docs/sync.md")).unwrap();
    let all = all_sources();
    for number in 1..=18 {
        let start = format!("| I{number} | ");
        let row =
            page.lines().find(|line| line.starts_with(&start)).unwrap_or_else(|| panic!("no I{number}"));
        let checked = row.trim_end_matches([' ', '|']).rsplit(" | ").next().unwrap();
        let named: Vec<&str> = checked.split('`').skip(1).step_by(2).collect();
        assert!(!named.is_empty() || checked == "comes with loans", "I{number}: {checked}");
        for name in named {
            assert!(all.contains(&format!("fn {name}()")), "docs/sync.md names {name}, which is no test");
        }
    }
}

#[test]
fn docs_security_page_names_tests_that_exist() {
    let page = std::fs::read_to_string(format!("{ROOT}/docs/security.md")).unwrap();
    let all = all_sources();
    // The checks of the API document have names of their own.
    let checks = ["negative_data_rejection", "unsupported_method"];
    let named: BTreeSet<&str> = page
        .split('`')
        .skip(1)
        .step_by(2)
        .filter(|word| {
            word.contains('_')
                && word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
        })
        .filter(|word| !checks.contains(word))
        .collect();
    assert!(named.len() > 50, "{named:?}");
    for name in named {
        assert!(all.contains(&format!("fn {name}()")), "docs/security.md names {name}, which is no test");
    }
}

#[test]
fn service_has_no_client_to_ask_other_addresses_with() {
    let tree = std::process::Command::new(env!("CARGO"))
        .args([
            "tree",
            "--offline",
            "--locked",
            "--package",
            "api",
            "--edges",
            "normal",
            "--prefix",
            "none",
            "--format",
            "{p}",
        ])
        .current_dir(ROOT)
        .output()
        .unwrap();
    assert!(tree.status.success(), "{}", String::from_utf8_lossy(&tree.stderr));
    let tree = String::from_utf8(tree.stdout).unwrap();
    let crates: BTreeSet<&str> = tree.lines().filter_map(|line| line.split(' ').next()).collect();
    assert!(crates.contains("tokio-postgres") && crates.contains("actix-web"), "{crates:?}");
    for client in ["reqwest", "hyper", "ureq", "awc", "curl", "isahc", "attohttpc", "lettre", "rustls"] {
        assert!(!crates.contains(client), "the service can ask other addresses with {client}");
    }
}
