//! A test file that no `mod` line names is never compiled; this finds it.

use std::fs;
use std::path::Path;

fn check(dir: &Path, lists: &str) {
    let list = fs::read_to_string(dir.join(lists)).unwrap();
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let stem = name.trim_end_matches(".rs");
        assert!(
            name == lists || list.contains(&format!("mod {stem};")),
            "no mod line for {}",
            path.display()
        );
        if path.is_dir() {
            check(&path, "mod.rs");
        }
    }
}

#[test]
fn main_every_file_beneath_it_is_a_module() {
    check(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/it")), "main.rs");
}
