//! Acceptance rules: the shipped documents, and what is refused, by line.

use barwright_job::{
    DocumentError, Rules,
    proof::FlawClass,
    rules::{
        Ended::{Blocks, Told},
        tables::Limited,
        zones::Action,
    },
};

fn folder(name: &str) -> Vec<(String, String)> {
    let path = format!("{}/../../{name}", env!("CARGO_MANIFEST_DIR"));
    let mut found: Vec<(String, String)> = std::fs::read_dir(path)
        .expect("the rules are part of the project")
        .map(|entry| {
            let entry = entry.expect("a readable folder");
            let text = std::fs::read_to_string(entry.path()).expect("a readable document");
            (entry.file_name().to_string_lossy().into_owned(), text)
        })
        .collect();
    found.sort();
    found
}

fn shipped(name: &str) -> String {
    folder("rules").into_iter().find(|(n, _)| n == name).expect("a shipped document").1
}

fn works_rules() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/rules-th-k3.toml");
    std::fs::read_to_string(path).expect("the examples are part of the project")
}

#[test]
fn shipped_rules_read_and_templates_ask_for_their_values() {
    let all = folder("rules");
    assert!(all.len() >= 12);
    for (name, text) in all {
        let read = Rules::from_toml(&name, &text);
        if name.starts_with("template-") {
            let Err(DocumentError::Unfilled { keys, .. }) = read else {
                panic!("{name} is used although nothing was entered: {read:?}");
            };
            assert_eq!(keys.len(), text.matches("= \"to be entered\"").count(), "{name}");
            for (line, key) in &keys {
                let there = text.lines().nth(line - 1).expect("the line exists");
                let last = key.rsplit('.').next().expect("a key");
                assert!(there.starts_with(last), "{name}:{line} is not {key}: {there}");
            }
        } else {
            let rules = read.unwrap_or_else(|e| panic!("{name}: {e}"));
            assert!(rules.rules.source.contains("check the controlled"), "{name}");
        }
    }
}

// Truth: published table, SEP 1921 (1984), read in three agreeing public copies.
#[test]
fn sep_1921_says_what_its_table_says() {
    for (file, single_mm, extended_mm, longest_mm, single, extended) in [
        ("sep-1921-a-a.toml", 14.0, 10.0, 80.0, 32, 16),
        ("sep-1921-b-b.toml", 10.0, 7.0, 60.0, 16, 8),
        ("sep-1921-c-c.toml", 7.0, 5.0, 40.0, 8, 4),
        ("sep-1921-d-d.toml", 5.0, 3.0, 30.0, 4, 2),
        ("sep-1921-e-e.toml", 3.0, 2.0, 30.0, 2, 1),
    ] {
        let rules = Rules::from_toml(file, &shipped(file)).expect("it reads");
        let tables = rules.tables(0.1).expect("any section");
        assert_eq!(tables.len(), 2);
        let [point, long] = [&tables[0].bands[0], &tables[1].bands[0]];
        assert!((point.up_to_m - single_mm / 1e3).abs() < 1e-12);
        assert!((long.up_to_m - extended_mm / 1e3).abs() < 1e-12);
        let limits: Vec<Limited> = point.limits.iter().map(|l| l.what).collect();
        assert_eq!(limits, [Limited::PerBar(single), Limited::Apart(0.05)]);
        let limits: Vec<Limited> = long.limits.iter().map(|l| l.what).collect();
        assert_eq!(limits, [Limited::Length(longest_mm / 1e3), Limited::PerBar(extended)]);
    }
}

// Truth: published table, EN 10277 surface classes, read in a public copy.
#[test]
fn en_10277_says_what_its_table_says() {
    for (class, diameter_mm, depth_mm) in [
        (1, 15.0, 0.3),
        (1, 42.0, 0.84),
        (1, 100.0, 2.0),
        (2, 12.0, 0.3),
        (2, 75.0, 1.5),
        (2, 120.0, 1.5),
        (3, 20.0, 0.2),
        (3, 42.0, 0.42),
        (3, 75.0, 0.75),
        (3, 200.0, 0.75),
    ] {
        let file = format!("en-10277-surface-{class}.toml");
        let rules = Rules::from_toml(&file, &shipped(&file)).expect("it reads");
        let tables = rules.tables(diameter_mm / 1e3).expect("the class knows this size");
        assert_eq!((tables.len(), tables[0].class), (1, FlawClass::Crack));
        let found = tables[0].bands[0].up_to_m * 1e3;
        assert!((found - depth_mm).abs() < 1e-9, "class {class}, {diameter_mm} mm: {found}");
    }
    let rules = Rules::from_toml("1", &shipped("en-10277-surface-1.toml")).expect("it reads");
    let refused = rules.tables(0.12).expect_err("class 1 ends at 100 mm").to_string();
    assert!(refused.contains("120 mm"), "{refused}");
}

