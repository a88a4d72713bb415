//! People, keys, equipment and approval by the command line. Own rules: what may be done by whom, what
//! is told, what is refused, and what never appears in the ledger.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use crate::support::{Said, job, json};

const PASSWORD: &str = "seven bars of rain";

/// Runs with something on standard input and a variable, and demands an exit status.
fn typed(folder: &Path, args: &[&str], input: &str, code: i32) -> Said {
    let mut child = Command::new(env!("CARGO_BIN_EXE_barwright"))
        .arg("--job")
        .arg(folder)
        .args(args)
        .env("KEY_WORDS", "warm water, cold steel")
        .env("SHORT_WORDS", "too short")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdin = child.stdin.take().expect("piped");
    // A program that refuses before it reads closes the pipe.
    let _ = stdin.write_all(input.as_bytes());
    drop(stdin);
    let output = child.wait_with_output().expect("it ends");
    let said = Said {
        code: output.status.code().expect("it ends by itself"),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    };
    assert_eq!(said.code, code, "barwright {args:?}\n{}\n{}", said.out, said.err);
    said
}

fn begun() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    job(folder.path(), &["example", "round-42"], 0);
    folder
}

#[test]
fn people_are_kept_from_the_first_on() {
    let folder = begun();
    let f = folder.path();
    let said = job(f, &["people", "list"], 0);
    assert!(said.out.contains("roles are not kept"), "{}", said.out);
    let add = |name: &str, more: &[&str], author: &str, code| {
        let mut args = vec!["people", "add", name, "--author", author];
        args.extend(more);
        job(f, &args, code)
    };
    let first = add("I1", &["--role", "inspector"], "Q1", 2);
    assert!(first.err.contains("nobody could keep people"), "{}", first.err);
    add("Q1", &["--role", "quality"], "Q1", 0);
    add("I1", &["--role", "inspector"], "Q1", 0);
    let denied = add("I1", &["--role", "level3"], "I1", 2);
    assert!(denied.err.contains("that takes quality"), "{}", denied.err);
    let until = ["--certified-until", "2020-06-30", "--certificate", "C7"];
    add("L3", &[&["--role", "level2", "--role", "level3"][..], &until].concat(), "Q1", 0);
    let said = job(f, &["people", "list"], 1);
    assert!(said.out.contains("the certification of L3 ended on 2020-06-30"), "{}", said.out);
    assert!(
        said.out.contains("L3: level 2, level 3, certified until 2020-06-30 C7"),
        "{}",
        said.out
    );
    // Whoever may not, cannot enter documents either.
    job(f, &["ledger", "add", "order", "--author", "I1"], 0);
    let denied = job(f, &["ledger", "add", "order", "--author", "nobody"], 2);
    assert!(denied.err.contains("no role here"), "{}", denied.err);
    job(f, &["ledger", "add", "rules", "--author", "I1"], 2);
    job(f, &["ledger", "add", "rules", "--author", "Q1"], 0);
    let alone = add("Q1", &["--left"], "L3", 0);
    assert!(alone.out.contains("person"), "{}", alone.out);
    let last = add("L3", &["--left"], "L3", 2);
    assert!(last.err.contains("nobody could keep people"), "{}", last.err);
    job(f, &["ledger", "verify"], 0);
}

#[test]
fn accounts_open_change_and_close_and_no_password_is_recorded() {
    let folder = begun();
    let f = folder.path();
    job(f, &["people", "add", "Q1", "--role", "quality", "--author", "Q1"], 0);
    job(f, &["people", "add", "A1", "--role", "auditor", "--author", "Q1"], 0);
    let password = |name: &str, author: &str, words: &str, code| {
        typed(f, &["people", "password", name, "--author", author], words, code)
    };
    let weak = password("A1", "Q1", "short\n", 2);
    assert!(weak.err.contains("5 characters are too few"), "{}", weak.err);
    assert!(!f.join("accounts.json").exists());
    assert!(password("A1", "A1", PASSWORD, 2).err.contains("quality or level 3"));
    assert!(password("Z9", "Q1", PASSWORD, 2).err.contains("not on record"));
    assert!(password("A1", "Q1", &format!("{PASSWORD}\r\n"), 0).out.contains("A1 can sign in"));
    assert!(password("A1", "Q1", PASSWORD, 0).out.contains("A1 has a new password"));
    assert!(job(f, &["people", "list"], 0).out.contains("A1: auditor, can sign in"));
    job(f, &["people", "close", "A1", "--author", "Q1"], 0);
    let again = job(f, &["people", "close", "A1", "--author", "Q1"], 2);
    assert!(again.err.contains("no open account"), "{}", again.err);
    let shown = job(f, &["ledger", "show", "--json"], 0).out;
    let changes: Vec<_> = ["opened", "password_changed", "closed"]
        .map(|word| shown.matches(&format!("\"change\": \"{word}\"")).count())
        .into();
    assert_eq!(changes, [1, 1, 1]);
    let raw = std::fs::read(f.join("ledger.db")).expect("the ledger");
    let hash = json(&f.join("accounts.json"))["hash"].as_str().expect("a hash").to_owned();
    for secret in [PASSWORD, "$argon2id$", &hash] {
        let held = raw.windows(secret.len()).any(|w| w == secret.as_bytes());
        assert!(!held, "the ledger holds {secret}");
    }
}

