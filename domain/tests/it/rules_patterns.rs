//! The 34 patterns of mandatory kit rules, each with a loadout that passes, one that fails and one that cannot be
//! shown. The patterns and their thresholds are common practice in the sport, without a source.

use std::collections::BTreeSet;

use domain::rules::{CAUTION, check};
use serde_json::Value as Json;

use crate::rules_support::{kit, race, sheet};

const PATTERNS: &str = include_str!("../../../fixtures/rules/patterns.json");

#[test]
fn check_each_pattern_judged_as_written() {
    let patterns: Vec<Json> = serde_json::from_str(PATTERNS).unwrap();
    let numbers: Vec<u64> = patterns.iter().map(|p| p["pattern"].as_u64().unwrap()).collect();
    assert_eq!(numbers, (1..=34).collect::<Vec<_>>());
    let mut wrong = Vec::new();
    for pattern in &patterns {
        let title = format!("pattern {} ({})", pattern["pattern"], pattern["title"]);
        let sheet = sheet(&pattern["rules"]);
        let mut seen = BTreeSet::new();
        for case in pattern["cases"].as_array().unwrap() {
            let kind = case["case"].as_str().unwrap();
            seen.insert(kind);
            let kit = kit(&case["kit"]);
            let race = race(&[&pattern["race"], &case["race"]]);
            let result = check(&sheet, &kit.candidates, &kit.offers, &race);
            assert_eq!(result.caution, CAUTION);
            let expected = case["expect"].as_object().unwrap();
            assert_eq!(expected.len(), result.verdicts.len(), "{title}: every rule has an expected verdict");
            // A case of its name must hold a verdict of its name, else it would check nothing.
            let named = match kind {
                "pass" => "met",
                "fail" => "not_met",
                other => other,
            };
            assert!(expected.values().any(|v| v == named), "{title} {kind}");
            for view in &result.verdicts {
                let got = serde_json::to_value(view.verdict).unwrap();
                if got != expected[&view.rule_id] {
                    wrong.push(format!("{title} {kind} `{}`: {got} for {}: {view:?}", view.rule_id, case));
                }
                if let Some(words) = case["note"][&view.rule_id].as_str()
                    && !view.note.contains(words)
                {
                    wrong.push(format!(
                        "{title} {kind} `{}`: note \"{}\" lacks \"{words}\"",
                        view.rule_id, view.note
                    ));
                }
                assert!(!view.note.is_empty(), "{title} {kind} `{}` has no note", view.rule_id);
            }
        }
        assert!(["pass", "fail", "not_shown"].iter().all(|k| seen.contains(k)), "{title}: {seen:?}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
