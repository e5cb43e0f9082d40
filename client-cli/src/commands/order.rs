//! Records in an order in which each comes after those of its kind that it refers to.

use std::collections::HashMap;

use domain::kinds::Kind;
use domain::sync::op::Action;
use domain::wire::shape::Object;
use uuid::Uuid;

/// How a record of this kind is made; none for what only the service makes.
#[must_use]
pub fn making(kind: &Kind) -> Option<Action> {
    [Action::Append, Action::Create].into_iter().find(|action| kind.knows(*action))
}

/// The places of `records` in such an order; by id where it is free. In a circle, which no kind allows, the one that was
/// met first comes first.
#[must_use]
pub fn by_reference(kind: &'static Kind, records: &[(Uuid, &Object)]) -> Vec<usize> {
    let mut by_id: Vec<usize> = (0..records.len()).collect();
    by_id.sort_by_key(|at| records[*at].0);
    if kind.refs.iter().all(|reference| reference.kind != kind.name) {
        return by_id;
    }
    let place: HashMap<Uuid, usize> = records.iter().enumerate().map(|(at, (id, _))| (*id, at)).collect();
    let mut met = vec![false; records.len()];
    let mut order = Vec::with_capacity(records.len());
    for root in by_id {
        // Not recursive: a chain of corrections may be as long as the history.
        let mut stack = vec![(root, false)];
        while let Some((at, done)) = stack.pop() {
            if done {
                order.push(at);
                continue;
            }
            if std::mem::replace(&mut met[at], true) {
                continue;
            }
            stack.push((at, true));
            let targets = kind.references(records[at].1).filter(|(reference, _)| reference.kind == kind.name);
            stack.extend(
                targets.filter_map(|(_, id)| place.get(&id)).filter(|to| !met[**to]).map(|to| (*to, false)),
            );
        }
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::kinds;
    use serde_json::json;

    fn id(n: u64) -> Uuid {
        format!("0190a000-0000-7000-8000-{n:012}").parse().unwrap()
    }

    #[test]
    fn by_reference_what_is_referred_to_comes_first_also_in_long_chains() {
        let kind = &kinds::weighing::KIND;
        // Each is replaced by the one of the next smaller id.
        let n = 20_000;
        let bodies: Vec<Object> =
            (0..n).map(|at| json!({ "supersedes_id": id(at + 1) }).as_object().unwrap().clone()).collect();
        let records: Vec<(Uuid, &Object)> =
            bodies.iter().enumerate().map(|(at, body)| (id(at as u64), body)).collect();
        let order = by_reference(kind, &records);
        assert_eq!(order, (0..n as usize).rev().collect::<Vec<_>>());
    }

    #[test]
    fn by_reference_a_circle_ends() {
        let (a, b) = (json!({ "supersedes_id": id(2) }), json!({ "supersedes_id": id(1) }));
        let records = [(id(1), a.as_object().unwrap()), (id(2), b.as_object().unwrap())];
        assert_eq!(by_reference(&kinds::weighing::KIND, &records).len(), 2);
    }
}