#[test]
fn keys_are_made_replaced_and_revoked() {
    let folder = begun();
    let f = folder.path();
    let keys = tempfile::tempdir().expect("a folder");
    let file = |name: &str| keys.path().join(name).display().to_string();
    job(f, &["people", "add", "Q1", "--role", "quality", "--author", "Q1"], 0);
    let (first, second) = (file("q1.json"), file("q1-2.json"));
    let weak = typed(
        f,
        &["keys", "make", "Q1", "--file", &first, "--passphrase-env", "SHORT_WORDS"],
        "",
        2,
    );
    assert!(weak.err.contains("9 characters are too few"), "{}", weak.err);
    assert!(!Path::new(&first).exists());
    let made = typed(
        f,
        &["keys", "make", "Q1", "--file", &first, "--passphrase-env", "KEY_WORDS", "--json"],
        "",
        0,
    );
    let made: serde_json::Value = serde_json::from_str(&made.out).expect("JSON");
    let key = made["content"]["key"].as_str().expect("a key").to_owned();
    assert_eq!((key.len(), &made["content"]["person"]), (16, &"Q1".into()));
    assert_eq!(json(Path::new(&first))["body"]["public"], made["content"]["public"]);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = std::fs::metadata(&first).expect("the file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    let words = ["--passphrase-env", "KEY_WORDS"];
    let check = |code, input, more: &[&str]| {
        typed(f, &[&["keys", "check", first.as_str()], more].concat(), input, code)
    };
    assert!(check(0, "", &words).out.contains(&format!("key {key} of Q1 signs here")));
    check(0, "warm water, cold steel\n", &[]);
    let wrong = check(2, "warm water, cold iron\n", &[]);
    assert!(wrong.err.contains("does not open the key of Q1"), "{}", wrong.err);
    let over = typed(f, &["keys", "make", "Q1", "--file", &first], PASSWORD, 2);
    assert!(over.err.contains("already a file"), "{}", over.err);
    typed(f, &["keys", "make", "Z9", "--file", &second, "--author", "Q1"], PASSWORD, 2);
    // From standard input, where no variable is named.
    // A key is there, so what changes keys must be signed by it.
    let replace = ["keys", "replace", "Q1", "--file", second.as_str()];
    let unsigned = typed(f, &replace, &format!("{PASSWORD}\n"), 2);
    assert!(unsigned.err.contains("must be signed"), "{}", unsigned.err);
    assert!(!Path::new(&second).exists(), "a key that was not entered");
    let signing = ["--key", first.as_str(), "--key-passphrase-env", "KEY_WORDS"];
    typed(f, &[&replace[..], &signing].concat(), &format!("{PASSWORD}\n"), 0);
    assert!(check(1, "", &words).out.contains("does not sign here"));
    let list = job(f, &["keys", "list"], 0).out;
    assert!(
        list.contains(&format!("{key}  Q1, from entry 2, signs no more since entry 3")),
        "{list}"
    );
    let listed: serde_json::Value =
        serde_json::from_str(&job(f, &["keys", "list", "--json"], 0).out).expect("JSON");
    let live: Vec<&str> = listed
        .as_array()
        .expect("a list")
        .iter()
        .filter(|k| k["signs"] == true)
        .filter_map(|k| k["key"].as_str())
        .collect();
    let [live] = live.as_slice() else { panic!("{listed}") };
    let revoke = ["keys", "revoke", live, "--reason", "lost", "--author", "Q1"];
    job(f, &revoke, 2);
    let signing = ["--key", second.as_str()];
    typed(f, &[&revoke[..], &signing].concat(), &format!("{PASSWORD}\n"), 0);
    let list = job(f, &["keys", "list"], 0).out;
    assert!(list.contains("revoked: lost"), "{list}");
    let none = typed(f, &["keys", "replace", "Q1", "--file", &file("3.json")], PASSWORD, 2);
    assert!(none.err.contains("no key that signs"), "{}", none.err);
}

#[test]
fn equipment_is_told_or_blocked_when_its_calibration_ended() {
    let folder = begun();
    let f = folder.path();
    job(f, &["people", "add", "Q1", "--role", "quality", "--author", "Q1"], 0);
    job(f, &["people", "add", "I1", "--role", "inspector", "--author", "Q1"], 0);
    let equipment = |args: &[&str], author: &str, code| {
        let mut all = vec!["equipment"];
        all.extend(args);
        all.extend(["--author", author]);
        job(f, &all, code)
    };
    let add = ["add", "P1", "--what", "probe", "--calibrated-until", "2020-06-30"];
    equipment(&add, "I1", 2);
    equipment(&add, "Q1", 0);
    let mounted = equipment(&["mount", "P1", "--place", "1"], "I1", 0);
    assert!(mounted.err.contains("the calibration of probe P1 ended"), "{}", mounted.err);
    let list = job(f, &["equipment", "list"], 1).out;
    assert!(list.contains("probe P1, calibrated until 2020-06-30, on Line 2 at 1"), "{list}");
    equipment(&["dismount", "P1"], "I1", 0);
    assert!(equipment(&["dismount", "P1"], "I1", 2).err.contains("in use nowhere"));
    assert!(equipment(&["mount", "P2", "--place", "1"], "I1", 2).err.contains("on no record"));
    let rules = f.join("rules.toml");
    let text = std::fs::read_to_string(&rules).expect("the rules");
    std::fs::write(&rules, format!("{text}\n[expiry]\ncalibration = \"blocks\"\n")).expect("room");
    let blocked = equipment(&["mount", "P1", "--place", "1"], "I1", 2);
    assert!(blocked.err.contains("the acceptance rules block"), "{}", blocked.err);
    let until = ["add", "P1", "--what", "probe", "--calibrated-until", "2999-12-31"];
    equipment(&until, "Q1", 0);
    equipment(&["mount", "P1", "--place", "1"], "I1", 0);
    job(f, &["equipment", "list"], 0);
}
