//! A test file that no `mod` line names is never compiled; this finds it.

use std::fs;

#[test]
fn main_every_file_beside_it_is_a_module() {
    let dir = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/it");
    let main = fs::read_to_string(format!("{dir}/main.rs")).unwrap();
    for entry in fs::read_dir(dir).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let Some(stem) = name.strip_suffix(".rs") else { continue };
        assert!(stem == "main" || main.contains(&format!("mod {stem};")), "no mod line for {name}");
    }
}
