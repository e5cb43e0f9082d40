//! Pictures: well-formed, told in words, readable in black and white.

use domain::item_trends::{head_forecast, mass_trend};
use domain::ledger::ledger;
use domain::picture::{TERMINAL_WIDTH, head_svg, ledger_svg, ledger_text, mass_svg};
use domain::wire::ledger::{LedgerScope, LedgerView};
use proptest::prelude::*;
use serde_json::json;

use crate::item_trends::{garment_log, shell, weighings_of_a_vest};
use crate::ledger::{entry, side, snapshot, with};

/// Two seasons of an invented runner.
fn seasons() -> LedgerView {
    let day = json!({"last_weighed_at": "2026-05-01T09:00:00Z"});
    let before: Vec<_> = (0..4)
        .map(|race| {
            let mut set = vec![
                with(entry(1, "shell_jacket", 412.0), json!({"name": "maker A shell, blue"})),
                with(entry(2, "vest", 305.2), json!({"name": "race vest 12 l"})),
                with(entry(3, "food", 40.0), json!({"name": "gel", "quantity": 12 - race})),
                with(entry(4, "compass", 32.0), json!({"name": "compass"})),
                with(
                    entry(5, "soft_flask", 35.0),
                    json!({"name": "soft flask", "fill_ml": 500, "quantity": 2}),
                ),
                with(entry(6, "gloves", 61.5), json!({"name": "fleece gloves <thick> & \"warm\""})),
            ];
            if race % 2 == 0 {
                set.push(with(entry(7, "poles", 388.0), json!({"name": "folding poles"})));
            }
            snapshot(set)
        })
        .collect();
    let after: Vec<_> = (0..3)
        .map(|race| {
            let mut set = vec![
                with(
                    entry(9, "shell_jacket", 318.4),
                    json!({"name": "maker B shell with a very long name indeed"}),
                ),
                with(with(entry(2, "vest", 309.8), json!({"name": "race vest 12 l"})), day.clone()),
                with(entry(3, "food", 40.0), json!({"name": "gel", "quantity": 10 - race})),
                with(
                    entry(5, "soft_flask", 35.0),
                    json!({"name": "soft flask", "fill_ml": 600, "quantity": 2}),
                ),
                with(entry(10, "gloves", 44.0), json!({"name": "knitted gloves"})),
                with(entry(11, "power_bank", 118.0), json!({"name": "power bank"})),
                with(
                    entry(12, "map", 0.0),
                    json!({"name": "map, laminated", "mass_basis": "none", "unit_mass_g": null}),
                ),
            ];
            if race != 1 {
                set.push(with(entry(7, "poles", 388.0), json!({"name": "folding poles"})));
            }
            snapshot(set)
        })
        .collect();
    ledger(&side(1, "season 2025", &before), &side(2, "season 2026", &after), LedgerScope::Carried).unwrap()
}

/// Checks a picture, and leaves it where a person can look at it.
fn assert_picture(name: &str, svg: &str, must_say: &[&str]) {
    let path = format!("{}/{name}.svg", env!("CARGO_TARGET_TMPDIR"));
    std::fs::write(path, svg).unwrap();
    let document = roxmltree::Document::parse(svg).unwrap_or_else(|error| panic!("{name}: {error}\n{svg}"));
    let root = document.root_element();
    assert_eq!(root.tag_name().name(), "svg");
    assert_eq!(root.attribute("role"), Some("img"));
    let told = root.attribute("aria-labelledby").unwrap();
    for one in told.split(' ') {
        let found = document.descendants().find(|node| node.attribute("id") == Some(one)).unwrap();
        assert!(!found.text().unwrap().trim().is_empty(), "{name}: {one} is empty");
    }
    let number = |text: &str| text.parse::<f64>().unwrap();
    let width = number(root.attribute("width").unwrap());
    let height = number(root.attribute("height").unwrap());
    let colours = ["black", "white", "none", "url(#less)", "url(#more)", "url(#dots)"];
    for node in document.descendants().filter(roxmltree::Node::is_element) {
        for paint in [node.attribute("fill"), node.attribute("stroke")].into_iter().flatten() {
            assert!(colours.contains(&paint), "{name}: {paint} is a colour");
        }
        if node.tag_name().name() == "text" {
            let (x, y) = (number(node.attribute("x").unwrap()), number(node.attribute("y").unwrap()));
            let size = number(node.attribute("font-size").unwrap());
            // Two thirds of the size a letter is generous for a sans-serif.
            let long = node.text().unwrap_or("").chars().count() as f64 * size * 0.62;
            let left = match node.attribute("text-anchor") {
                Some("end") => x - long,
                Some("middle") => x - long / 2.0,
                _ => x,
            };
            assert!(left > -20.0 && left + long < width + 40.0, "{name}: {:?} leaves the field", node.text());
            assert!((0.0..=height).contains(&y), "{name}: {:?} leaves the field", node.text());
        }
    }
    let all: String = document.descendants().filter_map(|node| node.text()).collect::<Vec<_>>().join("\n");
    for words in must_say {
        assert!(all.contains(words), "{name} does not say {words:?}:\n{all}");
    }
}

