//! What every command has at hand.

use domain::wire::kitroom::Purpose;
use serde_json::Value;
use uuid::Uuid;

use crate::config::Env;
use crate::error::{Error, Result};
use crate::local::{ItemLine, Kitroom, Store};
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
        let mut found = store.find_items(room, text)?;
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
    format!("{words}, {mass}")
}
