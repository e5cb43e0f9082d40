//! What a person sees of a sitting at a scale that sends its readings: a block of twelve lines that is redrawn in place
//! above the line where one types, or lines that are only ever appended.
//!
//! The terminal keeps its own line editing: nothing is switched off, so that nothing is left switched off when the
//! program is killed. The block needs four escapes that every terminal of the last decades has: up, down, erase line,
//! save and restore the cursor (ECMA-48; the latter two as DEC had them).

use std::collections::VecDeque;

use crate::render::wrapped_lines;
use crate::ui::Ui;

/// Lines above the one where one types.
pub const HEIGHT: usize = 11;
/// Columns that are used; the last one is left free, since some terminals wrap in it.
pub const WIDTH: usize = 79;

/// Lines for what was saved, and for what was said.
const SAVED: usize = 4;
const SAID: usize = 3;

const KEYS: &str = "keys: w wet  f full  x3 units  u undo  o NAME other  s skip  c 200 check  q end";

/// How it is shown.
pub enum Screen {
    /// Lines are appended.
    Lines,
    /// A block is redrawn.
    Block(Block),
}

/// What the block holds.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Block {
    /// Whose kit, on what.
    pub title: String,
    saved: VecDeque<String>,
    said: VecDeque<String>,
    /// What the scale shows.
    pub now: String,
    /// What is asked.
    pub offer: String,
    drawn: Option<Vec<String>>,
}

impl Block {
    /// Its lines: always [`HEIGHT`] of at most [`WIDTH`] columns.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![self.title.clone()];
        let pad = |lines: &mut Vec<String>, to: usize| lines.resize(to.max(lines.len()), String::new());
        lines.extend(self.saved.iter().cloned());
        pad(&mut lines, 1 + SAVED);
        let said: Vec<String> = self.said.iter().flat_map(|words| wrapped_lines(WIDTH - 2, words)).collect();
        lines.extend(said.iter().skip(said.len().saturating_sub(SAID)).map(|words| format!("  {words}")));
        pad(&mut lines, 1 + SAVED + SAID);
        lines.push(format!("scale: {}", self.now));
        lines.push(self.offer.clone());
        lines.push(KEYS.to_owned());
        lines.into_iter().map(|line| line.chars().take(WIDTH).collect()).collect()
    }
}

impl Screen {
    /// Words for the person.
    pub fn say(&mut self, ui: &mut Ui, words: &str) {
        match self {
            Self::Lines => ui.say(words),
            Self::Block(block) => {
                block.said.push_back(words.trim().replace('\n', " "));
                while block.said.len() > SAID {
                    block.said.pop_front();
                }
            }
        }
    }

    /// A line about something that is on disk now. What was said before it is done with.
    pub fn saved(&mut self, ui: &mut Ui, words: &str) {
        match self {
            Self::Lines => ui.say(words),
            Self::Block(block) => {
                block.said.clear();
                block.saved.push_back(words.to_owned());
                while block.saved.len() > SAVED {
                    block.saved.pop_front();
                }
            }
        }
    }

    /// What is asked now. Appended lines have it once, when it changes.
    pub fn offer(&mut self, ui: &mut Ui, words: &str) {
        match self {
            Self::Lines => ui.say(words),
            Self::Block(block) => block.offer = words.to_owned(),
        }
    }

    /// Draws the block if it has changed; `entered` says that a line was typed, so that the cursor has moved on.
    pub fn refresh(&mut self, ui: &mut Ui, entered: bool) {
        let Self::Block(block) = self else { return };
        let lines = block.lines();
        let Some(drawn) = &block.drawn else {
            let text: String = lines.iter().map(|line| format!("{line}\r\n")).collect();
            ui.draw(&format!("{text}> "));
            block.drawn = Some(lines);
            return;
        };
        let mut text = String::new();
        if entered {
            text.push_str("\x1b[1A\r\x1b[J> ");
        }
        if *drawn != lines {
            text.push_str(&format!("\x1b7\x1b[{HEIGHT}A\r"));
            for line in &lines {
                text.push_str(&format!("\x1b[2K{line}\x1b[1B\r"));
            }
            text.push_str("\x1b8");
        }
        if !text.is_empty() {
            ui.draw(&text);
        }
        block.drawn = Some(lines);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_whatever_is_said_are_eleven_of_at_most_79_columns() {
        let (mut ui, _) = Ui::captured("", true);
        let mut screen = Screen::Block(Block { title: "t".repeat(200), ..Block::default() });
        for n in 0..9 {
            screen.saved(&mut ui, &"saved ".repeat(n * 9));
            screen.say(&mut ui, &"word ".repeat(n * 20));
            screen.offer(&mut ui, &"offer ".repeat(n * 9));
            let Screen::Block(block) = &screen else { panic!() };
            let lines = block.lines();
            assert_eq!(lines.len(), HEIGHT);
            assert!(lines.iter().all(|line| line.chars().count() <= WIDTH), "{lines:?}");
        }
        assert!(KEYS.len() <= WIDTH, "{}", KEYS.len());
    }

    #[test]
    fn refresh_unchanged_block_draws_nothing_and_a_changed_one_keeps_the_cursor() {
        let (mut ui, seen) = Ui::captured("", true);
        let mut screen = Screen::Block(Block::default());
        screen.refresh(&mut ui, false);
        let first = seen.err();
        assert!(first.ends_with("\r\n> ") && first.lines().count() == HEIGHT + 1, "{first:?}");
        screen.refresh(&mut ui, false);
        assert_eq!(seen.err(), first);
        screen.say(&mut ui, "too much for this scale");
        screen.refresh(&mut ui, false);
        let change = seen.err()[first.len()..].to_owned();
        assert!(change.starts_with("\x1b7\x1b[11A\r") && change.ends_with("\x1b8"), "{change:?}");
        assert!(change.contains("too much for this scale"));
    }
}
