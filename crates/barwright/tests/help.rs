//! `help` as it is typed: topics, commands, the unknown.

use crate::support::barwright;

// By construction: what is asked for comes as text or as data, and the unknown is refused.
#[test]
fn topics_and_commands_are_shown_and_the_unknown_is_refused() {
    let steps = barwright(&["help", "steps"]);
    assert_eq!(steps.code, 0, "{}", steps.err);
    assert!(steps.out.starts_with("The eight steps\n"), "{}", steps.out);

    let data = barwright(&["--json", "help", "steps"]);
    let answer: serde_json::Value = serde_json::from_str(&data.out).expect("JSON");
    assert_eq!(answer["topic"], "steps");
    assert_eq!(answer["text"].as_str().expect("text").trim_end(), steps.out.trim_end());

    let bars = barwright(&["help", "ledger", "bars"]);
    assert_eq!(bars.code, 0, "{}", bars.err);
    assert!(bars.out.contains("--heat"), "{}", bars.out);

    let unknown = barwright(&["help", "stpes"]);
    assert_eq!(unknown.code, 2, "{}", unknown.out);
    for known in ["steps", "troubleshooting", "ledger"] {
        assert!(unknown.err.contains(known), "{}", unknown.err);
    }
}
