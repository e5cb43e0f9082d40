//! Solves kit-like instances: JSON lines on standard input, JSON lines with the time of each on standard output.
#![expect(clippy::print_stdout, reason = "an example program's output is its purpose")]

use std::io::BufRead;
use std::time::Instant;

use domain::lightest::kit_like::Instance;
use domain::lightest::{Limits, solve};
use serde_json::json;

fn main() {
    for line in std::io::stdin().lock().lines() {
        let Ok(line) = line else { return };
        let instance: Instance = match serde_json::from_str(&line) {
            Ok(instance) => instance,
            Err(e) => {
                println!("{}", json!({"error": e.to_string()}));
                continue;
            }
        };
        let problem = instance.problem();
        let start = Instant::now();
        let answer = solve(&problem, &mut Limits::default());
        let seconds = start.elapsed().as_secs_f64();
        let out = match answer {
            Ok(a) => json!({
                "name": instance.name,
                "status": a.status,
                "mass_g": a.mass_mg.map(|m| m as f64 / 1000.0),
                "taken": a.chosen.iter().map(|c| &problem.items[c.item].id).collect::<Vec<_>>(),
                "blame": a.blame.iter().map(|&r| &problem.requirements[r].id).collect::<Vec<_>>(),
                "blame_fit": a.blame_fit,
                "blame_minimal": a.blame_minimal,
                "tie_break_proven": a.tie_break_proven,
                "nodes": a.nodes,
                "placings": a.placings,
                "seconds": seconds,
            }),
            Err(e) => json!({"name": instance.name, "error": e.to_string()}),
        };
        println!("{out}");
    }
}
