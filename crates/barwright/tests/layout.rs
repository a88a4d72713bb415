//! That no file of tests is left out of its crate's program. Truth: property (of the source tree).

use std::fs;
use std::path::Path;

#[test]
fn every_file_of_tests_is_named_in_its_main() {
    let crates = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let mut files = 0;
    for entry in fs::read_dir(crates).expect("the crates") {
        let tests = entry.expect("a crate").path().join("tests");
        let Ok(main) = fs::read_to_string(tests.join("main.rs")) else {
            assert!(!tests.exists(), "{} has no main.rs", tests.display());
            continue;
        };
        for file in fs::read_dir(&tests).expect("its tests") {
            let path = file.expect("a file").path();
            let name = path.file_stem().expect("a name").to_string_lossy();
            let own = name == "main" || path.join("main.rs").exists();
            let holds_tests = path.extension().is_some_and(|end| end == "rs") || path.is_dir();
            if holds_tests && !own {
                assert!(
                    main.lines().any(|line| line == format!("mod {name};")),
                    "{}",
                    path.display()
                );
                files += 1;
            }
        }
    }
    assert!(files > 80, "only {files} files seen");
}
