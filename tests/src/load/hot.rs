//! Four writers in one kitroom, each with pushes of twenty-five facts: beside `pgbench` doing in plain SQL what cannot be
//! left out, the counter row's lock held to the commit, the rows, and their places in the index.

use std::time::{Duration, Instant};

use super::place::Service;
use super::pushes::Pusher;
use super::report::Target;
use super::{Bench, KITROOMS, REPEATS, SECONDS, ids, median, pgbench, seed};

const WRITERS: usize = 4;
/// Facts of a push, and rows of a transaction.
const FACTS: u64 = 25;
/// Items that the facts are about in turn: a club's whole stock, so that none is weighed more often than a thing would be.
const ITEMS: u64 = 5_000;

/// The service's side: rows a second.
async fn pushed(service: &Service, kitroom: u64, series: u64) -> Result<f64, String> {
    let end = Instant::now() + Duration::from_secs(SECONDS);
    let writer = async |number: usize| -> Result<u64, String> {
        let replica = series * 10 + number as u64;
        let mut pusher = Pusher::of_replica(service, kitroom, replica).await?;
        let mut rows = 0;
        while Instant::now() < end {
            let ops = pusher.weighings(2000 + replica, rows..rows + FACTS, ITEMS, r#""resolution_g":1"#);
            pusher.push(&ops).await?;
            rows += FACTS;
        }
        Ok(rows)
    };
    let begun = Instant::now();
    let rows = futures_util::future::try_join_all((0..WRITERS).map(writer)).await?;
    Ok(rows.iter().sum::<u64>() as f64 / begun.elapsed().as_secs_f64())
}

/// The same rows by SQL alone, under the same lock.
fn statements(kitroom: u64, item: &str) -> String {
    let (k, a) = (ids::kitroom(kitroom), ids::account(kitroom));
    format!(
        "\\set s random(1, 2000000000)
begin;
with head as (update kitrooms set head_seq = head_seq + {FACTS} where id = '{k}' returning head_seq - {FACTS} as at),
rows as (select gen_random_uuid() as id, at + n as seq from head, generate_series(1, {FACTS}) n),
facts as (insert into weighings (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body)
    select '{k}', id, seq, '{{}}', '{a}', now(), false, false, jsonb_build_object(
        'item_id', '{item}', 'reading_g', :s::bigint, 'resolution_g', 1, 'wetness', 'dry', 'source', 'typed', 'observed_at', '2026-03-01T05:10:00.000Z') from rows)
insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash)
select '{k}', 'weighing', id, seq, false, 0 from rows;
commit;
"
    )
}

pub(super) async fn measure(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let (hot, plain) = (KITROOMS + 6, KITROOMS + 7);
    Pusher::open(service, hot).await?.items(ITEMS).await?;
    let script = statements(plain, &seed::one_item(&bench.admin, plain).await?);
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for repeat in 0..REPEATS as u64 {
        ours.push(pushed(service, hot, repeat + 1).await?);
        theirs.push(pgbench::run(&bench.place, &script, WRITERS, SECONDS)? * FACTS as f64);
    }
    let what = format!("facts into one kitroom, {WRITERS} writers of {FACTS}");
    bench.report.ratio(what, median(ours), median(theirs), Target::AtLeast(0.5));
    Ok(())
}
