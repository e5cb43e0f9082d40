//! A page of a hundred items with their masses.

use super::capture::Scripts;
use super::ids::{self, Dice};
use super::place::Service;
use super::report::Target;
use super::{Bench, CONNECTIONS, ITEMS, KITROOMS, REPEATS, SECONDS, http, median, pgbench};

/// The request for a page.
pub(super) fn request(k: u64, token: &str) -> Vec<u8> {
    http::get(&format!("/v1/kitrooms/{}/items?limit={ITEMS}", ids::kitroom(k)), token)
}

pub(super) async fn measure(bench: &mut Bench, service: &Service, scripts: &Scripts) -> Result<(), String> {
    let requests: Vec<Vec<u8>> = (0..=KITROOMS).map(|k| request(k, &ids::token(k))).collect();
    for connections in CONNECTIONS {
        let (mut ours, mut theirs) = (Vec::new(), Vec::new());
        for repeat in 0..REPEATS {
            let run = async || {
                http::drive(&service.address, connections, SECONDS, 200, |number, n| {
                    let k = Dice((repeat * 64 + number) as u64 * 104_729 + n).roll(KITROOMS);
                    requests[k as usize].clone()
                })
                .await
            };
            if repeat % 2 == 0 {
                ours.push(run().await?);
                theirs.push(pgbench::run(&bench.place, &scripts.page, connections, SECONDS)?);
            } else {
                theirs.push(pgbench::run(&bench.place, &scripts.page, connections, SECONDS)?);
                ours.push(run().await?);
            }
        }
        let what = format!("page of {ITEMS} items, {connections} connections");
        bench.report.ratio(what, median(ours), median(theirs), Target::AtLeast(0.35));
    }
    bench.report.note(format!("A page runs {} statements.", scripts.page_statements));
    Ok(())
}
