//! What is typed for each event, and what becomes of it.

use clap::Args;
use domain::wire::log_entry::LogEvent;
use domain::wire::shape::Object;
use serde_json::{Value, json};

use super::record::{Said, save};
use super::typed::{self, Missing};
use crate::app::App;
use crate::error::{Error, Result};

/// What every entry may have.
#[derive(Debug, Clone, Default, Args)]
pub struct Common {
    /// When it was, if not now: 2026-03-01, '2026-03-01 18:30' in UTC, or with an offset.
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Anything worth knowing.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

impl Common {
    fn said(&self, items: &[String], event: LogEvent) -> Said {
        Said {
            items: items.to_vec(),
            event,
            at: self.at.clone(),
            note: self.note.clone(),
            fields: Object::new(),
        }
    }
}

impl Said {
    fn with(mut self, field: &str, value: Option<Value>) -> Self {
        if let Some(value) = value {
            self.fields.insert(field.to_owned(), value);
        }
        self
    }
}

fn text(value: &Option<String>) -> Option<Value> {
    value.as_ref().map(|text| json!(text))
}

/// An event that has nothing more to it.
#[derive(Debug, Clone, Args)]
pub struct PlainArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl PlainArgs {
    pub(super) fn save(&self, app: &mut App<'_>, event: LogEvent) -> Result<()> {
        save(app, &self.common.said(&self.items, event))
    }
}

/// Use.
#[derive(Debug, Clone, Args)]
pub struct UseArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// Hours on the body or strapped on, as in 6.5 or 6:30.
    #[arg(long, value_name = "HOURS")]
    pub worn: Option<String>,
    /// Hours in the vest or the hand.
    #[arg(long, value_name = "HOURS")]
    pub carried: Option<String>,
    /// How many of those hours were wet.
    #[arg(long, value_name = "HOURS")]
    pub wet: Option<String>,
    /// How far, in kilometres.
    #[arg(long, value_name = "KM")]
    pub km: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl UseArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        let mut told = [self.worn.clone(), self.carried.clone(), self.wet.clone(), self.km.clone()];
        if [&told[0], &told[1], &told[3]].iter().all(|one| one.is_none()) {
            if !app.ui.can_ask {
                return Err(Error::usage("how long was it used?")
                    .hint("give --worn HOURS, --carried HOURS or --km KM; --wet HOURS besides"));
            }
            let questions = [
                "hours worn? Enter for none > ",
                "hours carried? Enter for none > ",
                "how many of them wet? Enter if unknown > ",
                "how far, in km? Enter if unknown > ",
            ];
            for (slot, question) in told.iter_mut().zip(questions).filter(|(slot, _)| slot.is_none()) {
                let answer = app.ui.ask(question)?.unwrap_or_default();
                *slot = Some(answer.trim().to_owned()).filter(|answer| !answer.is_empty());
            }
            if [&told[0], &told[1], &told[3]].iter().all(|one| one.is_none()) {
                return Err(
                    Error::refused("nothing was saved").because("no hours and no distance were given")
                );
            }
        }
        let hours = |text: &Option<String>| {
            text.as_deref().map(|text| typed::hours(text).map(|hours| json!(hours))).transpose()
        };
        let km = told[3].as_deref().map(|text| typed::kilometres(text).map(|km| json!(km))).transpose()?;
        let said = self
            .common
            .said(&self.items, LogEvent::Use)
            .with("worn_h", hours(&told[0])?)
            .with("carried_h", hours(&told[1])?)
            .with("wet_h", hours(&told[2])?)
            .with("distance_km", km);
        save(app, &said)
    }
}

/// A wash.
#[derive(Debug, Clone, Args)]
pub struct WashArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// The machine's program or the care procedure, as in 30 or 4G.
    #[arg(long)]
    pub program: Option<String>,
    /// What it was washed with.
    #[arg(long)]
    pub detergent: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl WashArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        let said = self.common.said(&self.items, LogEvent::Wash);
        save(app, &said.with("program", text(&self.program)).with("detergent", text(&self.detergent)))
    }
}

/// A reproofing.
#[derive(Debug, Clone, Args)]
pub struct ReproofArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// Which agent.
    #[arg(long)]
    pub agent: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl ReproofArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        save(app, &self.common.said(&self.items, LogEvent::Reproof).with("detergent", text(&self.agent)))
    }
}

/// A repair or a damage.
#[derive(Debug, Clone, Args)]
pub struct PartArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// Which part: cuff, zip, left seam.
    #[arg(long)]
    pub part: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl PartArgs {
    pub(super) fn save(&self, app: &mut App<'_>, event: LogEvent) -> Result<()> {
        save(app, &self.common.said(&self.items, event).with("part", text(&self.part)))
    }
}

