//! Ledgers: they close, they match, they say what they do not know.

use domain::ledger::{SealedSet, Side, ledger, whole_grams};
use domain::no_estimate::NoEstimate;
use domain::wire::ledger::{
    LedgerLine, LedgerPartKind, LedgerScope, LedgerSideKind, LedgerView, SharedErrors,
};
use domain::wire::seal::Snapshot;
use proptest::prelude::*;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::rows::{numbers, read};

pub fn id(n: u64) -> Uuid {
    Uuid::from_u64_pair(0x0190_0000_0000_7000, 0x8000_0000_0000_0000 | n)
}

/// An entry of item `item`, measured to 0.5 g, stowed.
pub fn entry(item: u64, kind: &str, grams: f64) -> Value {
    json!({
        "entry_id": id(1000 + item), "item_id": id(item), "name": format!("{kind} {item}"), "kind": kind,
        "quantity": 1, "carry_place": "stowed", "unit_mass_g": grams, "unit_mass_u_g": 0.5,
        "mass_basis": "measured", "mass_n": 3, "last_weighed_at": "2026-02-01T09:00:00Z"
    })
}

/// An entry with some fields set otherwise; a null takes one out.
pub fn with(mut entry: Value, fields: Value) -> Value {
    for (name, value) in fields.as_object().unwrap() {
        if value.is_null() {
            entry.as_object_mut().unwrap().remove(name);
        } else {
            entry[name] = value.clone();
        }
    }
    entry
}

pub fn snapshot(entries: Vec<Value>) -> Snapshot {
    let nothing = json!({"value_g": 0});
    serde_json::from_value(json!({
        "taken_at": "2026-08-28T04:00:00Z", "entries": entries,
        "carried": {"start_g": nothing, "max_g": nothing}, "total_start_g": nothing
    }))
    .unwrap()
}

pub fn side<'a>(n: u64, name: &'a str, sets: &'a [Snapshot]) -> Side<'a> {
    let set = |(at, snapshot): (usize, &'a Snapshot)| SealedSet {
        loadout_id: id(n * 100 + at as u64),
        name: "a race",
        sealed_at: format!("2026-08-{:02}T04:00:00Z", 1 + at % 28).parse().unwrap(),
        snapshot,
    };
    let kind = if sets.len() == 1 { LedgerSideKind::Loadout } else { LedgerSideKind::Season };
    Side { kind, id: id(n), name, sets: sets.iter().enumerate().map(set).collect() }
}

fn between(before: Vec<Value>, after: Vec<Value>) -> LedgerView {
    let (before, after) = ([snapshot(before)], [snapshot(after)]);
    ledger(&side(1, "spring", &before), &side(2, "autumn", &after), LedgerScope::Carried).unwrap()
}

fn lines(view: &LedgerView, part: LedgerPartKind) -> Vec<&LedgerLine> {
    view.parts.iter().filter(|one| one.part == part).flat_map(|one| &one.lines).collect()
}

fn change(view: &LedgerView, part: LedgerPartKind) -> f64 {
    view.parts.iter().filter(|one| one.part == part).map(|one| one.change_g).sum()
}

fn mg(grams: f64) -> i64 {
    (grams * 1000.0).round() as i64
}

fn assert_closes(view: &LedgerView) {
    let lines: i64 =
        view.parts.iter().flat_map(|part| &part.lines).map(|line| mg(line.change_g.unwrap())).sum();
    let parts: i64 = view.parts.iter().map(|part| mg(part.change_g)).sum();
    assert_eq!(lines, mg(view.change_g));
    assert_eq!(parts, mg(view.change_g));
    assert_eq!(mg(view.to.known_g) - mg(view.from.known_g), mg(view.change_g));
    assert_eq!(view.unexplained_g, 0.0);
    assert_eq!(whole_grams(view).iter().map(|(_, g)| g).sum::<i64>(), view.change_g.round() as i64);
}

