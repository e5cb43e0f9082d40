//! Item after item from a scale that sends its readings, while a person types: what settles waits until it is named,
//! nothing is taken without being confirmed, and a scale that falls silent does not end the sitting.

use std::collections::VecDeque;
use std::time::Duration;

use domain::wire::item::ItemKind;
use domain::wire::weighing::Source;

use super::WeighArgs;
use super::check::{self, Known};
use super::conditions::Conditions;
use super::keys::{self, Line};
use super::pick;
use super::screen::{Block, Screen};
use super::session::{Session, Target};
use super::sitting::{Placed, corrected, undone};
use super::stream::{Heard, Watch};
use super::taken::Taken;
use crate::app::App;
use crate::error::Result;
use crate::local::ItemLine;
use crate::scale::{ScaleEvent, ScaleInput, ScaleStream};
use crate::ui::{Typed, Ui};

/// How long the scale is waited for before the keyboard is looked at.
const WAIT: Duration = Duration::from_millis(40);
/// The most events taken in between two looks at the keyboard.
const AT_ONCE: usize = 64;

/// What the next line or the next settled load is for.
#[derive(Debug, Clone, PartialEq)]
enum Asking {
    /// Items.
    Items,
    /// Which check weight, or none.
    CheckWeight,
    /// The reading of this check weight.
    Check(Known),
    /// Which of these a typed name means; the last weighing is corrected when `other` is set.
    Which { meant: Vec<(String, Target)>, other: bool },
}

/// A sitting at a live scale.
struct Live<'a> {
    screen: Screen,
    watch: Watch,
    asking: Asking,
    /// Settled loads without an item, the oldest first.
    waiting: VecDeque<Taken>,
    likely: Vec<ItemLine>,
    conditions: Conditions,
    usual: &'a Conditions,
    kind: Option<ItemKind>,
    ended: bool,
}

/// Weighs what a scale sends, asking what each load is.
///
/// # Errors
/// When the check weight given is none, or the store cannot be read.
pub fn weigh_live(
    app: &mut App<'_>,
    session: &mut Session<'_>,
    args: &WeighArgs,
    mut input: Box<dyn ScaleInput>,
    watch: Watch,
) -> Result<()> {
    let described = input.describe();
    let keyboard = app.ui.take_keyboard();
    let block = keyboard.is_some() && !args.lines && !app.env.only_appends;
    let mut live = Live {
        screen: if block { Screen::Block(Block::default()) } else { Screen::Lines },
        watch,
        asking: Asking::Items,
        waiting: VecDeque::new(),
        likely: Vec::new(),
        conditions: args.conditions.clone(),
        usual: &args.conditions,
        kind: pick::kind(args.kind.as_deref())?,
        ended: false,
    };
    let title = format!(
        "weighing {}'s kit on {}, which reads to {}, from the {described}",
        session.room.name, session.scale.name, session.scale.resolution
    );
    if !block {
        app.ui.say(&crate::render::wrapped(0, &title));
        app.ui.say("Enter takes the likely item; w wet, f full, x3 units, u undo, o NAME other,\ns skip, c 200 check, q end");
    }
    live.start(app.ui, session, args)?;
    let Some(keyboard) = keyboard else { return live.by_turns(app.ui, session, input.as_mut()) };
    let mut stream = ScaleStream::start(input)?;
    live.title(session)?;
    live.screen.refresh(app.ui, false);
    loop {
        let mut typed = if live.ended {
            keyboard.typed(Duration::from_millis(200))
        } else {
            let mut event = stream.next_event(WAIT);
            for _ in 0..AT_ONCE {
                let Some(happened) = event.take() else { break };
                live.heard(app.ui, session, &happened)?;
                if live.ended {
                    break;
                }
                event = stream.next_event(Duration::ZERO);
            }
            keyboard.typed(Duration::ZERO)
        };
        let mut entered = false;
        while let Typed::Line(line) = typed {
            entered = true;
            if live.typed(app.ui, session, &line)? == Placed::End {
                live.leave(app.ui);
                return Ok(());
            }
            typed = keyboard.typed(Duration::ZERO);
        }
        if typed == Typed::End {
            live.leave(app.ui);
            return Ok(());
        }
        live.title(session)?;
        live.screen.refresh(app.ui, entered);
    }
}