/// An inspection or a spray test.
#[derive(Debug, Clone, Args)]
pub struct GradeArgs {
    /// Parts of names or tags, several items apart by commas; then the grade.
    #[arg(required = true, value_names = ["ITEM", "GRADE"], num_args = 1..)]
    pub words: Vec<String>,
    /// Which part: shoulder, hood.
    #[arg(long)]
    pub part: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl GradeArgs {
    pub(super) fn save(&self, app: &mut App<'_>, event: LogEvent) -> Result<()> {
        let missing = match event {
            LogEvent::SprayTest => Missing {
                what: "the grade",
                question: "spray grade? 5 no wetting ... 0 face and back wet > ",
                example: "as in: tare log spray shell 3",
            },
            _ => Missing {
                what: "the grade",
                question: "grade? 5 as new ... 1 not to be used > ",
                example: "as in: tare log inspect shell 4",
            },
        };
        let (items, grade) = typed::last(app, &self.words, &missing, |word| word.parse::<u32>().ok())?;
        let said = self.common.said(&items, event).with("grade", Some(json!(grade)));
        save(app, &said.with("part", text(&self.part)))
    }
}

/// A head test.
#[derive(Debug, Clone, Args)]
pub struct HeadArgs {
    /// A part of the name or the tag; then the head: 18500, 98kPa.
    #[arg(required = true, value_names = ["ITEM", "HEAD"], num_args = 1..)]
    pub words: Vec<String>,
    /// No water came through up to there; also written as '>=2000'.
    #[arg(long)]
    pub at_least: bool,
    /// Water came through before; also written as '<8000'.
    #[arg(long, conflicts_with = "at_least")]
    pub below: bool,
    /// How fast the pressure rose, in cm of water a minute (60 or 10 in ISO 811).
    #[arg(long, value_name = "CM")]
    pub rate: Option<f64>,
    /// At which drop it was read; ISO 811 takes the third place.
    #[arg(long, value_parser = ["first", "third"])]
    pub drops: Option<String>,
    /// What was under the water.
    #[arg(long, value_parser = ["fabric", "seam"])]
    pub part: Option<String>,
    /// Which side faced the water.
    #[arg(long, value_parser = ["outer", "inner"])]
    pub face: Option<String>,
    /// At how many places.
    #[arg(long, value_name = "N")]
    pub places: Option<u32>,
    /// What with: an instrument, an open column, or a closed rig with a pump and a gauge.
    #[arg(long, value_parser = ["laboratory", "column", "pump"])]
    pub rig: Option<String>,
    /// How warm the water was, in degrees Celsius.
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub temperature: Option<f64>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl HeadArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        let missing = Missing {
            what: "the head",
            question: "head? mm of water, or with its unit > ",
            example: "as in: tare log head shell 18500, or 98kPa; '>=2000' when no water came through",
        };
        let (items, head) = typed::last(app, &self.words, &missing, typed::head)?;
        let relation = match (self.at_least, self.below, head.relation) {
            (true, _, None | Some(">=")) => Some(">="),
            (_, true, None | Some("<")) => Some("<"),
            (false, false, relation) => relation,
            _ => return Err(Error::usage("the head is said to be both at least and below that")),
        };
        let mut common = self.common.clone();
        // What the gauge showed is kept beside what it comes to.
        if let Some(shown) = &head.shown {
            let read = format!("read as {shown}");
            common.note = Some(common.note.map_or(read.clone(), |note| format!("{note}; {read}")));
        }
        let said = common
            .said(&items, LogEvent::HeadTest)
            .with("head_mm", Some(json!(head.mm)))
            .with("relation", relation.map(|relation| json!(relation)))
            .with("rate_cm_min", self.rate.map(|rate| json!(rate)))
            .with("drops", text(&self.drops))
            .with("part", text(&self.part))
            .with("face", text(&self.face))
            .with("places", self.places.map(|places| json!(places)))
            .with("rig", text(&self.rig))
            .with("temperature_c", self.temperature.map(|c| json!(c)));
        save(app, &said)
    }
}

/// A burn test.
#[derive(Debug, Clone, Args)]
pub struct BurnArgs {
    /// A part of the name or the tag; then the hours: 7.5, 7:30.
    #[arg(required = true, value_names = ["ITEM", "HOURS"], num_args = 1..)]
    pub words: Vec<String>,
    /// In which mode: high, 200 lm.
    #[arg(long)]
    pub mode: Option<String>,
    /// How cold or warm it was, in degrees Celsius.
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub temperature: Option<f64>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl BurnArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        let missing = Missing {
            what: "how long it burnt",
            question: "how long did it burn? hours > ",
            example: "as in: tare log burn lamp 7.5, or 7:30",
        };
        let (items, hours) = typed::last(app, &self.words, &missing, |word| typed::hours(word).ok())?;
        let said = self
            .common
            .said(&items, LogEvent::BurnTest)
            .with("burn_h", Some(json!(hours)))
            .with("mode", text(&self.mode))
            .with("temperature_c", self.temperature.map(|c| json!(c)));
        save(app, &said)
    }
}

/// A retirement.
#[derive(Debug, Clone, Args)]
pub struct RetireArgs {
    /// Parts of names or tags; several items are apart by commas.
    #[arg(required = true, value_name = "ITEM")]
    pub items: Vec<String>,
    /// Why; asked for when left out.
    #[arg(long, value_parser = ["leak", "delamination", "seam", "zip", "elastic", "lost", "other"])]
    pub reason: Option<String>,
    /// When, and a note.
    #[command(flatten)]
    pub common: Common,
}

impl RetireArgs {
    pub(super) fn save(&self, app: &mut App<'_>) -> Result<()> {
        let said = self.common.said(&self.items, LogEvent::Retire);
        save(app, &said.with("reason", text(&self.reason)))
    }
}
