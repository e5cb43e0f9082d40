//! How a kitroom's turn ended, in plain words: what, why, what to do next. Whatever it is, nothing is lost.

use domain::sync::client::End;
use domain::wire::problem::ErrorCode;
use domain::wire::sync::SCHEMA_VERSION;

use crate::error::Error;
use crate::local::Kitroom;
use crate::remote::Failure;
use crate::render::count;

/// None when all went well. `unsent` is how many changes wait in the kitroom.
pub(super) fn trouble(end: &End, room: &Kitroom, unsent: i64, failure: Option<&Failure>) -> Option<Error> {
    let name = &room.name;
    Some(match end {
        End::Synced => return None,
        End::Unreachable { after_ms } => unreachable(&format!("{name} was not synced"), *after_ms, unsent, failure),
        End::LoggedOut => logged_out(unsent),
        End::Schema { min, current } => schema((*min, *current), unsent),
        End::Absent => Error::refused(format!("the service no longer knows {name}"))
            .because("it was restored from a backup made before, or whoever runs it took the kitroom away")
            .hint(format!(
                "ask whoever runs it. {name} stays on this device as it is, {} included",
                count(unsent, "unsent change")
            )),
        End::Gap { last_op_no } => Error::refused(format!("{name} was not sent"))
            .because(format!(
                "the service has this device's changes up to number {last_op_no}, and the next ones are not here any more: \
                 the data on this device was put back to an older state, or the service was"
            ))
            .hint(format!(
                "to go on without them: tare sync --reset. It gets {name} anew and sends {} after that",
                count(unsent, "unsent change")
            )),
        End::Unsteady(_) => Error::refused(format!("{name} was not received whole"))
            .because("the service's copy of it was another one each time")
            .hint("try again in a while: tare sync; nothing was changed on this device"),
        End::Refused(problem) if problem.code() == Some(ErrorCode::NotFound) => {
            Error::of_problem(format!("the service does not show {name}"), problem.clone()).hint(
                "you may have been removed from it just now; nothing was changed on this device. Try again: tare sync",
            )
        }
        End::Refused(problem) => {
            let error = Error::of_problem(format!("{name} was not synced"), problem.clone());
            let kept = format!("nothing is lost: {} kept on this device", wait(unsent));
            error.hint(kept)
        }
    })
}

fn wait(unsent: i64) -> String {
    match unsent {
        1 => "1 change is".to_owned(),
        n => format!("{n} changes are"),
    }
}

/// The login is gone, the work is not.
pub(super) fn logged_out(unsent: i64) -> Error {
    let mut error = Error::refused("this device's login is no longer good")
        .because("its token was ended or has run out; somebody may have taken it off the account's list of devices")
        .hint(format!("log in again: tare link URL; {} safe on this device", wait(unsent)));
    error.problem = Some(Box::new(domain::wire::problem::Problem::new(
        ErrorCode::NotAuthenticated,
        "the token is not accepted",
    )));
    error
}

pub(super) fn schema((min, current): (i32, i32), unsent: i64) -> Error {
    let newer = SCHEMA_VERSION > current;
    let todo = if newer { "ask whoever runs the service to update it" } else { "update tare" };
    Error::refused("this tare and the service do not speak the same version")
        .because(format!(
            "the service takes changes in versions {min} to {current}, this tare writes {SCHEMA_VERSION}"
        ))
        .hint(format!("{todo}; what is new there was received, and {} kept to be sent then", wait(unsent)))
}

/// No answer, or none that helps.
pub(super) fn unreachable(
    what: &str,
    after_ms: Option<u64>,
    unsent: i64,
    failure: Option<&Failure>,
) -> Error {
    let why = match failure {
        Some(Failure::Lost(why)) => why.clone(),
        Some(Failure::Busy { status, .. }) => format!("the service answered {status} each time it was asked"),
        _ => "there was no answer".to_owned(),
    };
    let when = match after_ms {
        Some(ms) if ms >= 1000 => format!("it asks to be left alone for {}", pause(ms / 1000)),
        _ => "try again when there is a line: tare sync".to_owned(),
    };
    Error::unreachable(what)
        .because(why)
        .hint(format!("nothing is lost: {} kept on this device; {when}", wait(unsent)))
}

fn pause(seconds: u64) -> String {
    match seconds {
        0..120 => format!("{seconds} s"),
        120..7200 => format!("{} min", seconds.div_ceil(60)),
        _ => format!("{} h", seconds.div_ceil(3600)),
    }
}