#[test]
fn ledger_each_cause_has_its_part() {
    let view = between(
        vec![
            entry(1, "shell_jacket", 412.0),
            entry(2, "vest", 300.0),
            with(entry(3, "food", 40.0), json!({"quantity": 10})),
            entry(4, "compass", 30.0),
            with(entry(5, "soft_flask", 35.0), json!({"fill_ml": 500})),
            entry(6, "map", 20.0),
            with(entry(8, "first_aid", 2.5), json!({"quantity": 4})),
            entry(10, "gloves", 60.0),
        ],
        vec![
            entry(9, "shell_jacket", 292.0),
            with(entry(2, "vest", 304.2), json!({"last_weighed_at": "2026-08-01T09:00:00Z"})),
            with(entry(3, "food", 40.0), json!({"quantity": 8})),
            with(entry(5, "soft_flask", 35.0), json!({"fill_ml": 600})),
            entry(6, "map", 20.0),
            entry(7, "whistle", 12.0),
            with(entry(8, "first_aid", 2.5), json!({"quantity": 6})),
            with(entry(10, "gloves", 60.0), json!({"carry_place": "on_body"})),
        ],
    );
    assert_closes(&view);
    // By hand: -120 +4.2 -80 -30 +100 +12 +5 -60.
    assert_eq!(view.change_g, -168.8);
    assert_eq!(change(&view, LedgerPartKind::Swapped), -120.0);
    assert_eq!(change(&view, LedgerPartKind::HeavierOrLighter), 4.2);
    assert_eq!(change(&view, LedgerPartKind::Expendables), 20.0);
    assert_eq!(change(&view, LedgerPartKind::Dropped), -30.0);
    assert_eq!(change(&view, LedgerPartKind::Added), 12.0);
    assert_eq!(change(&view, LedgerPartKind::MoreOrFewer), 5.0);
    assert_eq!(change(&view, LedgerPartKind::Moved), -60.0);
    assert_eq!((view.unchanged, view.lines_known, view.unknown.len()), (2, 8, 0));
    let swap = lines(&view, LedgerPartKind::Swapped)[0];
    assert_eq!(swap.name, "shell_jacket 1 -> shell_jacket 9");
    // Two masses to 0.5 g each: sqrt 2 / 2.
    assert_eq!(swap.change_u_g, Some((0.5_f64.sqrt() * 1e4).round() / 1e4));
    // Not weighed anew: two units more of one mass, 2 x 0.5 g.
    assert_eq!(lines(&view, LedgerPartKind::MoreOrFewer)[0].change_u_g, Some(1.0));
    assert_eq!(
        view.sentences[0],
        "169 g lighter, carried at the start: 1,767 g (spring) to 1,598 g (autumn)."
    );
}

#[test]
fn ledger_unknown_mass_is_named_and_never_zero() {
    let unknown = json!({"unit_mass_g": null, "unit_mass_u_g": null, "mass_basis": "none", "mass_n": 0});
    let view = between(
        vec![
            entry(1, "shell_jacket", 412.0),
            with(entry(2, "map", 0.0), unknown.clone()),
            entry(3, "vest", 300.0),
        ],
        vec![
            with(entry(4, "shell_jacket", 0.0), unknown.clone()),
            with(entry(2, "map", 0.0), unknown.clone()),
            entry(3, "vest", 300.0),
            with(entry(5, "whistle", 0.0), unknown),
        ],
    );
    assert_closes(&view);
    // The known shell opposite the unknown one is left out with it.
    assert_eq!((view.change_g, view.from.known_g, view.to.known_g), (0.0, 300.0, 300.0));
    assert_eq!((view.unknown.len(), view.unchanged, view.lines_known), (3, 1, 0));
    let swap = view.unknown.iter().find(|line| line.part == LedgerPartKind::Swapped).unwrap();
    assert_eq!((swap.before_g, swap.after_g, swap.change_g), (Some(412.0), None, None));
    assert!(
        view.sentences.iter().any(|s| s.contains("whistle 5") && s.contains("map 2")),
        "{:?}",
        view.sentences
    );
}

