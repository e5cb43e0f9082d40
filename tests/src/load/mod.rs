//! The measurements of the whole: the service as it is deployed, under load, beside `pgbench` running the statements
//! that the service itself runs, in one run on one database, so that the ratios hold on any machine.

mod capture;
mod feed;
mod hot;
mod http;
mod ids;
mod loadouts;
mod pages;
mod pgbench;
mod place;
mod posts;
mod pushes;
mod report;
mod seed;
mod start;
mod tare;

use tokio_postgres::{Client, NoTls};

use self::place::Place;
use self::report::Report;

/// How many kitrooms the requests are spread over, each with an account and a device token of its own.
const KITROOMS: u64 = 1000;
/// Items of each kitroom.
const ITEMS: u64 = 100;
/// Connections of the clients.
const CONNECTIONS: [usize; 3] = [1, 8, 32];
/// Times that each side is measured, in alternating order; the median counts.
const REPEATS: usize = 3;
/// Seconds of one of them.
const SECONDS: u64 = 3;

/// Everything that a measurement stands on.
struct Bench {
    place: Place,
    admin: Client,
    report: Report,
}

/// Runs the measurements with these names, all of them without a name, and gives the table.
///
/// # Errors
/// In words, when a program is missing, fails, or answers what it should not.
pub async fn run(names: &[String]) -> Result<String, String> {
    let wanted = |name: &str| names.is_empty() || names.iter().any(|one| one == name);
    let known = ["start", "posts", "pages", "pushes", "hot", "feed", "loadouts", "tare"];
    if let Some(other) = names.iter().find(|name| !known.contains(&name.as_str())) {
        return Err(format!("{other}: there are the measurements {}", known.join(", ")));
    }
    let mut report = Report::default();
    let place = Place::new()?;
    let service = place.serve().await?;
    seed::accounts(&place, KITROOMS).await?;
    seed::kit(&place, &service, KITROOMS, ITEMS).await?;
    service.stop()?;
    if wanted("start") {
        start::measure(&place, &mut report).await?;
    }
    let posts = capture::Scripts::take(&place).await?;
    let service = place.serve().await?;
    let admin = connect(&place.admin_url()).await?;
    let mut bench = Bench { place, admin, report };
    if wanted("posts") {
        posts::measure(&mut bench, &service, &posts).await?;
    }
    if wanted("pages") {
        pages::measure(&mut bench, &service, &posts).await?;
    }
    if wanted("pushes") {
        pushes::measure(&mut bench, &service).await?;
    }
    if wanted("hot") {
        hot::measure(&mut bench, &service).await?;
    }
    if wanted("feed") {
        feed::measure(&mut bench, &service).await?;
    }
    if wanted("loadouts") {
        loadouts::measure(&mut bench, &service).await?;
    }
    if wanted("tare") {
        tare::measure(&mut bench, &service).await?;
    }
    bench.report.note(format!("Resident after the load: {:.1} MiB", service.resident_mib()?));
    let Bench { report, .. } = bench;
    service.stop()?;
    Ok(report.to_string())
}

async fn connect(url: &str) -> Result<Client, String> {
    let (client, connection) =
        tokio_postgres::connect(url, NoTls).await.map_err(|error| format!("{error:?}"))?;
    tokio::spawn(connection);
    Ok(client)
}

/// The middle one; of an even number the upper of the two.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
