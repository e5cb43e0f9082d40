//! `tare conflict settle`.

use domain::kinds;
use domain::sync::client::recovery::Seen;
use domain::sync::op::Action;
use domain::wire::conflict::{About, ConflictBody, Keep, Settle};
use domain::wire::shape::Object;
use serde_json::{Value, json};

use super::list::block;
use super::subject::tell;
use super::things::{Thing, What, numbered, things};
use super::{ConflictSettleArgs, Side};
use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::{Draft, Kitroom, Lost, Store};
use crate::render::{count, wrapped};

/// Decides one, or asks about each.
///
/// # Errors
/// When there is none of this number, it is another's to decide, or the value does not fit.
pub fn cmd_conflict_settle(app: &mut App<'_>, args: &ConflictSettleArgs) -> Result<Option<Kind>> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    if let Some(side) = args.all_lost {
        return all_lost(app, &mut store, &room, side);
    }
    let Some(no) = args.no else { return walk(app, &mut store, &room) };
    let thing = numbered(&store, &room, no)?;
    if !args.value.is_empty() {
        let value = values(&args.value)?;
        give(&mut store, &room, &thing, value)?;
    } else {
        let side = args.side.ok_or_else(|| {
            Error::usage("which side holds?")
                .hint(format!("tare conflict settle {no} a, or b; see: tare conflict show {no}"))
        })?;
        decide(&mut store, &room, &thing, side)?;
    }
    finished(app, &mut store, &room, 1)
}

fn finished(app: &mut App<'_>, store: &mut Store, room: &Kitroom, decided: i64) -> Result<Option<Kind>> {
    let along = store.take_up_refused(room.id)?;
    let left = things(store, room)?.iter().filter(|thing| thing.mine).count();
    let left = i64::try_from(left).unwrap_or(i64::MAX);
    let mut words = match decided {
        0 => "nothing was decided".to_owned(),
        n => format!("{n} decided; it goes to the others at the next sync"),
    };
    if along > 0 {
        let refused = count(along, "refused change");
        let (goes, names) = if along == 1 { ("goes", "it names") } else { ("go", "they name") };
        words.push_str(&format!("; {refused} {goes} along, since what {names} is there again"));
    }
    if left > 0 {
        words.push_str(&format!("; {left} more to decide"));
    }
    app.done(
        wrapped(0, &words).trim_end(),
        || json!({ "decided": decided, "taken_up": along, "left": left }),
    )?;
    Ok((left > 0).then_some(Kind::Waiting))
}

/// Goes through all of them with the person.
fn walk(app: &mut App<'_>, store: &mut Store, room: &Kitroom) -> Result<Option<Kind>> {
    if !app.ui.can_ask {
        return Err(Error::usage("nobody is there to decide").hint("tare conflict settle NUMBER a, or b"));
    }
    let waiting: Vec<Thing> = things(store, room)?.into_iter().filter(|thing| thing.mine).collect();
    if waiting.is_empty() {
        app.ui.say("nothing waits for you");
        return Ok(None);
    }
    let mut decided = 0;
    for thing in &waiting {
        let told = tell(store, room, thing)?;
        app.ui.say(block(thing, &told).trim_end());
        let both = matches!(&thing.what, What::Conflict(body) if body.about == About::DoubleSupersede);
        let prompt = if both { "a / b / both / later [Enter] > " } else { "a / b / later [Enter] > " };
        let side = match app.ui.ask(prompt)?.as_deref().map(str::trim) {
            Some("a") => Side::A,
            Some("b") => Side::B,
            Some("both") if both => Side::Both,
            Some(_) => continue,
            None => break,
        };
        match decide(store, room, thing, side) {
            Ok(()) => decided += 1,
            // One that cannot be decided so holds up no other.
            Err(error) if error.kind == Kind::Refused => app.ui.say(&error.to_string()),
            Err(error) => return Err(error),
        }
    }
    finished(app, store, room, decided)
}

fn all_lost(app: &mut App<'_>, store: &mut Store, room: &Kitroom, side: Side) -> Result<Option<Kind>> {
    let mut decided = 0;
    let mut failed = Vec::new();
    for thing in things(store, room)? {
        let What::Lost(lost) = &thing.what else { continue };
        // Who says so for all has not looked at each.
        match decide_lost(store, room, &thing, lost, side, Seen::UpTo(lost.common)) {
            Ok(()) => decided += 1,
            Err(error) if error.kind == Kind::Refused => failed.push(format!("{}: {error}", thing.no)),
            Err(error) => return Err(error),
        }
    }
    for words in &failed {
        app.ui.say(words);
    }
    if !failed.is_empty() {
        let n = i64::try_from(failed.len()).unwrap_or(i64::MAX);
        app.ui.say(&format!("{} could not be made what they were; they keep waiting", count(n, "record")));
    }
    finished(app, store, room, decided)
}

