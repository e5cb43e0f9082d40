//! What every command has at hand.

use domain::kinds::{self, Kind};
use domain::sync::record::Stored;
use domain::wire::kitroom::Purpose;
use serde_json::Value;
use uuid::Uuid;

use crate::config::Env;
use crate::error::{Error, Result};
use crate::local::{ItemLine, Kitroom, Store, named};
use crate::render;
use crate::ui::Ui;

/// One run of one command.
pub struct App<'a> {
    /// Its surroundings.
    pub env: &'a Env,
    /// Where it prints and asks.
    pub ui: &'a mut Ui,
    /// The kitroom named on the command line.
    pub kitroom: Option<String>,
}

impl App<'_> {
    /// Opens the replica.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn store(&self) -> Result<Store> {
        Store::open(self.env)
    }

    /// The kitroom that the command is about: the named one, else the one in use.
    ///
    /// # Errors
    /// When there is none, or it is not clear which.
    pub fn room(&mut self, store: &Store) -> Result<Kitroom> {
        if let Some(name) = self.kitroom.clone() {
            return self.room_named(store, &name);
        }
        if let Some(room) = store.current_kitroom()? {
            return Ok(room);
        }
        let rooms = store.kitrooms()?;
        if rooms.is_empty() {
            return Err(Error::refused("there is no kitroom on this device yet")
                .hint("make one: tare kitroom new NAME; or get yours from a service: tare link URL"));
        }
        let names: Vec<String> = rooms.iter().map(|room| room.name.clone()).collect();
        let at = self.choose("whose kit?", &names, "tare kitroom use NAME, or --kitroom NAME")?;
        store.use_kitroom(rooms[at].id)?;
        Ok(rooms[at].clone())
    }

    /// The kitroom of this name, or with this in its name.
    ///
    /// # Errors
    /// When there is none, or more than one.
    pub fn room_named(&mut self, store: &Store, name: &str) -> Result<Kitroom> {
        let wanted = crate::local::items::fold(name);
        let rooms = store.kitrooms()?;
        let fold = |room: &Kitroom| crate::local::items::fold(&room.name);
        let mut found: Vec<&Kitroom> = rooms.iter().filter(|room| fold(room) == wanted).collect();
        if found.is_empty() {
            found = rooms.iter().filter(|room| fold(room).contains(&wanted)).collect();
        }
        match found.as_slice() {
            [] => {
                Err(Error::refused(format!("no kitroom here is called {name}"))
                    .hint("see: tare kitroom list"))
            }
            [one] => Ok((*one).clone()),
            several => {
                let names: Vec<String> = several.iter().map(|room| room.name.clone()).collect();
                let at =
                    self.choose(&format!("several kitrooms match {name}:"), &names, "more of the name")?;
                Ok(several[at].clone())
            }
        }
    }

    /// The kitroom in use, made on the first run.
    ///
    /// # Errors
    /// When there is none and nobody can be asked.
    pub fn room_or_first(&mut self, store: &mut Store, whose: Option<&str>) -> Result<Kitroom> {
        if self.kitroom.is_some() || !store.kitrooms()?.is_empty() {
            return self.room(store);
        }
        let name = match whose {
            Some(name) => name.to_owned(),
            None if self.ui.can_ask => {
                let answer = self.ui.ask("whose kit is this? a name > ")?.unwrap_or_default();
                if answer.trim().is_empty() {
                    return Err(Error::refused("nothing was done").because("a kitroom needs a name"));
                }
                answer
            }
            None => {
                return Err(Error::usage("there is no kitroom on this device yet")
                    .hint("say whose kit it is: --whose NAME, or tare kitroom new NAME"));
            }
        };
        make_room(store, &name, Purpose::Personal)
    }

    /// The item that `text` means: a unique part of its name or tag, else a numbered choice.
    ///
    /// # Errors
    /// When none matches, or several do and nobody can be asked.
    pub fn item(&mut self, store: &Store, room: Uuid, text: &str) -> Result<ItemLine> {
        self.item_where(store, room, text, |_| true)
    }

    /// The same; where several match, those that `fit` go before the others: a retired twin is seldom meant.
    ///
    /// # Errors
    /// When none matches, or several do and nobody can be asked.
    pub fn item_where(
        &mut self,
        store: &Store,
        room: Uuid,
        text: &str,
        fit: impl Fn(&ItemLine) -> bool,
    ) -> Result<ItemLine> {
        let mut found = store.find_items(room, text)?;
        if found.iter().any(&fit) {
            found.retain(fit);
        }
        match found.len() {
            0 => Err(Error::refused(format!("no item here has {text} in its name or tag"))
                .hint("see: tare item list; make one: tare item add NAME")),
            1 => Ok(found.remove(0)),
            _ => {
                let lines: Vec<String> = found.iter().map(describe).collect();
                let at = self.choose(
                    &format!("several items match {text}:"),
                    &lines,
                    "more of the name, or the tag",
                )?;
                Ok(found.remove(at))
            }
        }
    }

    /// The record of a kind that `text` means: a unique part of its name, else a numbered choice, the newest first.
    ///
    /// # Errors
    /// When none matches, or several do and nobody can be asked.
    pub fn named(&mut self, store: &Store, room: Uuid, kind: &'static Kind, text: &str) -> Result<Stored> {
        let what = kind.name.replace('_', " ");
        let live = store.live(room, kind)?;
        match named::meant(&live, text).as_slice() {
            [] => {
                let none = format!("no {what} here has {text} in its name");
                Err(Error::refused(none).hint(see(kind, live.is_empty())))
            }
            [one] => Ok((*one).clone()),
            several => {
                let lines: Vec<String> = several.iter().map(|record| named::label(record)).collect();
                let at = self.choose(&format!("several match {text}:"), &lines, "more of the name")?;
                Ok(several[at].clone())
            }
        }
    }

    /// The named record, or the only one there is, else a numbered choice.
    ///
    /// # Errors
    /// When there is none, none matches, or several do and nobody can be asked.
    pub fn named_or_only(
        &mut self,
        store: &Store,
        room: Uuid,
        kind: &'static Kind,
        text: Option<&str>,
    ) -> Result<Stored> {
        if let Some(text) = text {
            return self.named(store, room, kind, text);
        }
        let what = kind.name.replace('_', " ");
        let mut live = store.live(room, kind)?;
        match live.len() {
            0 => Err(Error::refused(format!("there is no {what} here yet")).hint(see(kind, true))),
            1 => Ok(live.remove(0)),
            _ => {
                let lines: Vec<String> = live.iter().map(named::label).collect();
                let at = self.choose(&format!("which {what}?"), &lines, "a part of its name")?;
                Ok(live.remove(at))
            }
        }
    }

    /// A yes or no; `otherwise` is what Enter means, and what is taken when nobody can be asked.
    ///
    /// # Errors
    /// When the input cannot be read.
    pub fn yes(&mut self, question: &str, otherwise: bool) -> Result<bool> {
        if !self.ui.can_ask {
            return Ok(otherwise);
        }
        let keys = if otherwise { "[y]/n" } else { "y/[n]" };
        let answer = self.ui.ask(&format!("{question} {keys} > "))?.unwrap_or_default();
        Ok(match answer.trim().to_lowercase().as_str() {
            "" => otherwise,
            "y" | "yes" => true,
            _ => false,
        })
    }

    /// Lets a person choose by number.
    ///
    /// # Errors
    /// Refused with the candidates when nobody can be asked, or the answer is none of them.
    pub fn choose(&mut self, question: &str, candidates: &[String], instead: &str) -> Result<usize> {
        const SHOWN: usize = 20;
        if !self.ui.can_ask {
            let mut list = candidates.iter().take(SHOWN).cloned().collect::<Vec<_>>().join("; ");
            if candidates.len() > SHOWN {
                list.push_str(&format!("; and {} more", candidates.len() - SHOWN));
            }
            return Err(Error::usage(format!("{question} {list}")).hint(format!("give {instead}")));
        }
        self.ui.say(question);
        for (at, candidate) in candidates.iter().take(SHOWN).enumerate() {
            self.ui.say(&format!("  {:>2}  {candidate}", at + 1));
        }
        if candidates.len() > SHOWN {
            self.ui.say(&format!("      and {} more", candidates.len() - SHOWN));
        }
        let answer = self.ui.ask("number > ")?.unwrap_or_default();
        let chosen = answer.trim().parse::<usize>().ok().filter(|n| (1..=candidates.len()).contains(n));
        chosen
            .map(|n| n - 1)
            .ok_or_else(|| Error::refused("nothing was chosen").hint(format!("give {instead}")))
    }

    /// Rows: a table on a terminal, plain rows in a pipe, JSON when that is asked for.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn rows(
        &mut self,
        header: &[&str],
        rows: &[Vec<String>],
        json: impl FnOnce() -> Value,
    ) -> Result<()> {
        if self.ui.json {
            self.ui.json(&json())
        } else if self.ui.out_is_terminal {
            self.ui.data(&render::table(header, rows))
        } else {
            self.ui.data(&render::plain(rows))
        }
    }

    /// What a command did: JSON on standard output when that is asked for, else a line for the person.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn done(&mut self, words: &str, json: impl FnOnce() -> Value) -> Result<()> {
        if self.ui.json {
            self.ui.json(&json())
        } else {
            self.ui.say(words);
            Ok(())
        }
    }
}

