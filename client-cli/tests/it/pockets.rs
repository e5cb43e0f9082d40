//! Pockets of a vest.

use client_cli::error::Kind;
use serde_json::json;

use crate::devices::Device;

#[test]
fn pocket_is_made_changed_listed_and_removed() {
    let device = Device::with_kit();
    device.run(&["weigh", "vest", "280", "--new"]).well();
    let none = device.run_at_terminal(&["item", "pocket", "vest"], "").well();
    assert!(none.err.contains("vest has no pockets yet"), "{}", none.err);
    let unsaid = device.run(&["item", "pocket", "vest", "front-left"]);
    assert_eq!(unsaid.code, Kind::Usage.exit_code());
    assert!(unsaid.err.contains("--reach moving"), "{}", unsaid.err);
    let made = device
        .run(&["item", "pocket", "vest", "front-left", "--reach", "moving", "--volume-ml", "600"])
        .well();
    assert!(
        made.err.contains("vest: front-left, while moving, 600 ml; saved on this device"),
        "{}",
        made.err
    );
    let same = device.run(&["item", "pocket", "vest", "Front-left", "--reach", "moving"]).well();
    assert!(same.err.contains("it was so already"), "{}", same.err);
    let change = ["--reach", "at-stop", "--mass-cap", "0.5 kg", "--waterproof", "true", "--side", "left"];
    device.run(&[&["item", "pocket", "vest", "front-left"][..], &change].concat()).well();
    let list = device.run(&["item", "pocket", "vest", "--json"]).well().json();
    let pocket = &list["pockets"][0];
    assert_eq!(
        (&pocket["reach"], &pocket["mass_cap_g"], &pocket["side"]),
        (&json!("at_stop"), &json!(500), &json!("left"))
    );
    device.run(&["item", "pocket", "vest", "front-left", "--rename", "chest"]).well();
    let table = device.run_at_terminal(&["item", "pocket", "vest"], "").well().out;
    assert!(table.contains("chest") && table.contains("keeps rain out"), "{table}");
    device.run(&["item", "pocket", "vest", "chest", "--remove"]).well();
    let gone = device.run(&["item", "pocket", "vest", "chest", "--remove"]);
    assert!(gone.err.contains("has no pocket called chest"), "{}", gone.err);
}

#[test]
fn pocket_with_something_in_it_is_not_removed() {
    let device = Device::with_loadout();
    let ran = device.run(&["item", "pocket", "vest", "back", "--remove"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("put what is in it somewhere else first"), "{}", ran.err);
    let wrong = device.run(&["item", "pocket", "vest", "hip", "--reach", "soon"]);
    assert_eq!(wrong.code, Kind::Usage.exit_code());
    let far = device.run(&["item", "pocket", "vest", "hip", "--reach", "moving", "--volume-ml", "-1"]);
    assert_ne!(far.code, 0);
}