/// Decides for a side.
fn decide(store: &mut Store, room: &Kitroom, thing: &Thing, side: Side) -> Result<()> {
    match (&thing.what, side) {
        (What::Conflict(body), side) => {
            let keep = match side {
                Side::A => Keep::Kept,
                Side::B => Keep::Offered,
                Side::Both if body.about == About::DoubleSupersede => Keep::Other,
                Side::Both => return Err(only_one(thing)),
            };
            settle(store, room, thing, Settle { keep, value: None })
        }
        (What::Lost(lost), side) => decide_lost(store, room, thing, lost, side, Seen::Both),
        (What::Refused(_), Side::Both) => Err(only_one(thing)),
        (What::Refused(op), Side::A) => store.put_aside(room.id, op.op_id).map(|_| ()),
        (What::Refused(op), Side::B) => {
            let kind = kinds::kind(&op.kind)
                .ok_or_else(|| Error::refused("this version of tare does not know its kind"))?;
            let draft =
                Draft { kind, record_id: op.record_id, action: op.action, payload: op.payload.clone() };
            store.act(room.id, &[draft])?;
            store.put_aside(room.id, op.op_id).map(|_| ())
        }
    }
}

/// Decides about a record that may have been lost, as far as the person has seen what became of it.
fn decide_lost(
    store: &mut Store,
    room: &Kitroom,
    thing: &Thing,
    lost: &Lost,
    side: Side,
    seen: Seen,
) -> Result<()> {
    match side {
        Side::A => store.leave_lost(room.id, lost.no),
        Side::B => store.send_lost(room.id, lost, seen),
        Side::Both => Err(only_one(thing)),
    }
}

fn only_one(thing: &Thing) -> Error {
    Error::usage("only one side can hold here").hint(format!("tare conflict settle {} a, or b", thing.no))
}

fn settle(store: &mut Store, room: &Kitroom, thing: &Thing, wish: Settle) -> Result<()> {
    if !thing.mine {
        return Err(Error::refused("this is not yours to decide")
            .because(format!("it waits for whoever made the offer, or a keeper of {}", room.name)));
    }
    let Value::Object(payload) = serde_json::to_value(&wish)? else {
        return Err(Error::internal("a wish is an object"));
    };
    let kind = &kinds::conflict::KIND;
    store.act(room.id, &[Draft { kind, record_id: thing.id, action: Action::Settle, payload }]).map(|_| ())
}

/// Decides for a value of one's own.
fn give(store: &mut Store, room: &Kitroom, thing: &Thing, value: Object) -> Result<()> {
    match &thing.what {
        What::Conflict(body) => {
            let value = with_the_rest(body, value);
            settle(store, room, thing, Settle { keep: Keep::Other, value: Some(value) })
        }
        _ => Err(Error::usage("a value of your own is for conflicts")
            .hint(format!("change the record itself, and settle {} with a", thing.no))),
    }
}

/// What is not given stays as it stands.
fn with_the_rest(body: &ConflictBody, value: Object) -> Object {
    let mut whole = body.kept.clone().unwrap_or_default();
    domain::sync::op::merge_patch(&mut whole, &value);
    whole
}

/// `size=XL`, `attributes.pleats=3`: a number or yes and no where it reads as one; quotes keep it a text.
fn values(given: &[String]) -> Result<Object> {
    let mut value = Object::new();
    for text in given {
        let wrong = || Error::usage(format!("{text} is not FIELD=VALUE")).hint("as in --value size=XL");
        let (field, said) = text.split_once('=').ok_or_else(wrong)?;
        let said = match said.trim() {
            "" => Value::Null,
            text => serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned())),
        };
        match field.trim().split_once('.') {
            Some((map, key)) => {
                let map = value.entry(map).or_insert_with(|| Value::Object(Object::new()));
                map.as_object_mut().ok_or_else(wrong)?.insert(key.to_owned(), said);
            }
            None => {
                value.insert(field.trim().to_owned(), said);
            }
        }
    }
    Ok(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_as_what_they_look_like() {
        let given: Vec<String> =
            ["size=XL", "head_mm=20000", "tag=", "attributes.hood=true", "size_text=\"7\"", "name=a=b"]
                .map(str::to_owned)
                .into();
        let wanted = json!({
            "size": "XL", "head_mm": 20000, "tag": null, "attributes": {"hood": true}, "size_text": "7", "name": "a=b",
        });
        assert_eq!(Value::Object(values(&given).unwrap()), wanted);
        assert_eq!(values(&["size".to_owned()]).unwrap_err().kind, Kind::Usage);
    }
}
