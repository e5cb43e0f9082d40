//! `tare sync`.

mod report;
mod verify;
mod watch;

use clap::Args;

use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::{Place, Store};
use crate::remote::address::Address;
use crate::remote::client::HttpClient;
use crate::remote::token::Keeper;
use crate::render::count;
use crate::sync::run::Wish;
use crate::sync::{Answer, Question, run_with};
use crate::ui::Ui;

pub use report::{clock_words, report, settle_place};

/// What to sync, and how long.
#[derive(Debug, Clone, Default, Args)]
pub struct SyncArgs {
    /// Go on syncing as things change, here or elsewhere, until Ctrl-C.
    #[arg(long, conflicts_with_all = ["verify", "reset"])]
    pub watch: bool,
    /// After syncing, compare every record with the service.
    #[arg(long)]
    pub verify: bool,
    /// Get everything anew from the service; what is not sent yet stays and is sent.
    #[arg(long)]
    pub reset: bool,
    /// What to do with two kitrooms of yours.
    #[command(flatten)]
    pub join: JoinArgs,
}

/// What to do with a kitroom of your own on this device when the account has one on the service.
#[derive(Debug, Clone, Default, Args)]
pub struct JoinArgs {
    /// A kitroom of yours is here and another on the service: put the two together.
    #[arg(long)]
    pub join: bool,
    /// A kitroom of yours is here and another on the service: leave this one here.
    #[arg(long, conflicts_with = "join")]
    pub keep_apart: bool,
}

/// Sends what was done here and gets what was done elsewhere.
///
/// # Errors
/// When this device is not linked, or the service cannot be reached.
pub fn cmd_sync(app: &mut App<'_>, args: &SyncArgs) -> Result<Option<Kind>> {
    let mut store = app.store()?;
    let mut remote = linked(&store)?;
    settle_place(app, &mut store, true)?;
    if args.watch {
        return watch::watch(app, &mut store);
    }
    let mut wish = Wish::default();
    if args.reset {
        let rooms = match app.kitroom {
            Some(_) => vec![app.room(&store)?],
            None => store.kitrooms()?,
        };
        wish.reset = rooms.iter().filter(|room| room.place == Place::Linked).map(|room| room.id).collect();
    }
    let summary =
        run_with(&mut store, &mut remote, &mut |question| decide(app.ui, question, &args.join), &wish)?;
    let done = report(app, &store, &summary);
    if !args.verify {
        return done;
    }
    let verified = verify::verify(app, &mut store, &mut remote)?;
    Ok(done?.or(verified))
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
pub fn decide(ui: &mut Ui, question: &Question, args: &JoinArgs) -> Result<Answer> {
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
