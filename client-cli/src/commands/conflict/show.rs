//! `tare conflict show`.

use domain::wire::conflict::About;

use super::ConflictShowArgs;
use super::list::{as_json, block};
use super::subject::{fields, tell};
use super::things::{Thing, What, numbered};
use crate::app::App;
use crate::error::Result;

/// Shows one with everything that is known, and what each side would do.
///
/// # Errors
/// When there is none of this number.
pub fn cmd_conflict_show(app: &mut App<'_>, args: &ConflictShowArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let thing = numbered(&store, &room, args.no)?;
    let told = tell(&store, &room, &thing)?;
    if app.ui.json {
        return app.ui.json(&as_json(&thing, &told));
    }
    let mut text = block(&thing, &told);
    if let What::Conflict(body) = &thing.what {
        if let Some(base) = &body.base {
            text.push_str(&format!("    before both   {}\n", fields(Some(base))));
        }
        if !body.units.is_empty() {
            text.push_str(&format!("    in question   {}\n", body.units.join(", ").replace('_', " ")));
        }
    }
    for (side, words) in sides(&thing) {
        text.push_str(&format!("    {side:<5} {words}\n"));
    }
    app.ui.data(&text)
}

/// What each side does when it is chosen.
fn sides(thing: &Thing) -> Vec<(&'static str, &'static str)> {
    match &thing.what {
        What::Conflict(body) => match body.about {
            About::DoubleSupersede => vec![
                ("a", "the first correction holds, the others are voided"),
                ("b", "the last correction holds, the others are voided"),
                ("both", "all of them stay"),
            ],
            About::StateHeads => vec![
                ("a", "a further event says what the first one says"),
                ("b", "a further event says what the last one says"),
            ],
            About::DeletedVsFact => vec![("a", "it stays deleted"), ("b", "it is brought back")],
            _ => vec![("a", "what stands stays"), ("b", "the other value takes its place")],
        },
        What::Refused(_) => vec![
            ("a", "your change is put aside; it stays on this device and is sent no more"),
            ("b", "your change is made again, on what stands now"),
        ],
        What::Lost(_) => vec![
            ("a", "it stays as the service has it now"),
            ("b", "what this device has is sent as a change of yours"),
        ],
    }
}