#[test]
fn ledger_shared_errors_take_the_larger_figure() {
    // Ten things left out, 0.5 g each: 1.58 g when independent, 5 g when one scale was off for all.
    let before = (1..=10).map(|n| entry(n, "other", 50.0)).chain([entry(11, "vest", 300.0)]).collect();
    let view = between(before, vec![entry(11, "vest", 300.0)]);
    assert_eq!((view.change_u_g, view.change_u_by), (Some(5.0), Some(SharedErrors::OneScale)));
    // Swapped one for one, one scale's error cancels; what is left is that of masses by themselves.
    let view = between(vec![entry(1, "vest", 300.0)], vec![entry(2, "vest", 250.0)]);
    assert_eq!(
        (view.change_u_g, view.change_u_by),
        (Some((0.5_f64.sqrt() * 1e4).round() / 1e4), Some(SharedErrors::Independent))
    );
}

#[test]
fn ledger_scope_total_sees_what_is_on_the_body() {
    let worn = json!({"carry_place": "on_body"});
    let before = [snapshot(vec![entry(1, "gloves", 60.0), with(entry(2, "shoes", 600.0), worn.clone())])];
    let after =
        [snapshot(vec![with(entry(1, "gloves", 60.0), worn.clone()), with(entry(2, "shoes", 600.0), worn)])];
    let (from, to) = (side(1, "a", &before), side(2, "b", &after));
    let carried = ledger(&from, &to, LedgerScope::Carried).unwrap();
    assert_eq!((carried.change_g, change(&carried, LedgerPartKind::Moved)), (-60.0, -60.0));
    let total = ledger(&from, &to, LedgerScope::Total).unwrap();
    assert_eq!((total.change_g, total.unchanged), (0.0, 2));
}

#[test]
fn ledger_nothing_to_compare_is_refused() {
    let empty = [snapshot(vec![])];
    let one = ledger(&side(1, "a", &empty), &side(2, "b", &empty), LedgerScope::Carried);
    assert!(matches!(one, Err(NoEstimate::TooFew { got: 0, .. })));
    let none = ledger(&side(1, "a", &[]), &side(2, "b", &empty), LedgerScope::Carried);
    assert!(matches!(none, Err(NoEstimate::TooFew { got: 0, .. })));
}

/// T22: totals of five and of four races; scipy's `ttest_ind(equal_var=False)`.
#[test]
fn ledger_season_totals_agree_with_the_published_test() {
    let rows = read("trends/trends.csv");
    let row = rows.iter().find(|row| row.text("check_id") == "T22").unwrap();
    let (first, second) = row.text("input").split_once('|').unwrap();
    let sets = |text: &str, item: u64| -> Vec<Snapshot> {
        numbers(text).iter().map(|total| snapshot(vec![entry(item, "vest", total.value)])).collect()
    };
    let (before, after) = (sets(first, 1), sets(second, 2));
    let view = ledger(&side(1, "2025", &before), &side(2, "2026", &after), LedgerScope::Carried).unwrap();
    assert_closes(&view);
    assert_eq!(view.change_g, -373.75);
    let found = view.statistics.unwrap().totals.unwrap();
    let expected = numbers(row.text("expected"));
    let [difference, t, dof, p, low, high] = [0, 1, 2, 3, 4, 5].map(|at| expected[at].value);
    let near = |got: f64, want: f64| assert!((got - want).abs() <= 1e-3, "{got} is not {want}");
    near(found.difference_g, -difference);
    near(found.t, -t);
    near(found.dof, dof);
    near(found.p, p);
    near(found.low_g, -high);
    near(found.high_g, -low);
}

/// T17 to T19: Student's sleep data as differences of ten things that are in both seasons.
#[test]
fn ledger_same_things_agree_with_the_published_tests() {
    let rows = read("trends/trends.csv");
    let row = |id: &str| rows.iter().find(|row| row.text("check_id") == id).unwrap();
    let (first, second) = row("T17").text("input").split_once('|').unwrap();
    // Masses are not negative: both groups are 100 g up, which no difference sees.
    let set = |text: &str| {
        let values = numbers(text);
        let values = values.iter().enumerate();
        snapshot(values.map(|(at, value)| entry(at as u64 + 1, "other", 100.0 + value.value)).collect())
    };
    let (before, after) = (vec![set(first), set(first)], vec![set(second), set(second)]);
    let view = ledger(&side(1, "2025", &before), &side(2, "2026", &after), LedgerScope::Carried).unwrap();
    assert_closes(&view);
    let statistics = view.statistics.unwrap();
    assert!(statistics.why_no_totals.unwrap().contains("there are 2 and 2"));
    let found = statistics.same_things.unwrap();
    let paired = numbers(row("T18").text("expected"));
    // t, df, p, then the interval of first less second.
    assert!((found.p - paired[2].value).abs() < 1e-5);
    assert!((found.low_g + paired[4].value).abs() < 1e-5 && (found.high_g + paired[3].value).abs() < 1e-5);
    let ranks = numbers(row("T19").text("expected"));
    assert!((found.p_signed_rank.unwrap() - ranks[1].value).abs() < 1e-8);
    assert_eq!((found.n, found.n_changed), (10, 9));
}

