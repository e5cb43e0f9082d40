//! The invented club of the demo: two runners over two seasons, taken in from files, and what can be asked of them.

use std::fs;

use super::Stage;
use crate::shell::{Failure, run as run_command};

const PLAN: &str = "fixtures/demo";
const FIRST: &str = "Runner A";
/// The kitrooms that come after the first, with the file of each and what makes it.
const OTHERS: [(&str, &str, &[&str]); 2] = [
    ("Runner B", "b", &["kitroom", "new", "Runner B"]),
    ("Club Quillmoor", "club", &["kitroom", "new", "Club Quillmoor", "--club"]),
];
/// Of the first runner: what changed since last season, what to see to, this winter's race and one shell's head.
const QUESTIONS: [&[&str]; 6] = [
    &["season", "ledger", "last season", "this season"],
    &["attention"],
    &["loadout", "show", "Winter Round"],
    &["loadout", "verdicts", "Winter Round"],
    &["trend", "mass", "blue shell"],
    &["trend", "head", "blue shell"],
];

impl Stage<'_> {
    /// Takes the three kitrooms in on a device that has never met a service, and asks.
    pub(super) fn seasons(&self) -> Result<(), Failure> {
        let (files, home) = (self.root.join("plan"), self.root.join("device-3"));
        for folder in [&files, &home] {
            let made = fs::create_dir_all(folder);
            made.map_err(|error| Failure::new(format!("{}: {error}", folder.display())))?;
        }
        let mut scenario = self.tree.command(self.tree.built("scenario"));
        run_command(scenario.arg(PLAN).arg(&files))?;
        let file = |key: &str| files.join(format!("{key}.jsonl")).display().to_string();
        self.play(self.tare(&home, &["import", &file("a")]))?;
        for (name, key, make) in OTHERS {
            self.play(self.tare(&home, make))?;
            self.play(self.tare(&home, &["import", &file(key), "--kitroom", name]))?;
        }
        for question in QUESTIONS {
            self.play(self.tare(&home, &[question, &["--kitroom", FIRST]].concat()))?;
        }
        Ok(())
    }
}
