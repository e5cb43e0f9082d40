//! The tests' own ground: every test has a database to itself, on a server that goes when they do.

use system_tests::harness::db::TestDb;
use tokio_postgres::NoTls;

async fn scalar(url: &str, query: &str) -> String {
    let (client, connection) = tokio_postgres::connect(url, NoTls).await.unwrap();
    let connection = tokio::spawn(connection);
    let row = client.query_one(query, &[]).await.unwrap();
    drop(client);
    connection.await.unwrap().unwrap();
    row.get(0)
}

fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work)
}

#[test]
fn migrated_twice_gives_databases_that_do_not_see_each_other() {
    block_on(async {
        let (one, two) =
            (TestDb::migrated(api::platform::db::migrate), TestDb::migrated(api::platform::db::migrate));
        assert_ne!(one.name(), two.name());
        let insert = "INSERT INTO kitrooms (id, name, purpose, epoch, created_at)
            VALUES (gen_random_uuid(), 'x', 'club', gen_random_uuid(), now()) RETURNING name";
        scalar(one.url(), insert).await;
        assert_eq!(scalar(one.url(), "SELECT count(*)::text FROM kitrooms").await, "1");
        assert_eq!(scalar(two.url(), "SELECT count(*)::text FROM kitrooms").await, "0");
    });
}

#[test]
fn empty_has_no_tables_and_knows_letters_beyond_ascii() {
    block_on(async {
        let database = TestDb::empty();
        let tables = "SELECT count(*)::text FROM pg_tables WHERE schemaname = 'public'";
        assert_eq!(scalar(database.url(), tables).await, "0");
        assert_eq!(scalar(database.url(), "SELECT lower('ÄÉ')").await, "äé");
        assert_eq!(scalar(database.url(), "SELECT current_database()::text").await, database.name());
    });
}

#[test]
fn drop_of_a_database_in_use_removes_it() {
    block_on(async {
        let kept = TestDb::empty();
        let gone = TestDb::empty();
        let name = gone.name().to_owned();
        let (_client, connection) = tokio_postgres::connect(gone.url(), NoTls).await.unwrap();
        tokio::spawn(connection);
        drop(gone);
        let query = format!("SELECT count(*)::text FROM pg_database WHERE datname = '{name}'");
        assert_eq!(scalar(kept.url(), &query).await, "0");
    });
}