// Truth: by hand. Each wrong document names its line and the key.
#[test]
fn contradictory_rules_are_refused_by_line() {
    let text = works_rules();
    Rules::from_toml("rules.toml", &text).expect("the example reads");
    for (from, to, key, says) in [
        // A gap and an overlap between classes.
        ("over_mm = 1.0\nup_to_mm = 1.3", "over_mm = 1.1\nup_to_mm = 1.3", "over_mm", "a gap"),
        ("over_mm = 1.0\nup_to_mm = 1.3", "over_mm = 0.9\nup_to_mm = 1.3", "over_mm", "overlap"),
        // A gap and an overlap between zones.
        ("from_depth_mm = 5.0", "from_depth_mm = 6.0", "from_depth_mm", "a gap of 1"),
        ("from_depth_mm = 5.0", "from_depth_mm = 4.0", "from_depth_mm", "an overlap of 1"),
        ("to_depth_mm = 5.0", "# nothing", "from_depth_mm", "an overlap"),
        ("from_depth_mm = 5.0", "from_depth_mm = 5.0\nto_depth_mm = 9.0", "to_depth_mm", "deeper"),
        // A larger flaw with a milder consequence.
        (
            "over_mm = 4.0\naction = \"reject\"",
            "over_mm = 4.0\naction = \"accept\"",
            "action",
            "milder",
        ),
        // Limits and consequences that do not go together.
        ("longest_mm = 200.0\nbeyond = \"crop\"", "longest_mm = 200.0", "beyond", "absent"),
        ("longest_mm = 200.0\nbeyond", "beyond", "beyond", "no limit"),
        (
            "longest_mm = 200.0\nbeyond = \"crop\"",
            "longest_mm = 200.0\nbeyond = \"accept\"",
            "beyond",
            "none",
        ),
        // The last class closed, the first one open below.
        (
            "over_mm = 0.8\naction = \"reject\"",
            "over_mm = 0.8\nup_to_mm = 3.0\naction = \"reject\"",
            "up_to_mm",
            "no upper bound",
        ),
        ("name = \"shallow\"\n", "name = \"shallow\"\nover_mm = 0.1\n", "over_mm", "begins at 0"),
        // Two units in one zone.
        (
            "over_mm = 0.25\nup_to_mm = 0.8",
            "over_percent_of_section = 0.6\nup_to_percent_of_section = 2.0",
            "over_percent_of_section",
            "one unit",
        ),
        // Two zones of one name, a zone for points only.
        ("name = \"core\"", "name = \"skin\"", "name", "another zone"),
        (
            "name = \"core\"\nflaws = \"volume\"",
            "name = \"core\"\nflaws = \"volume\"\nextent = \"point\"",
            "to_depth_mm",
            "extended",
        ),
        (
            "name = \"skin\"\nflaws = \"surface\"",
            "name = \"skin\"\nflaws = \"surface\"\nto_depth_mm = 2.0",
            "to_depth_mm",
            "no depth",
        ),
    ] {
        assert!(text.contains(from), "the example no longer holds {from}");
        let wrong = text.replace(from, to);
        let refused = Rules::from_toml("rules.toml", &wrong).expect_err(to);
        let DocumentError::Impossible { document, key: found, .. } = &refused else {
            panic!("{to}: {refused}");
        };
        assert!(found.ends_with(key), "{to}: {refused}");
        assert!(refused.to_string().contains(says), "{to}: {refused}");
        let line: usize = document
            .strip_prefix("rules.toml:")
            .and_then(|l| l.parse().ok())
            .unwrap_or_else(|| panic!("{to}: no line in {refused}"));
        // The line is that of the key, or of the table where the key should stand.
        let there = wrong.lines().nth(line - 1).expect("the line exists");
        assert!(there.starts_with(key) || there.starts_with("[["), "{to}: line {line} is {there}");
    }
}

