//! The documents in `examples/` read as they stand, and refuse what cannot be.

use barwright_job::{DocumentError, Order, Rules, Station};

fn example(name: &str) -> String {
    let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).expect("the examples are part of the project")
}

#[test]
fn every_example_reads() {
    Order::from_toml("order-block-50.toml", &example("order-block-50.toml")).unwrap();
    for diameter in [10, 20, 25, 42, 65, 70, 100, 120, 150, 200, 254] {
        let name = format!("order-round-{diameter}.toml");
        Order::from_toml(&name, &example(&name)).unwrap();
    }
    let name = "order-round-42-lengths.toml";
    assert_eq!(Order::from_toml(name, &example(name)).unwrap().cut.lengths.len(), 4);
    for side in [20, 50, 100, 120, 150, 200] {
        let name = format!("order-square-{side}.toml");
        Order::from_toml(&name, &example(&name)).unwrap();
    }
    for name in [
        "station-line-1.toml",
        "station-line-2.toml",
        "station-line-4.toml",
        "station-line-7.toml",
        "station-bench-array.toml",
        "station-square-20-120.toml",
        "station-square-50-200.toml",
    ] {
        Station::from_toml(name, &example(name)).unwrap();
    }
    for name in ["rules-th-k2.toml", "rules-block.toml"] {
        Rules::from_toml(name, &example(name)).unwrap();
    }
}

/// Replaces one value of the example order and returns the refusal.
fn order_with(from: &str, to: &str) -> DocumentError {
    let text = example("order-round-42.toml");
    assert!(text.contains(from), "the example no longer holds {from}");
    Order::from_toml("order.toml", &text.replace(from, to)).expect_err(to)
}

#[test]
fn impossible_values_are_refused_with_the_number() {
    for (from, to, key) in [
        ("diameter_mm = 42.0", "diameter_mm = -42.0", "section.round.diameter_mm"),
        ("diameter_mm = 42.0", "diameter_mm = nan", "section.round.diameter_mm"),
        ("diameter_mm = 42.0", "diameter_mm = inf", "section.round.diameter_mm"),
        ("longitudinal_m_s = 5920.0", "longitudinal_m_s = 0.0", "steel"),
        ("shear_m_s = 3255.0", "shear_m_s = 5000.0", "steel"),
        ("count = 24", "count = 0", "bars.count"),
        ("depth_mm = 0.3", "depth_mm = 0.0", "flaws.crack.depth_mm"),
    ] {
        match order_with(from, to) {
            DocumentError::Impossible { key: found, .. } => assert_eq!(found, key, "for {to}"),
            other => panic!("{to}: {other}"),
        }
    }
}

#[test]
fn a_later_format_is_too_new() {
    let e = order_with("format = 1", "format = 2");
    assert!(matches!(e, DocumentError::TooNew { found: 2, .. }), "{e}");
}

#[test]
fn an_unknown_key_names_its_line_and_the_nearest_known_key() {
    let e = order_with("skin_mm = 4.0", "skin = 4.0");
    let DocumentError::Malformed { line, ref hint, .. } = e else { panic!("{e}") };
    assert_eq!(line, 32, "{e}");
    assert_eq!(hint, "did you mean `skin_mm`?");
}

#[test]
fn a_probe_cannot_have_fewer_elements_than_the_aperture() {
    let text =
        example("station-line-2.toml").replace("aperture_elements = 32", "aperture_elements = 97");
    let e = Station::from_toml("s.toml", &text).expect_err("too many");
    assert!(e.to_string().contains("96 elements"), "{e}");
}

#[test]
fn comments_and_layout_do_not_change_the_hash() {
    let text = example("order-round-42.toml");
    let bare: String =
        text.lines().map(|l| l.split(" #").next().unwrap().trim_end().to_owned() + "\n").collect();
    let a = Order::from_toml("a", &text).unwrap().hash();
    let b = Order::from_toml("b", &bare).unwrap().hash();
    assert_eq!(a, b);
}

