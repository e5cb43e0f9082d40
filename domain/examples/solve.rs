//! Solves kit-like instances: JSON lines in on standard input, JSON lines out; `--blame` also seeks whom to blame.
#![expect(clippy::print_stdout, reason = "an example program's output is its purpose")]

use std::io::BufRead;
use std::time::Instant;

use domain::lightest::{Item, Limits, Need, Pocket, Problem, Reach, Requirement, solve};
use serde_json::{Value, json};

fn reach(v: &Value) -> Reach {
    match v.as_str() {
        Some("moving") => Reach::Moving,
        Some("at_stop") => Reach::AtStop,
        _ => Reach::VestOff,
    }
}

fn passes(item: &Value, test: &Value) -> bool {
    let Some(value) = item["attrs"][test[0].as_str().unwrap_or_default()].as_f64() else { return false };
    let limit = test[2].as_f64().unwrap_or(f64::NAN);
    match test[1].as_str() {
        Some(">=") => value >= limit,
        Some("<=") => value <= limit,
        Some("=") => value == limit,
        _ => false,
    }
}

/// A kit-like instance as a problem. Without pockets no fit is asked for.
fn problem(instance: &Value) -> Problem {
    let list = |v: &Value| v.as_array().cloned().unwrap_or_default();
    let items = list(&instance["items"]);
    let eligible = |rule: &Value| -> Vec<usize> {
        let kinds = list(&rule["kinds"]);
        (0..items.len())
            .filter(|&i| kinds.contains(&items[i]["kind"]))
            .filter(|&i| list(&rule["where"]).iter().all(|test| passes(&items[i], test)))
            .collect()
    };
    let requirements = list(&instance["rules"])
        .iter()
        .map(|rule| {
            let need = if rule["need"] == "count" {
                Need::Count {
                    eligible: eligible(rule),
                    units: rule["count"].as_u64().unwrap_or(1) as u32,
                    shareable: rule["shareable"] == true,
                }
            } else {
                let measure = rule["measure"].as_str().unwrap_or_default();
                let amounts = eligible(rule)
                    .into_iter()
                    .filter_map(|i| {
                        items[i]["attrs"][measure].as_f64().map(|a| (i, (a * 1000.0).round() as i64))
                    })
                    .collect();
                let limit = |name: &str| rule[name].as_f64().map(|a| (a * 1000.0).round() as i64);
                Need::Total { amounts, at_least: limit("at_least"), at_most: limit("at_most") }
            };
            Requirement::new(rule["id"].as_str().unwrap_or_default(), need)
        })
        .collect();
    let pockets: Vec<Pocket> = list(&instance["pockets"])
        .iter()
        .map(|p| Pocket {
            id: p["id"].as_str().unwrap_or_default().to_owned(),
            volume: p["volume_ml"].as_u64().unwrap_or(0),
            mass_cap_mg: None,
            reach: reach(&p["reach"]),
            waterproof: false,
        })
        .collect();
    Problem {
        items: items
            .iter()
            .map(|i| Item {
                volume: i["volume_ml"].as_u64().unwrap_or(0),
                reach: reach(&i["reach_needed"]),
                ..Item::new(
                    i["id"].as_str().unwrap_or_default(),
                    (i["mass_g"].as_f64().unwrap_or(0.0) * 1000.0).round() as u64,
                )
            })
            .collect(),
        requirements,
        pockets: (!pockets.is_empty()).then_some(pockets),
        ..Problem::default()
    }
}

fn main() {
    for line in std::io::stdin().lock().lines() {
        let Ok(line) = line else { return };
        let instance: Value = match serde_json::from_str(&line) {
            Ok(v) => v,
            Err(e) => {
                println!("{}", json!({"error": e.to_string()}));
                continue;
            }
        };
        let problem = problem(&instance);
        let start = Instant::now();
        let answer = solve(&problem, &mut Limits::default());
        let seconds = start.elapsed().as_secs_f64();
        match answer {
            Ok(a) => {
                let blame: Vec<&str> = a.blame.iter().map(|&r| problem.requirements[r].id.as_str()).collect();
                println!(
                    "{}",
                    json!({
                        "name": instance["name"],
                        "status": a.status,
                        "mass_g": a.mass_mg.map(|m| m as f64 / 1000.0),
                        "blame": blame,
                        "fit": a.blame_fit,
                        "nodes": a.nodes,
                        "placings": a.placings,
                        "tie_break_proven": a.tie_break_proven,
                        "seconds": seconds,
                    })
                );
            }
            Err(e) => println!("{}", json!({"name": instance["name"], "error": e.to_string()})),
        }
    }
}
