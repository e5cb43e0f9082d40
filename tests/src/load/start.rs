//! How soon the service is ready on a cluster that exists, and what it holds when it has nothing to do.

use std::time::Duration;

use super::median;
use super::place::Place;
use super::report::{Report, Target};

const STARTS: usize = 5;

pub(super) async fn measure(place: &Place, report: &mut Report) -> Result<(), String> {
    let (mut ready, mut resident) = (Vec::new(), Vec::new());
    for _ in 0..STARTS {
        let service = place.serve().await?;
        ready.push(service.ready_after.as_secs_f64() * 1000.0);
        tokio::time::sleep(Duration::from_millis(300)).await;
        resident.push(service.resident_mib()?);
        service.stop()?;
    }
    report.number("ready on an existing private cluster", median(ready), "ms", Target::AtMost(500.0));
    report.number("resident when idle, without PostgreSQL", median(resident), "MiB", Target::AtMost(40.0));
    Ok(())
}