#[test]
fn ledger_season_thirds_of_a_milligram_close() {
    // One of 0.001 g in 1 of 3 sets against none: a third of a milligram rounds to nothing.
    let before = [snapshot(vec![entry(9, "vest", 1.0)])];
    let thing = |n: u64| entry(n, "other", 0.001);
    let after: Vec<Snapshot> = (1..=3).map(|n| snapshot(vec![entry(9, "vest", 1.0), thing(n)])).collect();
    let view = ledger(&side(1, "a", &before), &side(2, "b", &after), LedgerScope::Carried).unwrap();
    assert_closes(&view);
    assert_eq!(view.change_g, 0.001);
    let mut changes: Vec<i64> =
        lines(&view, LedgerPartKind::Added).iter().map(|line| mg(line.change_g.unwrap())).collect();
    changes.sort_unstable();
    assert_eq!(changes, [0, 0, 1]);
}

const KINDS: [&str; 5] = ["shell_jacket", "gloves", "food", "soft_flask", "other"];

fn any_entry() -> impl Strategy<Value = Value> {
    let places = prop_oneof![Just("stowed"), Just("in_hand"), Just("on_body"), Just("drop_bag")];
    (0u64..12, prop::option::weighted(0.9, 0i64..900_000), 1u32..5, places, prop::option::of(0u32..1000))
        .prop_map(|(item, mass, quantity, place, fill)| {
            let kind = KINDS[item as usize % KINDS.len()];
            let fields = json!({
                "quantity": quantity, "carry_place": place,
                "fill_ml": fill.filter(|_| kind == "soft_flask"),
                "unit_mass_g": mass.map(|mg| mg as f64 / 1000.0),
                "mass_basis": if mass.is_some() { "measured" } else { "none" },
            });
            with(entry(item, kind, 0.0), fields)
        })
}

fn any_side(sets: std::ops::Range<usize>) -> impl Strategy<Value = Vec<Vec<Value>>> {
    prop::collection::vec(prop::collection::vec(any_entry(), 0..14), sets)
}

proptest! {
    #[test]
    fn ledger_any_two_sides_close_and_no_order_shows(before in any_side(1..5), after in any_side(1..5), turn in 0usize..14) {
        let make = |sets: &[Vec<Value>]| sets.iter().cloned().map(snapshot).collect::<Vec<Snapshot>>();
        let (first, second) = (make(&before), make(&after));
        let (from, to) = (side(1, "a", &first), side(2, "b", &second));
        let Ok(view) = ledger(&from, &to, LedgerScope::Carried) else { return Ok(()) };
        assert_closes(&view);
        // Entries and sets in another order.
        let turned = |sets: &[Vec<Value>]| {
            make(&sets.iter().map(|set| {
                let mut set = set.clone();
                if !set.is_empty() {
                    let at = turn % set.len();
                    set.rotate_left(at);
                }
                set
            }).collect::<Vec<_>>())
        };
        let (first, second) = (turned(&before), turned(&after));
        let (mut from, mut to) = (side(1, "a", &first), side(2, "b", &second));
        from.sets.reverse();
        to.sets.reverse();
        let again = ledger(&from, &to, LedgerScope::Carried).unwrap();
        prop_assert_eq!(again.change_g, view.change_g);
        prop_assert_eq!(&again.parts, &view.parts);
        prop_assert_eq!(&again.unknown, &view.unknown);
        // And back is the same the other way round.
        let back = ledger(&to, &from, LedgerScope::Carried).unwrap();
        prop_assert_eq!(mg(back.change_g), -mg(view.change_g));
        prop_assert_eq!(back.unknown.len(), view.unknown.len());
    }
}
