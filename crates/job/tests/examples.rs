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
