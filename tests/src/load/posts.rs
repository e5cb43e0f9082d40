//! One weighing a request, over many kitrooms.

use std::sync::atomic::{AtomicU64, Ordering};

use super::capture::Scripts;
use super::ids::{self, Dice};
use super::place::Service;
use super::report::Target;
use super::{Bench, CONNECTIONS, ITEMS, KITROOMS, REPEATS, SECONDS, http, median, pgbench};

/// The request that stores one weighing.
pub(super) fn request(k: u64, i: u64, weighing: &str, token: &str) -> Vec<u8> {
    let body = format!(
        r#"{{"id":"{weighing}","item_id":"{}","reading_g":{},"resolution_g":1}}"#,
        ids::item(k, i),
        400 + i
    );
    http::post(&format!("/v1/kitrooms/{}/weighings", ids::kitroom(k)), token, &body)
}

pub(super) async fn measure(bench: &mut Bench, service: &Service, scripts: &Scripts) -> Result<(), String> {
    let tokens: Vec<String> = (0..=KITROOMS).map(ids::token).collect();
    let series = AtomicU64::new(1);
    for connections in CONNECTIONS {
        let (mut ours, mut theirs) = (Vec::new(), Vec::new());
        for repeat in 0..REPEATS {
            let run = async || {
                let first = series.fetch_add(connections as u64, Ordering::Relaxed);
                http::drive(&service.address, connections, SECONDS, 201, |number, n| {
                    let mut dice = Dice(first * 7919 + number as u64 * 104_729 + n);
                    let (k, i) = (dice.roll(KITROOMS), dice.roll(ITEMS));
                    request(k, i, &ids::fresh(first + number as u64, n), &tokens[k as usize])
                })
                .await
            };
            if repeat % 2 == 0 {
                ours.push(run().await?);
                theirs.push(pgbench::run(&bench.place, &scripts.post, connections, SECONDS)?);
            } else {
                theirs.push(pgbench::run(&bench.place, &scripts.post, connections, SECONDS)?);
                ours.push(run().await?);
            }
        }
        let target = if connections == 8 { Target::AtLeast(0.35) } else { Target::None };
        let what = format!("weighing POST, {connections} connections");
        bench.report.ratio(what, median(ours), median(theirs), target);
    }
    bench.report.note(format!(
        "A weighing POST runs {} statements, its transaction's begin and end among them.",
        scripts.post_statements
    ));
    let query = "select count(*)::text from weighings";
    let row = bench.admin.query_one(query, &[]).await.map_err(|error| format!("{error:?}"))?;
    bench.report.note(format!("Weighings at the end: {}", row.get::<_, String>(0)));
    Ok(())
}
