//! The invented club of the demo: two runners over two seasons, taken in from files, and what can be asked of them.

use std::fs;

use super::Stage;
use crate::shell::{Failure, run as run_command};

const PLAN: &str = "fixtures/demo";
const FIRST: &str = "Runner A";
const CLUB: &str = "Club Quillmoor";
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
    /// Takes the kitrooms in on two devices that have never met a service, and asks.
    pub(super) fn seasons(&self) -> Result<(), Failure> {
        let folder = |name: &str| {
            let folder = self.root.join(name);
            let made = fs::create_dir_all(&folder);
            made.map_err(|error| Failure::new(format!("{}: {error}", folder.display())))?;
            Ok::<_, Failure>(folder)
        };
        let (files, first, second) = (folder("plan")?, folder("device-3")?, folder("device-4")?);
        let mut scenario = self.tree.command(self.tree.built("scenario"));
        run_command(scenario.arg(PLAN).arg(&files))?;
        let file = |key: &str| files.join(format!("{key}.jsonl")).display().to_string();
        self.play(self.tare(&first, &["import", &file("a")]))?;
        self.play(self.tare(&first, &["kitroom", "new", CLUB, "--club"]))?;
        self.play(self.tare(&first, &["import", &file("club"), "--kitroom", CLUB]))?;
        for question in QUESTIONS {
            self.play(self.tare(&first, &[question, &["--kitroom", FIRST]].concat()))?;
        }
        self.play(self.tare(&second, &["import", &file("b")]))?;
        self.play(self.tare(&second, &["season", "ledger"]))
    }
}
