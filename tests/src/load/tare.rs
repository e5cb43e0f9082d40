//! `tare item list` on ten thousand items, to a file. The replica is filled through a pull from the service.

use std::fs::File;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

use super::place::{Place, Service};
use super::pushes::Pusher;
use super::report::Target;
use super::{Bench, KITROOMS, ids, median};

const ITEMS: u64 = 10_000;
const LISTS: usize = 11;

pub(super) async fn measure(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let program = Place::built("tare")?;
    let kitroom = KITROOMS + 3;
    let mut pusher = Pusher::open(service, kitroom).await?;
    pusher.items(ITEMS).await?;
    // One weighing each, so that the list has masses to show.
    let weighings = pusher.weighings(6000, 0..ITEMS, ITEMS, r#""resolution_g":1"#);
    for part in weighings.chunks(500) {
        pusher.push(part).await?;
    }
    let home = bench.place.path("tare");
    let tare = |arguments: &[&str]| {
        let mut command = Command::new(&program);
        command.args(arguments).env("TARE_HOME", &home).stdin(Stdio::null());
        command
    };
    let told = |error: std::io::Error| format!("{}: {error}", program.display());
    let url = format!("http://{}", service.address);
    let mut link = tare(&["link", &url, "--token-stdin", "--insecure-storage"]);
    let mut child =
        link.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().map_err(told)?;
    if let Some(mut pipe) = child.stdin.take() {
        writeln!(pipe, "{}", ids::token(kitroom)).map_err(told)?;
    }
    let output = child.wait_with_output().map_err(told)?;
    if !output.status.success() {
        return Err(format!("tare link: {}", String::from_utf8_lossy(&output.stderr)));
    }
    let path = bench.place.path("items.txt");
    let mut times = Vec::new();
    for _ in 0..LISTS {
        let file = File::create(&path).map_err(told)?;
        let mut list = tare(&["item", "list"]);
        list.stdout(file).stderr(Stdio::inherit());
        let begun = Instant::now();
        let status = list.status().map_err(told)?;
        times.push(begun.elapsed().as_secs_f64() * 1000.0);
        let lines = std::fs::read_to_string(&path).map_err(told)?.lines().count();
        if !status.success() || lines < ITEMS as usize {
            return Err(format!("tare item list: {status}, {lines} lines"));
        }
    }
    let what = format!("tare item list, {ITEMS} items to a file");
    bench.report.number(what, median(times), "ms", Target::AtMost(50.0));
    Ok(())
}