// Own rules: what cannot be ordered is refused by key, with the numbers.
#[test]
fn impossible_lengths_are_refused_with_the_number() {
    let text = example("order-round-42-lengths.toml");
    for (from, to, wanted) in [
        (
            "from_mm = 2800.0, to_mm = 3500.0",
            "from_mm = 3500.0, to_mm = 2800.0",
            "cut.lengths[2].random.from_mm is 3500 mm; it must not be above random.to_mm, 2800 mm",
        ),
        (
            "length_mm = 3000.0, plus",
            "length_mm = 13000.0, plus",
            "cut.lengths[0] is 13000 mm or longer; the bars are 12000 mm long",
        ),
        (
            "shortest_mm = 1500.0 ",
            "shortest_mm = 1700.0 ",
            "cut.lengths[3] is as short as 1620 mm; no piece shorter than cut.shortest_mm, 1700 mm",
        ),
        (
            "name = \"random\"",
            "name = \"fixed 3 m\"",
            "cut.lengths[2].name is fixed 3 m; cut.lengths[0] has the same name",
        ),
        (
            "open_pieces = 25",
            "open_pieces = 0",
            "cut.lengths[1].open_pieces is 0; it must lie between 1",
        ),
        ("value_per_m = 1.06", "value_per_m = 0.0", "cut.lengths[1].value_per_m is 0;"),
        ("value_per_m = 1.06", "value_per_m = nan", "cut.lengths[1].value_per_m is NaN;"),
        ("plus_mm = 5.0 }   #", "plus_mm = -5.0 }   #", "cut.lengths[0].fixed.plus_mm is -5 mm;"),
        (
            "length_mm = 2200.0",
            "length_mm = 2200.04",
            "fixed.length_mm is 2200.04 mm; whole tenths",
        ),
        ("from_pieces = 4", "from_pieces = 0", "multiple.from_pieces is 0;"),
        (
            "to_pieces = 8",
            "to_pieces = 3",
            "multiple.to_pieces is 3; it must lie between multiple.from_pieces, 4",
        ),
        ("to_pieces = 8", "to_pieces = 4000000000", "multiple.to_pieces is 4000000000;"),
        (
            "random = {",
            "fixed = { length_mm = 2000.0 }\nrandom = {",
            "cut.lengths[2] is a length of 2 kinds;",
        ),
        (
            "name = \"random\"\nrandom = { from_mm = 2800.0, to_mm = 3500.0 }",
            "name = \"random\"",
            "cut.lengths[2] is a length of 0 kinds;",
        ),
    ] {
        assert!(text.contains(from), "the example no longer holds {from}");
        let e = Order::from_toml("order.toml", &text.replacen(from, to, 1)).expect_err(to);
        assert!(e.to_string().contains(wanted), "{to}: {e}");
    }
}

// Golden: the hash that this order had before lengths could be ordered.
#[test]
fn an_order_without_lengths_keeps_its_hash() {
    let order = Order::from_toml("order", &example("order-round-42.toml")).unwrap();
    assert_eq!(order.hash().short(), "6018b6bea7fe");
}

// Truth: the contract of refusals. A size says whose limit it breaks; velocities that no steel has are named
// once, beside those of steels.
#[test]
fn refusals_of_an_order_say_whose_limit_it_is() {
    let text = include_str!("../../../examples/order-round-42.toml");
    let large = text.replace("diameter_mm = 42.0", "diameter_mm = 400.0");
    assert_ne!(large, text);
    let words = Order::from_toml("order.toml", &large).expect_err("too large").to_string();
    assert!(words.contains("400 mm") && words.contains("254 mm") && words.contains("program"));
    let soft: Vec<String> = text
        .lines()
        .map(
            |l| if l.starts_with("shear_m_s") { "shear_m_s = 5000.0".into() } else { l.to_owned() },
        )
        .collect();
    let words = Order::from_toml("order.toml", &soft.join("\n")).expect_err("no steel").to_string();
    assert!(words.contains("5000 m/s shear") && words.contains("347"), "{words}");
    assert!(!words.contains("not a steel"));
}
