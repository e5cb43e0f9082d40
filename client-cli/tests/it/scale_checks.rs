//! What check weights tell of a scale, and what a sitting ends with.

use crate::devices::Device;

fn check(device: &Device, readings: &[&str]) -> String {
    let mut args = vec!["scale", "check"];
    args.extend(readings);
    // Words are wrapped for the screen; what they say is compared.
    device.run(&args).well().err.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn scale_check_offset_has_its_uncertainty_and_drift_is_said() {
    let device = Device::with_kit();
    let first = check(&device, &["200=201"]);
    // u^2 = 2 d^2/12 + (0.058 g)^2: 0.41 g.
    assert!(first.contains("kitchen scale is off by +1.0 +- 0.4 g (from 1 check reading)"), "{first}");
    device.wait_days(30);
    let same = check(&device, &["200=202"]);
    assert!(same.contains("no drift beyond what its readings explain"), "{same}");
    device.wait_days(30);
    let moved = check(&device, &["200=205"]);
    assert!(
        moved.contains("has drifted or was moved: it is off by +5.0 +- 0.4 g and was by +2.0 +- 0.4 g"),
        "{moved}"
    );
    // The weight is the same one, so that its own uncertainty cancels: sqrt(2 x 2 / 12) = 0.577.
    assert!(moved.contains("a change of +3.0 +- 0.6 g"), "{moved}");
    // OIML R 76, table 6, class III at 200 e: 0.5 e, twice that in service.
    assert!(moved.contains("beyond the 1 g that a class III scale in service"), "{moved}");
    let listed = device.run(&["scale", "list", "--json"]).well().json();
    assert_eq!(listed["scales"][0]["offset"]["offset_g"], 5.0);
    let over = device.run(&["scale", "list", "kitchen"]).well();
    assert_eq!(over.out.lines().count(), 3, "{}", over.out);
    assert!(over.err.contains("has drifted"), "{}", over.err);
}

#[test]
fn scale_check_two_weights_tell_a_gain() {
    let device = Device::with_kit();
    let words = check(&device, &["100=101", "1000=1010"]);
    assert!(
        words.contains("more for each kilogram (2 readings of different weights): its error grows"),
        "{words}"
    );
    let good = check(&device, &["100=100", "1000=1000"]);
    assert!(good.contains("no more than its readings explain"), "{good}");
}

#[test]
fn scale_check_gravity_of_a_moved_scale_is_the_published_example() {
    // 500 g, adjusted at 60 degrees north at the sea and read at 28 degrees north at 2000 m: 498.29 g (normal gravity by
    // Somigliana's formula and the free-air gradient).
    let device = Device::new();
    let ran = device.run(&["scale", "check", "500", "--adjusted-at", "60,0", "--here", "28,2000"]).well();
    assert!(ran.err.contains("500 g reads 498.29 g there (-1.71 +- 0.01 g)"), "{}", ran.err);
}

#[test]
fn scale_check_bad_input_is_refused_in_words() {
    let device = Device::with_kit();
    for (args, words) in [
        (&["scale", "check"][..], "KNOWN=SHOWN"),
        (&["scale", "check", "200"], "what the scale shows for 200 is missing"),
        (&["scale", "check", "0=1"], "checks nothing"),
        (&["scale", "check", "x=1"], "not a mass"),
        (&["scale", "check", "500", "--adjusted-at", "95,0", "--here", "0,0"], "no place on earth"),
        (&["scale", "list", "other"], "no scale here is called other"),
    ] {
        let ran = device.run(args);
        assert!(ran.code != 0 && ran.err.contains(words), "{args:?}: {}", ran.err);
    }
}

#[test]
fn weigh_summary_a_change_is_said_with_both_masses_and_how_much() {
    let device = Device::with_kit();
    device.run_with(&["weigh", "--check", "200=200"], "412\nshell\n").well();
    device.wait_days(2);
    let ran = device.run_with(&["weigh", "--check", "200=200"], "431\nshell\n86\ngloves\n").well();
    let words = ran.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains("now 431.0 +- 0.6 g: 19.0 g more than before, more than the scale explains"),
        "{words}"
    );
    assert!(words.contains("shell jacket A was 412.0 +- "), "{words}");
    assert!(words.contains("on 1 March 2026"), "{words}");
    assert!(words.contains("gloves 86.0 +- "), "{words}");
    assert!(words.contains("no drift beyond what its readings explain"), "{words}");
    assert!(ran.err.lines().all(|line| line.chars().count() <= 80 || line.starts_with('>')), "{}", ran.err);
    // Once it is known, it is no news.
    let again = device.run_with(&["weigh", "--check", "200=200"], "431\nshell\n").well();
    assert!(!again.err.contains("more than before"), "{}", again.err);
    let shell = device.run(&["item", "show", "shell"]).well();
    assert!(shell.out.contains("more than the"), "{}", shell.out);
}

#[test]
fn weigh_summary_a_reading_that_stands_apart_is_flagged_and_kept() {
    let device = Device::with_kit();
    for reading in ["412", "412", "413", "412"] {
        device.run(&["weigh", "shell", reading]).well();
    }
    let ran = device.run_with(&["weigh", "--check", "200=200"], "419\nshell\n").well();
    let words = ran.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("shell jacket A: 419 g stands apart from its other 5 readings"), "{words}");
    let shell = device.run_at_terminal(&["item", "show", "shell"], "").well().out;
    assert!(shell.contains("! stands apart; it counts"), "{shell}");
    let plot: Vec<&str> = shell.lines().filter(|line| line.contains(" |") || line.contains(" +--")).collect();
    assert_eq!(plot.len(), 9, "{shell}");
    assert!(plot.iter().all(|line| line.len() <= 60 && line.is_ascii()), "{shell}");
    assert!(shell.lines().all(|line| line.chars().count() <= 80), "{shell}");
}

#[test]
fn weigh_summary_without_a_check_weight_items_that_all_moved_tell_of_the_scale() {
    let device = Device::with_kit();
    device.run_with(&["weigh"], "412\nshell\n86\ngloves\n31\ncup\n").well();
    device.wait_days(20);
    let ran = device.run_with(&["weigh"], "415\nshell\n89\ngloves\n34\ncup\n").well();
    let words = ran.err.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("no check weight was read"), "{words}");
    assert!(words.contains("The 3 items that were weighed on 1 March 2026 too all read +3.0 +- "), "{words}");
    device.wait_days(20);
    let ran = device.run_with(&["weigh"], "415\nshell\n89\ngloves\n34\ncup\n").well();
    assert!(
        ran.err.split_whitespace().collect::<Vec<_>>().join(" ").contains("no drift is seen"),
        "{}",
        ran.err
    );
}
