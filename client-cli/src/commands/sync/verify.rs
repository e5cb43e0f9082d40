//! `tare sync --verify`.

use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Kind, Result};
use crate::local::{Place, Store};
use crate::remote::client::HttpClient;
use crate::render::{count, wrapped};
use crate::sync::verify::{Compared, compare};
use crate::sync::{Answer, run};

/// How often a kitroom that others write to is caught up with.
const TRIES: usize = 3;

/// Compares every kitroom with the service, and says what differs and what to do.
///
/// # Errors
/// When the service does not answer.
pub fn verify(app: &mut App<'_>, store: &mut Store, client: &mut HttpClient) -> Result<Option<Kind>> {
    let mut rows = Vec::new();
    let mut documents: Vec<Value> = Vec::new();
    let mut differs = false;
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        let mut compared = compare(store, client, &room)?;
        for _ in 1..TRIES {
            if compared != Compared::Behind {
                break;
            }
            run(store, client, &mut |_| Ok(Answer::Later))?;
            compared = compare(store, client, &store.kitroom(room.id)?)?;
        }
        let (words, kinds) = match &compared {
            Compared::Same { records } => (format!("the same, {}", count(*records, "record")), json!({})),
            Compared::Behind => ("others are writing to it; try again in a moment".to_owned(), json!({})),
            Compared::Differs(kinds) => {
                differs = true;
                let parts: Vec<String> = kinds
                    .iter()
                    .map(|(kind, (here, there))| {
                        let kind = kind.replace('_', " ");
                        if here == there {
                            format!("{kind}: {here} each, not all alike")
                        } else {
                            format!("{kind}: {here} here, {there} there")
                        }
                    })
                    .collect();
                (format!("NOT THE SAME; {}", parts.join("; ")), json!(kinds))
            }
        };
        rows.push(vec![room.name.clone(), words]);
        documents.push(json!({
            "id": room.id, "name": room.name, "same": matches!(compared, Compared::Same { .. }),
            "behind": compared == Compared::Behind, "differs": kinds,
        }));
    }
    app.rows(&["kitroom", "beside the service"], &rows, || json!({ "verified": documents }))?;
    if differs {
        app.ui.say(&wrapped(
            0,
            "a difference means that a disk or a program has gone wrong, here or there. To get what the service has: tare \
             sync --reset. What you have not sent stays, and is sent. If this device is the one that is right, tell whoever \
             runs the service first",
        ));
    }
    Ok(differs.then_some(Kind::Refused))
}