#[test]
fn ledger_svg_tells_every_line_and_what_is_not_in_the_sum() {
    let view = seasons();
    assert_eq!(view.unexplained_g, 0.0);
    let says = [
        "season 2025",
        "season 2026",
        "power bank",
        "map, laminated",
        "fleece gloves <thick> & \"warm\"",
        "swap",
    ];
    assert_picture("ledger", &ledger_svg(&view), &says);
}

#[test]
fn ledger_text_fits_a_terminal() {
    let view = seasons();
    let lines = ledger_text(&view, TERMINAL_WIDTH, true);
    std::fs::write(format!("{}/ledger.txt", env!("CARGO_TARGET_TMPDIR")), lines.join("\n")).unwrap();
    assert!(lines.iter().all(|line| line.chars().count() <= TERMINAL_WIDTH && line.is_ascii()), "{lines:#?}");
    for words in
        ["power bank", "compass", "season 2025, mean of 4 sealed sets", "Nothing is left unexplained"]
    {
        assert!(lines.iter().any(|line| line.contains(words)), "{words}: {lines:#?}");
    }
    let narrow = ledger_text(&view, 60, true);
    assert!(narrow.iter().all(|line| line.chars().count() <= 60), "{narrow:#?}");
}

#[test]
fn mass_svg_shows_points_line_and_n() {
    let (item, facts, weighings, evidence) = weighings_of_a_vest(0.012, 0.0);
    let view = mass_trend("race vest <12 l>", item, facts, &weighings, &evidence);
    assert_picture("mass", &mass_svg(&view), &["g/year", "n = 12 days", "race vest <12 l>"]);
    let none = mass_trend("race vest", item, facts, &[], &evidence);
    assert_picture("mass-none", &mass_svg(&none), &["no weighing that counts"]);
}

#[test]
fn head_svg_shows_tests_band_limit_and_day() {
    let (log, now) = garment_log();
    let view = head_forecast(&shell(20_000), &log, now, "2026-08-28".parse().unwrap(), 10_000.0);
    assert_picture("head", &head_svg(&view), &["limit 10,000 mm", "asked for: 2026-08-28", "median"]);
    let none = head_forecast(&shell(20_000), &[], now, "2026-08-28".parse().unwrap(), 10_000.0);
    assert_picture("head-none", &head_svg(&none), &["No head test is logged"]);
}

proptest! {
    #[test]
    fn ledger_svg_any_name_is_well_formed(name in "\\PC{0,80}", other in any::<String>(), grams in 0.0f64..1e5) {
        let grams = (grams * 1000.0).round() / 1000.0;
        let before = [snapshot(vec![with(entry(1, "vest", grams), json!({"name": name}))])];
        let after = [snapshot(vec![with(entry(2, "vest", 7.5), json!({"name": other}))])];
        let view = ledger(&side(1, &name, &before), &side(2, &other, &after), LedgerScope::Carried).unwrap();
        let svg = ledger_svg(&view);
        prop_assert!(roxmltree::Document::parse(&svg).is_ok(), "{}", svg);
        let lines = ledger_text(&view, 80, true);
        prop_assert!(lines.iter().all(|line| line.is_ascii() && !line.chars().any(char::is_control)));
    }
}
