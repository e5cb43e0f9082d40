//! The table as a page of the documentation.

use std::fmt::Write as _;
use std::path::Path;

use super::scene::operations;
use super::table::{ACTORS, NOTES, ROWS};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/authorisation.md");

fn cell(outcome: &str) -> &str {
    match outcome {
        "not-authenticated" => "401",
        "not-found" => "404",
        "forbidden" => "403",
        "reauthentication-required" => "403 ¹",
        _ => "yes",
    }
}

fn page() -> String {
    let mut page = String::from(
        "# Who may do what\n\n\
         This page is written by a test from the same table that the tests walk: every operation of the API document,\n\
         by everybody, against a running service. Do not edit it by hand; after a change of the table run\n\
         `TAREBOOK_WRITE_DOCS=1 cargo test -p system-tests --test it authz`.\n\n\
         `yes`: done. `401`: `not-authenticated`. `404`: `not-found`, word for word as for a kitroom that does not exist.\n\
         `403`: `forbidden`, for members only, who know that the kitroom is there. ¹ `reauthentication-required`: takes a\n\
         login with the password within the last 15 minutes, which a device token never has.\n\n",
    );
    let _ = writeln!(page, "| operation | | {} |", ACTORS.join(" | "));
    let _ = writeln!(page, "|---|---|{}", "---|".repeat(ACTORS.len()));
    let operations = operations();
    for row in ROWS {
        let Some(operation) = operations.iter().find(|operation| operation.id == row.operation) else {
            continue;
        };
        let noted = if NOTES.iter().any(|(name, _)| *name == row.operation) { " *" } else { "" };
        let cells: Vec<&str> = row.outcomes.iter().map(|outcome| cell(outcome)).collect();
        let path = operation.path.replace("/v1/kitrooms/{kitroom_id}/", "K/");
        let _ = writeln!(
            page,
            "| {}{noted} | `{} {path}` | {} |",
            row.operation,
            operation.method,
            cells.join(" | ")
        );
    }
    page.push_str("\n`K` is `/v1/kitrooms/{kitroom_id}`.\n\n## Notes *\n\n");
    for (operation, note) in NOTES {
        let _ = writeln!(page, "- {operation}: {note}.");
    }
    page.push_str(
        "\nThe operator's commands (`tarebook account`, `sessions`, `backup`, `restore`, `epoch`) are no part of the API: they \
         take the data folder itself.\n",
    );
    page
}

#[test]
fn docs_authorisation_page_is_that_of_the_table() {
    #[expect(clippy::disallowed_methods, reason = "a switch of this one test")]
    let write = std::env::var_os("TAREBOOK_WRITE_DOCS").is_some();
    let page = page();
    if write {
        std::fs::create_dir_all(Path::new(PAGE).parent().unwrap()).unwrap();
        std::fs::write(PAGE, &page).unwrap();
    }
    let committed = std::fs::read_to_string(PAGE).unwrap_or_default();
    assert_eq!(committed, page, "run TAREBOOK_WRITE_DOCS=1 cargo test -p system-tests --test it authz");
}
