//! Papers as a house wants them, the retest list, and the two-dimensional code. Properties; the code is read
//! back from the printed page by an independent reader of codes. Without poppler's programs those parts
//! are skipped.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::{path::PathBuf, process::Command};

use barwright_report::{
    ReportError,
    papers::{
        CheckInput, HousePapers, Issue, Logo, RetestBar, RetestCause, RetestInput, Sheet,
        TEMPLATES, check_report, retest_list,
    },
    texts::{self, Catalogue},
};

const LOGO: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 60 30\"><rect width=\"60\" height=\"30\" rx=\"6\" fill=\"#445\"/></svg>";

fn keep(name: &str, pdf: &[u8]) -> PathBuf {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.pdf"));
    std::fs::write(&path, pdf).unwrap();
    path
}

fn run(program: &str, arguments: &[&str]) -> Option<Vec<u8>> {
    let Ok(out) = Command::new(program).args(arguments).output() else {
        eprintln!("SKIPPED: {program} is not on this machine");
        return None;
    };
    assert!(out.status.success(), "{program} {arguments:?}");
    Some(out.stdout)
}

fn words(path: &std::path::Path) -> Option<String> {
    let out = run("pdftotext", &["-layout", path.to_str().unwrap(), "-"])?;
    Some(String::from_utf8(out).unwrap().split_whitespace().collect::<Vec<_>>().join(" "))
}

fn report(house: Option<&HousePapers>) -> Result<Vec<u8>, ReportError> {
    let technique = support::technique();
    let level = support::level(&technique);
    let check = support::check(&technique, &level, true);
    let not_validated = ["Sizes near the surface are not validated.".to_owned()];
    check_report(&CheckInput {
        issue: Issue { house, ..support::issue(&not_validated) },
        technique: &technique,
        level: &level,
        rules: &support::rules(),
        check: &check,
        signed_by: Some("level 2, line 2"),
    })
}

fn own(name: &str, change: impl Fn(&str) -> String) -> HousePapers {
    let mut house = HousePapers::default();
    let (_, template) = TEMPLATES.into_iter().find(|(n, _)| *n == name).unwrap();
    house.take(name, change(template)).unwrap();
    house
}

#[test]
fn sheet_heading_and_logo_are_the_houses() {
    let house = HousePapers {
        sheet: Sheet::Letter,
        heading: "Tarnholt bar mill".into(),
        logo: Some(Logo::Svg(LOGO.into())),
        ..HousePapers::default()
    };
    let pdf = report(Some(&house)).unwrap();
    assert_eq!(pdf, report(Some(&house)).unwrap(), "equal input, equal bytes");
    let path = keep("house-letter", &pdf);
    let Some(out) = run("pdfinfo", &[path.to_str().unwrap()]) else { return };
    let info = String::from_utf8(out).unwrap();
    // 8.5 by 11 inches are 612 by 792 points.
    assert!(info.contains("612 x 792"), "{info}");
    let text = words(&path).unwrap();
    assert!(text.contains("Tarnholt bar mill") && text.contains("Check report"), "{text}");
}

