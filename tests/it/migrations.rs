//! Every migration can be taken back: what it adds, and nothing else, goes again.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use api::platform::embedded_pg::Binaries;
use system_tests::harness::db::TestDb;
use tokio_postgres::{Client, NoTls};

struct Migration {
    name: String,
    up: String,
    down: String,
}

/// All of them in the order in which they run.
fn migrations() -> Vec<Migration> {
    let folder = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../migrations"));
    let entries = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path());
    let mut folders: Vec<PathBuf> = entries.filter(|path| path.is_dir()).collect();
    folders.sort();
    assert!(!folders.is_empty(), "no migrations in {}", folder.display());
    let read = |folder: &PathBuf, file: &str| {
        let path = folder.join(file);
        fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    };
    let migration = |folder: &PathBuf| Migration {
        name: folder.file_name().unwrap().to_string_lossy().into_owned(),
        up: read(folder, "up.sql"),
        down: read(folder, "down.sql"),
    };
    folders.iter().map(migration).collect()
}

/// The schema in PostgreSQL's own words, without the lines that differ from one dump to the next.
fn dump(database: &TestDb) -> String {
    let pg_dump = Binaries::find().unwrap().program("pg_dump");
    let output = Command::new(pg_dump).args(["--schema-only", database.url()]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let differs = |line: &&str| line.starts_with("\\restrict") || line.starts_with("\\unrestrict");
    text.lines().filter(|line| !differs(line)).map(|line| format!("{line}\n")).collect()
}

/// Fails with the first line that differs: whole dumps are too long to read.
fn assert_same(before: &str, after: &str, what: &str) {
    if before != after {
        let same = before.lines().zip(after.lines()).take_while(|(one, other)| one == other).count();
        let show = |text: &str| text.lines().skip(same).take(3).collect::<Vec<_>>().join("\n    ");
        panic!("{what}\n  wanted\n    {}\n  has\n    {}", show(before), show(after));
    }
}

async fn run(client: &Client, name: &str, direction: &str, script: &str) {
    // One transaction a migration, as the service runs them.
    if let Err(error) = client.batch_execute(&format!("BEGIN;{script}\n;COMMIT")).await {
        panic!("{name}/{direction}.sql: {error:?}");
    }
}

#[test]
fn up_then_down_each_leaves_the_schema_as_it_was_and_up_again_gives_the_same() {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(async {
        let database = TestDb::empty();
        let (client, connection) = tokio_postgres::connect(database.url(), NoTls).await.unwrap();
        tokio::spawn(connection);
        let all = migrations();
        let mut dumps = vec![dump(&database)];
        for Migration { name, up, down } in &all {
            run(&client, name, "up", up).await;
            let after = dump(&database);
            assert_ne!(dumps.last(), Some(&after), "{name}: up.sql changes nothing");
            run(&client, name, "down", down).await;
            let undone = dump(&database);
            assert_same(&dumps[dumps.len() - 1], &undone, &format!("{name}: down.sql does not undo up.sql"));
            run(&client, name, "up", up).await;
            assert_same(
                &after,
                &dump(&database),
                &format!("{name}: up.sql gives another schema the second time"),
            );
            dumps.push(after);
        }
        for (Migration { name, down, .. }, before) in all.iter().zip(&dumps).rev() {
            run(&client, name, "down", down).await;
            assert_same(before, &dump(&database), &format!("{name}: down.sql, run after the later ones'"));
        }
        for Migration { name, up, .. } in &all {
            run(&client, name, "up", up).await;
        }
        assert_same(&dumps[dumps.len() - 1], &dump(&database), "all of them, the second time");
    });
}