impl Live<'_> {
    fn start(&mut self, ui: &mut Ui, session: &mut Session<'_>, args: &WeighArgs) -> Result<()> {
        match args.check.as_deref().map(|text| text.split_once('=').ok_or(text)) {
            Some(Ok((known, shown))) => {
                let known = Known::read(known, args.check_u.as_deref())?;
                for words in check::record(session, known, &Taken::typed(shown)?)? {
                    self.screen.say(ui, &words);
                }
            }
            Some(Err(known)) => self.asking = Asking::Check(Known::read(known, args.check_u.as_deref())?),
            None if args.no_check => {}
            None => self.asking = Asking::CheckWeight,
        }
        self.offer(ui, session)
    }

    /// With answers that are not typed at a terminal: a line is read whenever something is asked.
    fn by_turns(&mut self, ui: &mut Ui, session: &mut Session<'_>, input: &mut dyn ScaleInput) -> Result<()> {
        loop {
            let wants = match self.asking {
                Asking::Items => !self.waiting.is_empty(),
                Asking::CheckWeight | Asking::Which { .. } => true,
                Asking::Check(_) => false,
            };
            if !wants && !self.ended {
                if let Some(event) = input.next_event() {
                    self.heard(ui, session, &event)?;
                }
                continue;
            }
            if !wants {
                self.leave(ui);
                return Ok(());
            }
            let line = ui.line()?;
            if line.is_none() || self.typed(ui, session, &line.unwrap_or_default())? == Placed::End {
                self.leave(ui);
                return Ok(());
            }
        }
    }

    /// Says what goes unsaved.
    fn leave(&mut self, ui: &mut Ui) {
        for taken in self.waiting.drain(..) {
            ui.say(&format!("{} was not saved: no item was named", taken.reading));
        }
    }

    fn title(&mut self, session: &Session<'_>) -> Result<()> {
        let Screen::Block(block) = &mut self.screen else { return Ok(()) };
        let now = session.store.env().now();
        let (weighed, all) = session.store.weighed_since(session.room.id, pick::season_start(now))?;
        let season =
            if all == 0 { String::new() } else { format!(", {weighed} of {all} weighed this season") };
        block.title = format!(
            "{}'s kit on {} ({}): {} saved{season}",
            session.room.name,
            session.scale.name,
            session.scale.resolution,
            session.standing().count()
        );
        block.now = self.watch.now().to_owned();
        Ok(())
    }

    fn heard(&mut self, ui: &mut Ui, session: &mut Session<'_>, event: &ScaleEvent) -> Result<()> {
        let Heard { taken, words, ended } = self.watch.hear(event);
        for words in words {
            self.screen.say(ui, &words);
        }
        for mut taken in taken {
            taken.at = Some(session.store.env().now());
            if let Asking::Check(known) = self.asking {
                self.check(ui, session, known, taken)?;
                continue;
            }
            if self.asking == Asking::CheckWeight {
                self.screen
                    .say(ui, &format!("{} waits: first say whether it is a check weight", taken.reading));
            } else if !self.waiting.is_empty() {
                self.screen.say(ui, &format!("{} waits its turn", taken.reading));
            }
            self.waiting.push_back(taken);
            if self.waiting.len() == 1 && self.asking == Asking::Items {
                self.offer(ui, session)?;
            }
        }
        if ended {
            self.ended = true;
            if self.waiting.is_empty() {
                self.offer(ui, session)?;
            }
        }
        Ok(())
    }

    /// Says what is asked now.
    fn offer(&mut self, ui: &mut Ui, session: &Session<'_>) -> Result<()> {
        let words = match &self.asking {
            Asking::CheckWeight => "check weight? type its grams, or Enter to skip".to_owned(),
            Asking::Check(known) => {
                format!("put the check weight of {} on, alone; Enter to skip it", known.mass)
            }
            Asking::Which { meant, .. } => {
                let lines: Vec<String> =
                    meant.iter().enumerate().map(|(at, (words, _))| format!("{} {words}", at + 1)).collect();
                format!("which? type its number: {}", lines.join("; "))
            }
            Asking::Items => match self.waiting.front() {
                None if self.ended => "type what a scale shows, or q to end".to_owned(),
                None => match self.conditions.describe().as_str() {
                    "" => "put the next item on".to_owned(),
                    words => format!("put the next item on ({words})"),
                },
                Some(taken) => {
                    self.likely = pick::likely(session, self.conditions.unit_g(taken.reading))?;
                    let conditions = self.conditions.describe();
                    let shown = format!("{} {conditions}", taken.reading);
                    match self.likely.as_slice() {
                        [] => format!("{}: what is it? a part of its name, or a new name", shown.trim_end()),
                        [first, rest @ ..] => {
                            let others: Vec<&str> =
                                rest.iter().take(2).map(|line| line.name.as_str()).collect();
                            let others = if others.is_empty() {
                                String::new()
                            } else {
                                format!(" (or {})", others.join(", "))
                            };
                            format!(
                                "{} [{}] Enter takes it, or type a name{others}",
                                shown.trim_end(),
                                first.name
                            )
                        }
                    }
                }
            },
        };
        self.screen.offer(ui, &words);
        Ok(())
    }

    fn check(&mut self, ui: &mut Ui, session: &mut Session<'_>, known: Known, taken: Taken) -> Result<()> {
        match check::record(session, known, &taken) {
            Ok(words) => {
                for words in words {
                    self.screen.say(ui, &words);
                }
                self.asking = Asking::Items;
            }
            Err(error) => {
                self.screen.say(ui, &error.to_string());
                self.asking = Asking::Check(known);
                if taken.source != Source::Typed {
                    // It was something, so that it is not lost: most likely the first item.
                    self.screen.say(ui, &format!("{} waits its turn as an item", taken.reading));
                    self.waiting.push_back(taken);
                }
            }
        }
        self.offer(ui, session)
    }

    fn typed(&mut self, ui: &mut Ui, session: &mut Session<'_>, line: &str) -> Result<Placed> {
        let read = keys::read(line, &self.conditions);
        if read == Line::Quit {
            return Ok(Placed::End);
        }
        match std::mem::replace(&mut self.asking, Asking::Items) {
            Asking::Items => self.item_line(ui, session, read)?,
            Asking::CheckWeight => match read {
                Line::Text(text) => self.begin_check(ui, session, &text)?,
                Line::Enter | Line::Skip => {}
                _ => {
                    self.screen.say(ui, "first the check weight: its grams, or Enter to skip");
                    self.asking = Asking::CheckWeight;
                }
            },
            Asking::Check(known) => match read {
                Line::Enter | Line::Skip => self.screen.say(ui, "no check weight, then"),
                Line::Text(text) => match Taken::typed(&text) {
                    Ok(taken) => return self.check(ui, session, known, taken).map(|()| Placed::Done),
                    Err(error) => {
                        self.screen.say(ui, &error.to_string());
                        self.asking = Asking::Check(known);
                    }
                },
                _ => {
                    self.screen.say(ui, "first the check weight, or Enter to skip it");
                    self.asking = Asking::Check(known);
                }
            },
            Asking::Which { mut meant, other } => {
                let at = line.trim().parse::<usize>().ok().filter(|at| (1..=meant.len()).contains(at));
                match (at, read) {
                    (Some(at), _) => self.place(ui, session, &meant.swap_remove(at - 1).1, other),
                    (None, Line::Enter | Line::Skip) => self.screen.say(ui, "nothing was chosen"),
                    (None, Line::Text(text)) => self.name(ui, session, &text, other)?,
                    (None, _) => {
                        self.screen.say(ui, "first which: its number, more of the name, or Enter for none");
                        self.asking = Asking::Which { meant, other };
                    }
                }
            }
        }
        self.offer(ui, session)?;
        Ok(Placed::Done)
    }

    fn item_line(&mut self, ui: &mut Ui, session: &mut Session<'_>, read: Line) -> Result<()> {
        match read {
            Line::Quit => {}
            Line::Undo => {
                let words = undone(session)?;
                self.screen.saved(ui, &words);
            }
            Line::Keys(changed) => self.conditions = changed,
            Line::Check(text) => self.begin_check(ui, session, &text)?,
            Line::Other(name) => self.name(ui, session, &name, true)?,
            Line::Skip => {
                let words = match self.waiting.pop_front() {
                    Some(taken) => format!("{} was let go", taken.reading),
                    None => "there is no reading to let go".to_owned(),
                };
                self.screen.say(ui, &words);
            }
            Line::Enter => match (self.waiting.front(), self.likely.first().cloned()) {
                (None, _) => {}
                (Some(_), Some(likely)) => self.place(ui, session, &pick::there(likely), false),
                (Some(_), None) => {
                    self.screen.say(ui, "type a part of the item's name, a new name, or s to let it go");
                }
            },
            Line::Text(text) => match (Taken::typed(&text), self.waiting.front()) {
                (Ok(taken), None) => self.waiting.push_back(taken),
                (Ok(_), Some(waiting)) => {
                    let words = format!(
                        "{text} is a reading, and {} has no item yet: name it, or s to let it go (+{text} makes an item \
                         of that name)",
                        waiting.reading
                    );
                    self.screen.say(ui, &words);
                }
                (Err(_), Some(_)) => self.name(ui, session, &text, false)?,
                (Err(error), None) if text.starts_with(|c: char| c.is_ascii_digit()) => {
                    self.screen.say(ui, &error.to_string());
                }
                (Err(_), None) => {
                    self.screen
                        .say(ui, "nothing has settled yet: put the item on and wait, or type what it weighs");
                }
            },
        }
        Ok(())
    }

    fn begin_check(&mut self, ui: &mut Ui, session: &mut Session<'_>, text: &str) -> Result<()> {
        let (known, shown) = text.split_once('=').map_or((text, None), |(known, shown)| (known, Some(shown)));
        match (Known::read(known, None), shown.map(Taken::typed)) {
            (Ok(known), None) => {
                self.asking = Asking::Check(known);
                // It may have settled while its mass was being typed.
                let resolution = session.scale.resolution;
                let at = self.waiting.iter().position(|taken| known.can_read(taken.reading, resolution));
                if let Some(taken) = at.and_then(|at| self.waiting.remove(at)) {
                    self.check(ui, session, known, taken)?;
                }
            }
            (Ok(known), Some(Ok(taken))) => self.check(ui, session, known, taken)?,
            (Err(error), _) | (_, Some(Err(error))) => self.screen.say(ui, &error.to_string()),
        }
        Ok(())
    }

    /// What a name means: at once when it is clear, else a question.
    fn name(&mut self, ui: &mut Ui, session: &mut Session<'_>, text: &str, other: bool) -> Result<()> {
        let mut meant = pick::candidates(session, text, self.kind)?;
        if meant.len() == 1 {
            let target = meant.swap_remove(0).1;
            self.place(ui, session, &target, other);
        } else {
            self.asking = Asking::Which { meant, other };
        }
        Ok(())
    }

    fn place(&mut self, ui: &mut Ui, session: &mut Session<'_>, target: &Target, other: bool) {
        if other {
            match corrected(session, target) {
                Ok(words) => self.screen.saved(ui, &words),
                Err(error) => self.screen.say(ui, &error.to_string()),
            }
            return;
        }
        let Some(taken) = self.waiting.front() else { return };
        match session.save(taken, target, &self.conditions) {
            Ok(saved) => {
                self.screen.saved(ui, &saved.describe());
                self.waiting.pop_front();
                self.conditions = self.usual.clone();
            }
            Err(error) => self.screen.say(ui, &error.to_string()),
        }
    }
}
