//! How fast a device takes a large kitroom in, and with how much memory: 100,000 records of about 400 bytes, page by page
//! as they come from the service, masses included. Prints records, bytes a record, seconds and the peak of resident
//! memory before and after.
//!
//! `cargo run --release -p client-cli --example pull_speed [RECORDS]`

use std::fmt::Write as _;
use std::io::Write as _;
use std::time::Instant;

use client_cli::config::Env;
use client_cli::local::Store;
use client_cli::remote::Page;
use domain::sync::client::{Effect, Event, Patience};
use domain::sync::op::Role;
use domain::wire::kitroom::Purpose;
use uuid::Uuid;

const PAGE: usize = 2000;
const WEIGHINGS_PER_ITEM: usize = 9;

fn id(kind: u128, n: usize) -> Uuid {
    Uuid::from_u128(0x018f_0000_0000_7000_8000_0000_0000_0000 | (kind << 40) | n as u128)
}

/// The page of the records from `first` on, as JSON.
fn page(first: usize, records: usize) -> String {
    let last = (first + PAGE).min(records);
    let mut text = format!(r#"{{"epoch":"{}","changes":["#, id(7, 0));
    for n in first..last {
        let comma = if n == first { "" } else { "," };
        let (item, seq) = (n / (WEIGHINGS_PER_ITEM + 1), n + 1);
        let about = format!(
            r#""version":{seq},"created_by":"{}","recorded_at":"2026-03-01T08:00:00.000Z""#,
            id(9, 1)
        );
        let written = if n % (WEIGHINGS_PER_ITEM + 1) == 0 {
            write!(
                text,
                r#"{comma}{{"seq":{seq},"kind":"item","id":"{0}","deleted":false,"record":{{"id":"{0}",{about},"name":"thing {item}","kind":"other","maker":"maker A","model":"model of the thing {item}","size":"M","notes":"{1}"}}}}"#,
                id(1, item),
                "n".repeat(110)
            )
        } else {
            write!(
                text,
                r#"{comma}{{"seq":{seq},"kind":"weighing","id":"{0}","deleted":false,"record":{{"id":"{0}",{about},"recorded_by":"{1}","item_id":"{2}","resolution_g":1,"reading_g":{3},"wetness":"dry","fill":"empty","observed_at":"2026-02-{4:02}T09:00:00.000Z","source":"typed"}}}}"#,
                id(2, n),
                id(9, 1),
                id(1, item),
                400 + n % 3,
                1 + n % 28
            )
        };
        written.expect("a string takes everything");
    }
    let more = last < records;
    write!(text, r#"],"next_cursor":"c{last}","has_more":{more},"head_seq":{records}}}"#).expect("a string");
    text
}

fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap_or("0 kB");
    line.trim().trim_end_matches(" kB").parse::<u64>().unwrap_or(0) / 1024
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let records: usize = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(100_000);
    let folder = std::env::temp_dir().join(format!("tare-pull-speed-{}", std::process::id()));
    let mut store = Store::open(&Env::at(&folder))?;
    let kitroom = id(8, 1);
    store.note_kitroom(kitroom, "large", Purpose::Club, Role::Member)?;
    let mut machine = store.machine(Patience::SHORT)?;
    let before = peak_mib();
    let (mut at, mut bytes, mut applying) = (0, 0, std::time::Duration::ZERO);
    let mut effects = store.step(&mut machine, Event::Sync { kitroom }, None)?.effects;
    while let Some(Effect::Pull { ticket, .. }) = effects.first() {
        let text = page(at, records);
        bytes += text.len();
        at += PAGE;
        let began = Instant::now();
        let page: Page = serde_json::from_str(&text)?;
        let event = Event::Pulled { kitroom, ticket: *ticket, page: page.head() };
        effects = store.step(&mut machine, event, Some(&page))?.effects;
        applying += began.elapsed();
    }
    let items = store.item_count(kitroom)?;
    writeln!(
        std::io::stdout(),
        "{records} records of {} bytes, {items} items with their masses: {:.2} s; peak memory {before} -> {} MiB",
        bytes / records.max(1),
        applying.as_secs_f64(),
        peak_mib()
    )?;
    drop(store);
    std::fs::remove_dir_all(folder)?;
    Ok(())
}
