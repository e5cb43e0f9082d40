//! `scenario PLAN_FOLDER OUT_FOLDER [TODAY]`: writes the demo's files for `tare import`.

use std::path::Path;
use std::process::ExitCode;

use system_tests::scenario::imports;

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "this program's output")]
#[expect(clippy::disallowed_methods, reason = "days count from the day on which the demo is played")]
fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (plan, out, today) = match arguments.as_slice() {
        [plan, out] => (plan, out, chrono::Utc::now().date_naive().to_string()),
        [plan, out, today] => (plan, out, today.clone()),
        _ => {
            eprintln!("usage: scenario PLAN_FOLDER OUT_FOLDER [YYYY-MM-DD]");
            return ExitCode::from(2);
        }
    };
    match write(Path::new(plan), Path::new(out), &today) {
        Ok(words) => {
            println!("{words}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn write(plan: &Path, out: &Path, today: &str) -> Result<String, Box<dyn std::error::Error>> {
    let read = |name: &str| std::fs::read_to_string(plan.join(name));
    let sheets = [read("rules-first.toml")?, read("rules-second.toml")?];
    let mut words = Vec::new();
    for import in imports(&read("scenario.toml")?, &sheets, today.parse()?)? {
        let file = out.join(format!("{}.jsonl", import.key));
        std::fs::write(&file, &import.text)?;
        let records = import.text.lines().count() - 1;
        words.push(format!("{}: {records} records in {}", import.name, file.display()));
    }
    Ok(words.join("\n"))
}