/// Where to look, or how to begin.
fn see(kind: &'static Kind, none: bool) -> String {
    let (list, make) = match kind.name {
        name if name == kinds::rule_sheet::KIND.name => ("tare sheet list", "tare sheet import FILE"),
        name if name == kinds::race::KIND.name => ("tare race list", "tare race add"),
        name if name == kinds::loadout::KIND.name => ("tare loadout list", "tare loadout new RACE"),
        name if name == kinds::season::KIND.name => ("tare season list", "tare season list"),
        _ => ("tare item list", "tare item add NAME"),
    };
    if none { format!("make one: {make}") } else { format!("see: {list}; make one: {make}") }
}

/// Makes a kitroom after checking its name.
///
/// # Errors
/// When the name is empty, too long or holds control characters.
pub fn make_room(store: &mut Store, name: &str, purpose: Purpose) -> Result<Kitroom> {
    let name = domain::wire::text::Name::new(name)
        .map_err(|why| Error::refused("the kitroom was not made").because(format!("its name {why}")))?;
    store.make_kitroom(name.as_str(), purpose)
}

/// An item in one line.
#[must_use]
pub fn describe(line: &ItemLine) -> String {
    let mut words = line.name.clone();
    for detail in [Some(&line.kind), line.size.as_ref(), line.tag.as_ref()].into_iter().flatten() {
        words.push_str(&format!(", {detail}"));
    }
    let (mass, _) = render::mass(line.mass.as_ref());
    let marks = render::state_marks(line.state.state.name(), line.stock.stock);
    format!("{words}, {mass}{marks}")
}
