//! Trying again: exponential backoff with full jitter, never earlier than the service asks for.

use std::time::Duration;

use domain::sync::client::{Patience, backoff};
use rand::Rng;

use super::{Answer, Failure};
use crate::config::Env;

/// Calls until there is an answer that will not change, or the tries are used up: for the few calls that the sync machine
/// does not make, with its pauses.
///
/// # Errors
/// The last failure.
pub fn persist<T>(env: &Env, mut call: impl FnMut() -> Answer<T>) -> Answer<T> {
    let patience = Patience::SHORT;
    let mut failures = 0;
    loop {
        let failure = match call() {
            Err(failure @ (Failure::Lost(_) | Failure::Busy { .. })) => failure,
            other => return other,
        };
        failures += 1;
        let asked = match &failure {
            Failure::Busy { after: Some(after), .. } => u64::try_from(after.as_millis()).ok(),
            _ => None,
        };
        let tried = patience.tries.is_some_and(|tries| failures >= tries);
        if tried || asked.is_some_and(|asked| asked > patience.longest_asked_ms) {
            return Err(failure);
        }
        let ms = backoff(failures, patience.longest_ms, asked, rand::rng().random());
        (env.pause)(Duration::from_millis(ms));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::{Arc, Mutex};

    fn env() -> (Env, Arc<Mutex<Vec<Duration>>>) {
        let pauses = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&pauses);
        let mut env = Env::at(std::path::Path::new("unused"));
        env.pause = Arc::new(move |pause| kept.lock().unwrap().push(pause));
        (env, pauses)
    }

    #[test]
    fn persist_service_that_recovers_is_waited_for_as_it_asks() {
        let (env, pauses) = env();
        let mut calls = 0;
        let answer = persist(&env, || {
            calls += 1;
            let busy = Failure::Busy { status: 429, after: Some(Duration::from_secs(3)) };
            if calls < 3 { Err(busy) } else { Ok(calls) }
        });
        assert_eq!(answer, Ok(3));
        let asked = Duration::from_secs(3);
        let pauses = pauses.lock().unwrap().clone();
        assert!(pauses.len() == 2 && pauses.iter().all(|p| (asked..asked * 2).contains(p)), "{pauses:?}");
    }

    #[test]
    fn persist_refusal_is_final_and_a_dead_line_is_given_up() {
        let (env, pauses) = env();
        let problem = domain::wire::problem::Problem::new(domain::wire::problem::ErrorCode::Forbidden, "no");
        let refused = persist::<()>(&env, || Err(Failure::Refused(problem.clone())));
        assert_eq!(refused, Err(Failure::Refused(problem)));
        assert!(pauses.lock().unwrap().is_empty());

        let lost = persist::<()>(&env, || Err(Failure::Lost("no route".to_owned())));
        assert_eq!(lost, Err(Failure::Lost("no route".to_owned())));
        let pauses = pauses.lock().unwrap().clone();
        assert_eq!(pauses.len(), 3);
        assert!(pauses.iter().zip([500, 1000, 2000]).all(|(p, most)| p.as_millis() <= most));
    }

    #[test]
    fn persist_pause_longer_than_a_person_waits_is_not_waited_for() {
        let (env, pauses) = env();
        let busy = Failure::Busy { status: 503, after: Some(Duration::from_secs(3600)) };
        assert_eq!(persist::<()>(&env, || Err(busy.clone())), Err(busy.clone()));
        assert!(pauses.lock().unwrap().is_empty());
    }
}