#[test]
fn a_paper_speaks_the_houses_language_and_keeps_what_documents_quote() {
    // Every text of the list in capitals, its parts as they are.
    let mut po = String::from("msgid \"\"\nmsgstr \"\"\n\"Language: xx\\n\"\n\n");
    for (key, said) in [
        ("Check report", "PRÜFBERICHT"),
        ("Limits", "GRENZEN"),
        ("Evidence", "BELEGE"),
        ("page {page} of {last}", "SEITE {page} VON {last}"),
        ("Signed by {by}.", "GEZEICHNET: {by}."),
        ("Line speed", "BANDGESCHWINDIGKEIT"),
        (
            "The ordered standard, local codes and the responsible level 3 decide.",
            "DIE STUFE 3 ENTSCHEIDET.",
        ),
    ] {
        po.push_str(&format!("msgid \"{key}\"\nmsgstr \"{said}\"\n\n"));
    }
    let catalogue: &'static Catalogue = Box::leak(Box::new(Catalogue::read(&po).unwrap()));
    let pdf = texts::with(Some(catalogue), || report(None).unwrap());
    assert_ne!(pdf, report(None).unwrap());
    let Some(text) = words(&keep("house-language", &pdf)) else { return };
    for said in [
        "PRÜFBERICHT",
        "GRENZEN",
        "BELEGE",
        "SEITE 1 VON",
        "GEZEICHNET: level 2, line 2.",
        "BANDGESCHWINDIGKEIT",
        "DIE STUFE 3 ENTSCHEIDET.",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
}

#[test]
fn a_template_of_the_house_is_used_and_named_and_cannot_lose_what_no_paper_may_lack() {
    let friendly = own("check.typ", |t| t.replace("= #d.title", "= #d.title\nMeasured with care."));
    let path = keep("house-template", &report(Some(&friendly)).unwrap());
    if let Some(text) = words(&path) {
        assert!(text.contains("Measured with care."), "{text}");
        assert!(text.contains("the house's own"), "{text}");
    }
    // A template of another paper changes nothing of this one.
    assert_eq!(report(Some(&own("bar.typ", str::to_owned))).unwrap(), report(None).unwrap());

    for (call, label) in [
        ("#cautions()", "cautions()"),
        ("#not-validated()", "not-validated()"),
        ("#evidence(d.evidence)", "evidence()"),
    ] {
        let lost = own("check.typ", |t| {
            assert!(t.contains(call));
            t.replace(call, "")
        });
        let e = report(Some(&lost)).unwrap_err();
        let ReportError::Incomplete { missing, .. } = e else { panic!("{e}") };
        assert_eq!(missing, label);
    }
    // Hidden in the shared part it is lost as well.
    let hidden = own("common.typ", |t| {
        t.replace("#let cautions() =", "#let cautions() = []\n#let _gone() =")
    });
    assert!(matches!(
        report(Some(&hidden)),
        Err(ReportError::Incomplete { missing: "cautions()", .. })
    ));
    let unstamped = own("check.typ", |t| {
        t.replace("#if d.good { stamp(", "#if d.good { (x, y, z) => none } else { stamp(")
    });
    assert!(report(Some(&unstamped)).is_err());
}

#[test]
fn a_broken_template_is_told_with_its_line_and_an_unknown_one_refused() {
    let broken = own("check.typ", |t| t.replace("== #t(\"Limits\")", "== #nothing-of-this-name"));
    let e = report(Some(&broken)).unwrap_err();
    let line = TEMPLATES.iter().find(|(n, _)| *n == "check.typ").unwrap().1;
    let line = line.lines().position(|l| l.contains("Limits")).unwrap() + 1;
    assert!(e.to_string().contains(&format!("check.typ line {line}")), "{e}");
    assert!(e.hint().unwrap().contains("house folder"), "{:?}", e.hint());
    // What a template asks of files and of the world is not there.
    let reaching = own("check.typ", |t| format!("{t}\n#read(\"/etc/hostname\")"));
    assert!(report(Some(&reaching)).is_err());
    let e = HousePapers::default().take("letter.typ", String::new()).unwrap_err();
    assert!(e.hint().unwrap().contains("check.typ"));
    // A logo that is no picture.
    let house = HousePapers { logo: Some(Logo::Png(vec![1, 2, 3])), ..HousePapers::default() };
    assert!(matches!(report(Some(&house)), Err(ReportError::Setting { own: true, .. })));
}

#[test]
fn the_ledgers_head_is_read_back_from_the_printed_code() {
    let path = keep("house-code", &report(None).unwrap());
    // 8-bit grey, 300 dots an inch: what office scanners are set to.
    let stem = path.with_extension("");
    let arguments = ["-gray", "-r", "300", path.to_str().unwrap(), stem.to_str().unwrap()];
    if run("pdftoppm", &arguments).is_none() {
        return;
    }
    let folder = path.parent().unwrap();
    let pages = std::fs::read_dir(folder).unwrap().filter_map(|e| {
        let page = e.unwrap().path();
        let name = page.file_name()?.to_str()?.to_owned();
        (name.starts_with("house-code-") && name.ends_with(".pgm")).then_some(page)
    });
    let read: Vec<String> = pages.flat_map(|page| codes(&std::fs::read(page).unwrap())).collect();
    let issue = support::issue(&[]);
    let head = issue.ledger.unwrap();
    let wanted = format!("barwright ledger {} {} {}", head.entry, head.at, head.hash);
    assert_eq!(read, [wanted]);
}

/// The codes in a picture, binary grey map of 8 bits.
fn codes(pgm: &[u8]) -> Vec<String> {
    let head: Vec<&[u8]> = pgm.splitn(4, |b| b.is_ascii_whitespace()).collect();
    let number = |b: &[u8]| std::str::from_utf8(b).unwrap().parse::<usize>().unwrap();
    assert_eq!(head[0], b"P5");
    let (width, height) = (number(head[1]), number(head[2]));
    let grey = &pgm[pgm.len() - width * height..];
    let mut picture =
        rqrr::PreparedImage::prepare_from_greyscale(width, height, |x, y| grey[y * width + x]);
    picture.detect_grids().iter().map(|grid| grid.decode().unwrap().1).collect()
}

#[test]
fn the_retest_list_names_every_bar_what_closes_it_and_what_left_the_house() {
    let bar = |k: usize, open: bool, shipped: &[&str]| RetestBar {
        bar: format!("{k:04}"),
        heat: "H80316".into(),
        closes: if open { "inspect it again".into() } else { "released".into() },
        open,
        pieces: vec!["A".into(), "B".into()],
        shipped: shipped.iter().map(|s| (*s).to_owned()).collect(),
    };
    let mut bars = vec![bar(1, true, &["A with D-7 to c"]), bar(2, false, &["B with D-8 to c"])];
    bars.extend((3..400).map(|k| bar(k, true, &[])));
    let causes = [RetestCause {
        cause: "The check after it failed (entry 41).".into(),
        line: "line 2".into(),
        last_good: Some(("17".into(), "2026-11-25 06:00:00 UTC".into())),
        bars,
    }];
    let list = |held, causes: &[RetestCause]| {
        let input = RetestInput { issue: support::issue(&[]), ledger: "L", held, causes };
        retest_list(&input).unwrap()
    };
    let path = keep("retest-list", &list(398, &causes));
    let none = keep("retest-none", &list(0, &[]));
    let Some(text) = words(&path) else { return };
    assert!(text.contains("398 BARS ARE HELD"), "{text}");
    // One is open and out; the closed one does not count.
    assert!(text.contains("Of 1 of them something has left the house"), "{text}");
    assert!(text.contains("398 of 399 bars are still to be"), "{text}");
    for k in [1, 200, 399] {
        assert!(text.contains(&format!("{k:04} H80316")), "bar {k}");
    }
    let text = words(&none).unwrap();
    assert!(text.contains("NO BAR IS HELD") && text.contains("Cautions"), "{text}");
}
