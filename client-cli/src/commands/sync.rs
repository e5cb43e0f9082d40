//! `tare sync`.

use serde_json::json;

use crate::app::App;
use crate::cli::SyncArgs;
use crate::error::{Error, Kind, Result};
use crate::local::Store;
use crate::remote::address::Address;
use crate::remote::client::HttpClient;
use crate::remote::token::Keeper;
use crate::render::count;
use crate::sync::{Answer, Question, Summary, run};
use crate::ui::Ui;

/// Sends what was done here and gets what was done elsewhere.
///
/// # Errors
/// When this device is not linked, or the service cannot be reached.
pub fn cmd_sync(app: &mut App<'_>, args: &SyncArgs) -> Result<Option<Kind>> {
    let mut store = app.store()?;
    let mut remote = linked(&store)?;
    let summary = run(&mut store, &mut remote, &mut |question| decide(app.ui, question, args))?;
    report(app, &store, &summary)
}

/// The service that this device is linked to.
///
/// # Errors
/// When it is linked to none, or its token cannot be read.
pub fn linked(store: &Store) -> Result<HttpClient> {
    let (Some(service), Some(keeper)) = (store.setting("service")?, store.setting("token_in")?) else {
        return Err(Error::refused("this device is not linked to a service")
            .because("everything is on this device only")
            .hint("tare link URL"));
    };
    let address = Address::parse(&service)?;
    let keeper = Keeper::from_name(&keeper)
        .ok_or_else(|| Error::internal("it is not known where the token is").hint("tare link URL"))?;
    let token = keeper.read(store.env(), &address)?;
    Ok(HttpClient::new(address)?.with_token(token))
}

/// Decides about two personal kitrooms: as the flags say, else the person, else nobody.
///
/// # Errors
/// When the answer cannot be read.
pub fn decide(ui: &mut Ui, question: &Question, args: &SyncArgs) -> Result<Answer> {
    if args.join || question.here_items == 0 {
        return Ok(Answer::Join);
    }
    if args.keep_apart {
        return Ok(Answer::Apart);
    }
    if !ui.can_ask {
        return Ok(Answer::Later);
    }
    ui.say(&format!(
        "here: {}, {}; on the service: {}, {}",
        question.here.name,
        count(question.here_items, "item"),
        question.there.name,
        count(question.there_items, "item")
    ));
    if !question.twins.is_empty() {
        ui.say(&format!("in both, and staying two things each: {}", question.twins.join(", ")));
    }
    let prompt = format!(
        "here {}, there {}: join [Enter] / keep apart [a] > ",
        count(question.here_items, "item"),
        question.there_items
    );
    Ok(match ui.ask(&prompt)?.as_deref().map(str::trim) {
        Some("" | "j" | "join") => Answer::Join,
        Some("a" | "apart" | "keep apart") => Answer::Apart,
        _ => Answer::Later,
    })
}

/// Says what a sync did, and what waits for the person.
///
/// # Errors
/// When a kitroom could not be synced, or the output cannot be written.
pub fn report(app: &mut App<'_>, store: &Store, summary: &Summary) -> Result<Option<Kind>> {
    for (name, file) in &summary.removed {
        app.ui.say(&format!("you are no longer in {name}; it is off this device"));
        if let Some(file) = file {
            app.ui.say(&format!("  what was not sent is in {}", file.display()));
        }
    }
    if !summary.twins.is_empty() {
        app.ui.say(&format!("two things each are called: {}", summary.twins.join(", ")));
    }
    let mut waiting = 0;
    for room in store.kitrooms()? {
        waiting += store.outbox_counts(room.id)?.rejected;
    }
    let mut words = format!("sent {}, received {}", summary.sent, summary.received);
    if waiting > 0 {
        words.push_str(&format!("; {} refused: tare conflict list", count(waiting, "change")));
    }
    let troubles: Vec<_> = summary
        .troubles
        .iter()
        .map(|trouble| json!({ "kitroom": trouble.kitroom, "error": trouble.error.to_json()["error"] }))
        .collect();
    app.done(&words, || {
        json!({
            "sent": summary.sent, "received": summary.received, "refused": summary.refused, "waiting": waiting,
            "removed": summary.removed.iter().map(|(name, _)| name).collect::<Vec<_>>(), "troubles": troubles,
        })
    })?;
    match summary.troubles.split_first() {
        None => Ok((waiting > 0).then_some(Kind::Waiting)),
        Some((first, rest)) => {
            for trouble in rest {
                app.ui.say(&format!("{}: {}", trouble.kitroom, trouble.error));
            }
            Err(first.error.clone())
        }
    }
}
