//! Papers: what they say, what they must never say, and equal bytes for equal input. Kind of truth:
//! properties, and words known from the fixtures. Text is read back with `pdftotext`, an independent
//! program; without it those parts are skipped.
#![allow(clippy::unwrap_used)]

use crate::support;

use std::{path::PathBuf, process::Command};

use barwright_job::{Hash, Sealed, Technique, dense::DenseProof, judgement::Verdict, level::Level};
use barwright_report::{
    ReportError, cautions,
    papers::{
        BarInput, CheckInput, LevelInput, LotBar, LotInput, ProofInput, ReferenceInput, Standing,
        TechniqueInput, bar_certificate, check_report, level_record, lot_certificate, proof_report,
        reference_sheet, technique_sheet,
    },
};

fn keep(name: &str, pdf: &[u8]) -> PathBuf {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.pdf"));
    std::fs::write(&path, pdf).unwrap();
    path
}

/// The words of a paper with every run of white space as one space, and its pages.
fn words(name: &str, pdf: &[u8]) -> Option<(String, usize)> {
    assert!(pdf.starts_with(b"%PDF-"));
    let path = keep(name, pdf);
    let Ok(out) = Command::new("pdftotext").arg("-layout").arg(&path).arg("-").output() else {
        eprintln!("SKIPPED: pdftotext is not on this machine; the words of {name} are unchecked");
        return None;
    };
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    let pages = text.matches('\u{c}').count();
    Some((text.split_whitespace().collect::<Vec<_>>().join(" "), pages))
}

fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

struct Job {
    technique: Sealed<Technique>,
    level: Sealed<Level>,
}

fn job() -> Job {
    let technique = support::technique();
    let level = support::level(&technique);
    Job { technique, level }
}

struct BarCase<'a> {
    verdict: Verdict,
    standing: Standing<'a>,
    closing: Option<bool>,
    indications: usize,
    name: &'a str,
}

fn bar_paper(job: &Job, case: &BarCase<'_>) -> Result<Vec<u8>, ReportError> {
    let (screened, judgement) =
        support::bar(&job.technique, &job.level, case.name, case.verdict, case.indications);
    let opening = support::check(&job.technique, &job.level, true);
    let closing = case.closing.map(|good| support::check(&job.technique, &job.level, good));
    let not_validated = ["Equivalent sizes near the surface are not validated.".to_owned()];
    bar_certificate(&BarInput {
        issue: support::issue(&not_validated),
        order: &support::order(),
        rules: &support::rules(),
        technique: &job.technique,
        level: &job.level,
        screened: &screened,
        judgement: &judgement,
        standing: case.standing,
        opening: Some(support::entry(&opening)),
        closing: closing.as_ref().map(support::entry),
    })
}

