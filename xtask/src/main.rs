//! The project's tasks: `cargo xtask demo | test | openapi | bench | soak | image`.

mod bench;
mod demo;
mod image;
mod openapi;
mod purity;
mod python;
mod service;
mod setup;
mod shell;
mod soak;
mod step;
mod test;

use std::process::ExitCode;

use shell::{Failure, Tree, complain, say};

/// A task: its name, what it does, and the function that does it.
type Task = (&'static str, &'static str, fn(&Tree) -> Result<(), Failure>);

const TASKS: &[Task] = &[
    ("demo", "install what is missing, build, and run the main job in front of you", demo::run),
    ("test", "install what is missing, build, and run every test and check", test::run),
    ("openapi", "write openapi/openapi.json anew from the code", openapi::write),
    ("bench", "measure", bench::run),
    ("soak", "the long versions of the randomised tests", soak::run),
    ("pg-bin", "print the folder of PostgreSQL's programs, for scripts", setup::print_folder),
    ("image", "build the container image of PostgreSQL that the tests can use", image::run),
];

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let named = |name: &str| TASKS.iter().find(|(task, ..)| *task == name);
    let task = match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["--help" | "-h"] => {
            say(&usage());
            return ExitCode::SUCCESS;
        }
        [name] => named(name),
        _ => None,
    };
    let Some((_, _, work)) = task else {
        complain(&usage());
        return ExitCode::from(2);
    };
    match work(&Tree::new()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            complain(&failure.text);
            ExitCode::from(failure.code)
        }
    }
}

fn usage() -> String {
    let lines: Vec<String> = TASKS.iter().map(|(name, what, _)| format!("  {name:<8} {what}")).collect();
    format!("cargo xtask TASK\n\n{}", lines.join("\n"))
}