#[test]
fn unknown_keys_units_and_words_are_refused_by_line() {
    let text = works_rules();
    for (from, to, hint) in [
        ("longest_mm = 200.0", "longest_inch = 8.0", Some("longest_mm")),
        ("up_to_mm = 0.25 ", "up_to_mm = \"0.25 mm\" ", None),
        ("action = \"reject\"", "action = \"scrap\"", Some("crop")),
    ] {
        let refused = Rules::from_toml("rules.toml", &text.replace(from, to)).expect_err(to);
        let DocumentError::Malformed { line, .. } = &refused else { panic!("{refused}") };
        assert!(*line > 1, "{refused}");
        if let Some(hint) = hint {
            assert!(
                refused.hint().is_some_and(|h| h.contains(hint)),
                "{refused}: {:?}",
                refused.hint()
            );
        }
    }
    let first = text.replace("format = 2", "format = 1");
    assert!(
        Rules::from_toml("r", &first)
            .expect_err("zones in format 1")
            .to_string()
            .contains("volume")
    );
    let later = text.replace("format = 2", "format = 3");
    assert!(matches!(Rules::from_toml("r", &later), Err(DocumentError::TooNew { .. })));
}

// Truth: property. What was written in format 1 reads as before and keeps its hash; as tables it says
// the same.
#[test]
fn the_first_format_still_reads_and_says_the_same() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../examples/rules-th-k2.toml");
    let text = std::fs::read_to_string(path).expect("the example");
    let rules = Rules::from_toml("rules-th-k2.toml", &text).expect("format 1");
    assert_eq!(
        rules.hash().short(),
        GOLDEN_TH_K2,
        "documents made from it would lose their source"
    );
    let tables = rules.tables(0.042).expect("any section");
    let said: Vec<(FlawClass, f64, Action)> = tables
        .iter()
        .flat_map(|t| t.bands.iter().map(|b| (t.class, b.up_to_m, b.action)))
        .collect();
    let (disc, crack) = (FlawClass::Disc, FlawClass::Crack);
    assert_eq!(
        said,
        [
            (disc, 1.0e-3, Action::Accept),
            (disc, f64::INFINITY, Action::Crop),
            (crack, 0.25e-3, Action::Accept),
            (crack, 0.8e-3, Action::Crop),
            (crack, f64::INFINITY, Action::Reject),
        ]
    );
}

/// Our own golden value: the hash of the rules of format 1 before there was a second one.
const GOLDEN_TH_K2: &str = "9a76a5610fdc";

/// Our own golden values: hashes of rules before there was a table `[expiry]`.
const GOLDEN_BEFORE_EXPIRY: [(&str, &str); 2] =
    [("sep-1921-b-b.toml", "f406a4c72eaf"), ("rules-th-k3.toml", "7d93ec7b0372")];

// Truth: property. Rules that say nothing of ended certificates keep their hash and tell; what is said is
// read, changes the hash, and goes the round trip.
#[test]
fn ended_certificates_are_told_unless_the_rules_block() {
    for (name, golden) in GOLDEN_BEFORE_EXPIRY {
        let text = if name == "rules-th-k3.toml" { works_rules() } else { shipped(name) };
        let rules = Rules::from_toml(name, &text).expect("it reads");
        assert_eq!(rules.hash().short(), golden, "{name}");
        assert_eq!((rules.certification_ended(), rules.calibration_ended()), (Told, Told));
    }
    let read = |table: &str| Rules::from_toml("r", &format!("{}\n{table}\n", works_rules()));
    for (table, certification, calibration) in [
        ("[expiry]\ncertification = \"blocks\"", Blocks, Told),
        ("[expiry]\ncalibration = \"blocks\"", Told, Blocks),
        ("[expiry]\ncertification = \"told\"\ncalibration = \"blocks\"", Told, Blocks),
    ] {
        let rules = read(table).expect("it reads");
        assert_eq!(
            (rules.certification_ended(), rules.calibration_ended()),
            (certification, calibration),
            "{table}"
        );
        assert_ne!(rules.hash().short(), GOLDEN_BEFORE_EXPIRY[1].1);
        let json = serde_json::to_string(&rules).expect("plain data");
        assert_eq!(serde_json::from_str::<Rules>(&json).expect("as written"), rules);
    }
    let refused = read("[expiry]").expect_err("it says nothing").to_string();
    assert!(refused.contains("expiry is empty"), "{refused}");
    for wrong in ["[expiry]\ncertification = \"stops\"", "[expiry]\ncalibrations = \"told\""] {
        assert!(matches!(read(wrong), Err(DocumentError::Malformed { .. })), "{wrong}");
    }
}
