//! A task as a table of named, timed steps, which ends at the first that fails.

use std::time::{Duration, Instant};

use crate::shell::{Failure, Tree, run, say};

/// One step.
pub(crate) struct Step {
    /// What it is, for the reports.
    pub(crate) name: &'static str,
    /// What to do when it fails.
    pub(crate) hint: &'static str,
    /// What it does.
    pub(crate) work: Work,
}

/// What a step does.
pub(crate) enum Work {
    /// Runs cargo with these arguments.
    Cargo(&'static [&'static str]),
    /// Runs cargo with these arguments and one variable of the environment.
    CargoWith((&'static str, &'static str), &'static [&'static str]),
    /// Calls a function.
    Call(fn(&Tree) -> Result<(), Failure>),
}

/// Runs the steps in order and ends with a summary of their times.
pub(crate) fn run_all(task: &str, tree: &Tree, steps: &[Step]) -> Result<(), Failure> {
    let begun = Instant::now();
    let mut times: Vec<(&str, Duration)> = Vec::new();
    for (index, step) in steps.iter().enumerate() {
        say(&format!("\n[{}/{}] {}", index + 1, steps.len(), step.name));
        let start = Instant::now();
        let outcome = match &step.work {
            Work::Cargo(arguments) => run(&mut tree.cargo(arguments)),
            Work::CargoWith((name, value), arguments) => run(tree.cargo(arguments).env(name, value)),
            Work::Call(function) => function(tree),
        };
        times.push((step.name, start.elapsed()));
        if let Err(failure) = outcome {
            say(&summary(task, &times, begun.elapsed(), steps.len()));
            let text = format!("\n{task} failed at: {}\n{}\n{}", step.name, failure.text, step.hint);
            return Err(Failure { text, code: failure.code });
        }
    }
    say(&summary(task, &times, begun.elapsed(), steps.len()));
    Ok(())
}

fn summary(task: &str, times: &[(&str, Duration)], total: Duration, planned: usize) -> String {
    let mut lines = vec![format!("\n{task}: {} of {planned} steps", times.len())];
    lines.extend(times.iter().map(|(name, time)| format!("  {:>7.1} s  {name}", time.as_secs_f64())));
    lines.push(format!("  {:>7.1} s  in all", total.as_secs_f64()));
    lines.join("\n")
}