#[test]
fn a_released_bar_has_a_certificate_with_verdict_hashes_and_cautions() {
    let job = job();
    let case = BarCase {
        verdict: Verdict::Crop,
        standing: Standing::Released,
        closing: Some(true),
        indications: 3,
        name: "7",
    };
    let pdf = bar_paper(&job, &case).unwrap();
    assert_eq!(pdf, bar_paper(&job, &case).unwrap(), "equal input, equal bytes");
    let Some((text, pages)) = words("bar-released", &pdf) else {
        return;
    };
    assert!(text.contains("Bar certificate"), "{text}");
    assert!(text.contains("RELEASED AFTER CROPPING"));
    for caution in cautions() {
        assert!(text.contains(caution), "{caution}");
    }
    for hash in [&job.technique.hash, &job.level.hash] {
        assert!(text.contains(&hash.0), "whole hash");
        assert!(text.contains(hash.short()), "short hash");
    }
    for wanted in [
        "TH-4207",
        "H80316",
        "volume.largest_disc_mm",
        "coupling lost",
        "not validated",
        "Opening check: good",
        "Closing check: good",
        "entry 118",
        "1660",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    assert!(text.contains(&format!("page {pages} of {pages}")));
}

#[test]
fn what_is_not_released_is_never_called_a_certificate() {
    let job = job();
    let cases = [
        ("held", Verdict::Hold, Standing::Released, Some(true), "HELD"),
        ("rejected", Verdict::Reject, Standing::Released, Some(true), "REJECTED"),
        (
            "waiting",
            Verdict::Release,
            Standing::Waiting { why: "The closing check is due." },
            None,
            "WAITING",
        ),
        (
            "held-by-check",
            Verdict::Release,
            Standing::Held { why: "The check of 09:00 failed." },
            Some(false),
            "HELD",
        ),
        ("unclosed", Verdict::Release, Standing::Released, None, "WAITING"),
        ("bad-check", Verdict::Release, Standing::Released, Some(false), "HELD"),
    ];
    for (name, verdict, standing, closing, large) in cases {
        let pdf =
            bar_paper(&job, &BarCase { verdict, standing, closing, indications: 1, name: "7" })
                .unwrap();
        let Some((text, _)) = words(&format!("bar-{name}"), &pdf) else {
            continue;
        };
        assert!(text.contains("Bar record"), "{name}");
        assert!(text.contains(large), "{name}");
        assert!(!text.to_lowercase().contains("certificate"), "{name}: {text}");
        assert!(text.contains(cautions()[0]), "{name}");
    }
}

#[test]
fn none_and_a_thousand_indications_both_set() {
    let job = job();
    let paper = |indications, verdict| {
        bar_paper(
            &job,
            &BarCase {
                verdict,
                standing: Standing::Released,
                closing: Some(true),
                indications,
                name: "7",
            },
        )
        .unwrap()
    };
    let none = paper(0, Verdict::Release);
    let many = paper(1000, Verdict::Hold);
    if let Some((text, _)) = words("bar-none", &none) {
        assert!(text.contains("No echo that counts"));
    }
    if let Some((text, pages)) = words("bar-thousand", &many) {
        // The thousandth letter: 999 = 26 + 37·26 + 11, that is AL after A..Z.
        assert!(text.contains(" ALL "), "last letter");
        assert!(pages > 10, "{pages} pages");
    }
}

#[test]
fn strange_names_are_shown_and_do_nothing() {
    let job = job();
    let name = "#[#image(\"/etc\")] <x> *b* $a$ \\ \u{202e}gnp\u{0} 鋼 ÅΩж";
    let pdf = bar_paper(
        &job,
        &BarCase {
            verdict: Verdict::Release,
            standing: Standing::Released,
            closing: Some(true),
            indications: 0,
            name,
        },
    )
    .unwrap();
    let Some((text, _)) = words("bar-strange", &pdf) else {
        return;
    };
    for wanted in ["#[#image(\"/etc\")] <x> *b* $a$ \\", "U+92FC", "ÅΩж"] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    let long = "W".repeat(400);
    bar_paper(
        &job,
        &BarCase {
            verdict: Verdict::Release,
            standing: Standing::Released,
            closing: Some(true),
            indications: 0,
            name: &long,
        },
    )
    .map(|pdf| keep("bar-long", &pdf))
    .unwrap();
}

#[test]
fn documents_that_do_not_belong_together_make_no_paper() {
    let job = job();
    let mut other = job.level.body.clone();
    other.passes += 1;
    let other = Sealed::seal(
        other,
        [("technique", job.technique.hash.clone()), ("rules", support::rules().hash())],
    );
    let (screened, judgement) = support::bar(&job.technique, &job.level, "7", Verdict::Release, 0);
    let result = bar_certificate(&BarInput {
        issue: support::issue(&[]),
        order: &support::order(),
        rules: &support::rules(),
        technique: &job.technique,
        level: &other,
        screened: &screened,
        judgement: &judgement,
        standing: Standing::Released,
        opening: None,
        closing: None,
    });
    let e = result.expect_err("another level");
    assert!(matches!(e, ReportError::Mismatch(_)), "{e}");
    assert!(e.hint().is_some());
}

#[test]
fn an_unreadable_moment_is_an_error() {
    let job = job();
    let mut issue = support::issue(&[]);
    issue.made_at = "yesterday";
    let e = technique_sheet(&TechniqueInput {
        issue,
        order: &support::order(),
        technique: &job.technique,
        approved: None,
    })
    .expect_err("no time");
    assert!(matches!(e, ReportError::Time { .. }), "{e}");
}

#[test]
fn the_technique_sheet_says_whether_it_is_approved_and_what_binds() {
    let job = job();
    let paper = |approved| {
        technique_sheet(&TechniqueInput {
            issue: support::issue(&[]),
            order: &support::order(),
            technique: &job.technique,
            approved,
        })
        .unwrap()
    };
    let pdf = paper(None);
    assert_eq!(pdf, paper(None));
    if let Some((text, _)) = words("technique", &pdf) {
        for wanted in [
            "NO APPROVAL RECORDED",
            "binds",
            "pulses per reflector",
            "198",
            &job.technique.hash.0,
            // 2.970 over 2.880 ms.
            "takes less than 2.880 ms; this one is 3.1 % over that",
            "What else was weighed",
            "51 firings a cycle",
            "What a change would buy",
            // 1.19 over 1.04 m/s.
            "+14",
            "two probes fewer",
        ] {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
    }
    let approved = paper(Some("Approved at 2026-11-24T10:00:00Z with the key of the level 3."));
    if let Some((text, _)) = words("technique-approved", &approved) {
        assert!(text.contains("APPROVED") && !text.contains("NO APPROVAL"));
    }
}

#[test]
fn the_proof_report_names_the_weakest_place_of_each_class() {
    let job = job();
    let proof = support::proof(&job.technique);
    let pdf = proof_report(&ProofInput {
        issue: support::issue(&[]),
        order: &support::order(),
        technique: &job.technique,
        proof: &proof,
        dense: None,
    })
    .unwrap();
    if let Some((text, _)) = words("proof", &pdf) {
        assert!(!text.contains("All tolerances together"), "{text}");
        for wanted in [
            "NOT COVERED",
            "96.2",
            "−3.9 dB",
            "−0.3 dB",
            "99.9",
            &proof.hash.0,
            "centre (pipe)",
            "volume (inclusion)",
            // 1 - 0.975, and where the fixture put it.
            "2.50 % of the section below the skin",
            "between 12.0 and 15.0 mm from the axis, 12:55 to 2:05 o'clock",
            "within 1.0 mm of the axis, all around",
            "at 1:45 to 2:15, 3:45 to 4:15",
            "first passage. Last two",
            "In 0.40 % the engine itself doubts its answer",
            "500 7 93.10 95.70 98.80",
            "bar 0.28 mm off centre",
            "By rays beside",
            "volume (inclusion) 100.00 97.50 99.10 94.90",
        ] {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
    }
}

#[test]
fn the_proof_report_says_what_all_tolerances_together_leave() {
    let job = job();
    let proof = support::proof(&job.technique);
    let of = |technique: Hash| Sealed::seal(support::dense(), [("technique", technique)]);
    let paper = |dense: &Sealed<DenseProof>| {
        proof_report(&ProofInput {
            issue: support::issue(&[]),
            order: &support::order(),
            technique: &job.technique,
            proof: &proof,
            dense: Some(dense),
        })
        .unwrap()
    };
    let dense = of(job.technique.hash.clone());
    if let Some((text, _)) = words("proof-dense", &paper(&dense)) {
        for wanted in [
            "Short of the order with all tolerances together",
            "90.0 100.00 50.00 40.00",
            // One of two places falls from +3 to -1 dB.
            "50.00 % stands with the tolerances one by one and falls with all of them together, by up to 4.0 dB.",
            "Least with bar 0.30 mm off centre, steel 0.5 % slower.",
            "1000 combinations of all tolerances, each in 6 directions, seed 7",
            &dense.hash.0,
        ] {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
    }
    let other = of(Hash::of(b"another"));
    if let Some((text, _)) = words("proof-dense-other", &paper(&other)) {
        assert!(text.contains("is of another technique, and is not shown"), "{text}");
        assert!(!text.contains(&other.hash.0) && !text.contains("Short of the order"), "{text}");
    }
}

#[test]
fn the_reference_sheet_lists_reflectors_and_motions() {
    let job = job();
    let reference = support::reference(&job.technique);
    let pdf = reference_sheet(&ReferenceInput {
        issue: support::issue(&[]),
        technique: &job.technique,
        reference: &reference,
    })
    .unwrap();
    if let Some((text, _)) = words("reference", &pdf) {
        for wanted in
            ["RB-42-1", "370.0", "37.2", "198 of 198 beams", "spark erosion", &reference.hash.0]
        {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
    }
}

#[test]
fn the_level_record_has_every_beam() {
    let job = job();
    let pdf = level_record(&LevelInput {
        issue: support::issue(&[]),
        technique: &job.technique,
        rules: &support::rules(),
        level: &job.level,
    })
    .unwrap();
    if let Some((text, _)) = words("level", &pdf) {
        for wanted in ["NOT LEVEL", "no echo", "clipped", "0.25 mm off", &job.level.hash.0] {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
        let rows = (0..198).filter(|b| text.contains(&format!(" {b} P{} ", b / 33 + 1))).count();
        assert_eq!(rows, 198);
    }
}

#[test]
fn the_check_report_says_good_only_for_a_good_check() {
    let job = job();
    for good in [true, false] {
        let check = support::check(&job.technique, &job.level, good);
        let pdf = check_report(&CheckInput {
            issue: support::issue(&[]),
            technique: &job.technique,
            level: &job.level,
            rules: &support::rules(),
            check: &check,
            signed_by: good.then_some("station key, line 2"),
        })
        .unwrap();
        if let Some((text, _)) = words(&format!("check-{good}"), &pdf) {
            assert_eq!(text.contains("NOT GOOD"), !good);
            assert_eq!(text.contains("missed"), !good);
            assert_eq!(text.contains("Not signed"), !good);
            assert!(text.contains(&check.hash.0));
        }
    }
}

#[test]
fn a_lot_is_certified_only_when_every_ordered_bar_is_released() {
    let job = job();
    let check = support::check(&job.technique, &job.level, true);
    let entry = support::entry(&check);
    for (name, held, count) in
        [("lot-whole", false, 24), ("lot-held", true, 24), ("lot-short", false, 23)]
    {
        let made: Vec<_> = (1..=count)
            .map(|k| {
                let verdict = if held && k == 5 { Verdict::Hold } else { Verdict::Release };
                support::bar(&job.technique, &job.level, &k.to_string(), verdict, k % 3)
            })
            .collect();
        let bars: Vec<LotBar<'_>> = made
            .iter()
            .map(|(screened, judgement)| LotBar {
                screened,
                judgement,
                standing: Standing::Released,
                opening: Some(entry),
                closing: Some(entry),
            })
            .collect();
        let pdf = lot_certificate(&LotInput {
            issue: support::issue(&[]),
            order: &support::order(),
            rules: &support::rules(),
            technique: &job.technique,
            bars: &bars,
        })
        .unwrap();
        if let Some((text, _)) = words(name, &pdf) {
            let whole = name == "lot-whole";
            assert_eq!(text.contains("Lot certificate"), whole, "{name}");
            assert_eq!(text.contains("Lot summary"), !whole, "{name}");
            assert!(flat(&text).contains(cautions()[2]), "{name}");
        }
    }
}
