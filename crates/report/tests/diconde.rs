//! Objects for exchange. Kind of truth: round trips through the library that reads such objects, closed forms
//! of lengths and identifiers, properties; and an independent reader (pydicom) where the machine has one.
#![allow(clippy::unwrap_used)]

#[path = "diconde/jobs.rs"]
mod jobs;
use crate::support;

use std::{path::Path, process::Command};

use barwright_job::{
    Sealed,
    judgement::{Decision, Judgement, Verdict},
    screened::{Echo, EchoMark},
    technique::GateKind,
};
use barwright_report::{
    ReportError, cautions,
    diconde::{PeakMap, bar_object, private},
    papers::Standing,
};
use dicom_core::{
    Tag, VR, dictionary::DataDictionary as _, dictionary::DataDictionaryEntry as _,
    header::HasLength,
};
use dicom_dictionary_std::{StandardDataDictionary, tags, uids};
use dicom_object::{DefaultDicomObject, InMemDicomObject, from_reader};
use jobs::{Case, Job};

fn read(bytes: &[u8]) -> DefaultDicomObject {
    from_reader(bytes).expect("a readable object")
}

fn string(object: &InMemDicomObject, tag: Tag) -> String {
    object.element(tag).expect("the element").to_str().expect("text").into_owned()
}

fn own(object: &InMemDicomObject, attribute: private::Private) -> String {
    string(object, attribute.tag())
}

fn items(object: &InMemDicomObject, tag: Tag) -> &[InMemDicomObject] {
    object.element(tag).expect("the sequence").items().expect("items")
}

/// Every element of an object and of the items in it.
fn each(object: &InMemDicomObject, see: &mut impl FnMut(&InMemDicomObject, Tag, VR)) {
    for element in object.iter() {
        let header = dicom_core::header::Header::tag(element);
        see(object, header, element.vr());
        for item in element.items().unwrap_or_default() {
            each(item, see);
        }
    }
}

// Round trip: what the record says is read back, from public attributes and from our own.
#[test]
fn what_the_record_says_is_read_back() {
    let job = Job::new();
    let made = job.object(&Case { indications: 3, ..Case::released(Verdict::Crop) }).unwrap();
    let o = read(&made.bytes);
    assert_eq!(o.meta().media_storage_sop_class_uid(), made.sop_class);
    assert_eq!(string(&o, tags::SOP_INSTANCE_UID), made.sop_instance);
    assert_eq!(o.meta().media_storage_sop_instance_uid(), made.sop_instance);
    assert_eq!(string(&o, tags::PATIENT_NAME), "Bar 7, heat H80316");
    assert_eq!(string(&o, tags::PATIENT_ID), "H80316/7");
    assert_eq!(string(&o, tags::COMPONENT_SHAPE), "SOLIDCYLINDER");
    assert_eq!(string(&o, tags::OUTER_DIAMETER), "42");
    assert_eq!(string(&o, tags::MATERIAL_GRADE), "C45 (typical values)");
    assert_eq!(string(&o, tags::APPROVAL_STATUS), "APPROVED");
    assert_eq!(string(&o, tags::REVIEWER_NAME), "I1");
    assert_eq!(string(&o, tags::STUDY_DATE), "20261125");
    assert_eq!(own(&o, private::OUTCOME), "RELEASED AFTER CROPPING");
    assert_eq!(own(&o, private::CUSTOMER), "Ostgrave Shafts (invented)");
    assert_eq!(o.element(private::LENGTH.tag()).unwrap().to_float64().unwrap(), 3.0);
    for caution in cautions() {
        assert!(string(&o, tags::IMAGE_COMMENTS).contains(caution), "{caution}");
        assert!(own(&o, private::CAUTIONS).contains(caution), "{caution}");
    }

    let probes = items(&o, tags::TRANSMIT_TRANSDUCER_SEQUENCE);
    assert_eq!(probes.len(), 6);
    assert_eq!(probes[0].element(tags::NUMBER_OF_ELEMENTS).unwrap().to_int::<u16>().unwrap(), 96);
    for (tag, value) in [
        (tags::ELEMENT_DIMENSION_A, "0.55"),
        (tags::ELEMENT_DIMENSION_B, "12"),
        (tags::ELEMENT_PITCH_A, "0.6"),
        (tags::NOMINAL_FREQUENCY, "5"),
    ] {
        assert_eq!(string(&probes[0], tag), value);
    }
    assert_eq!(string(&probes[0], tags::DEVICE_SERIAL_NUMBER), "08-1234");
    assert!(probes[1].get(tags::DEVICE_SERIAL_NUMBER).is_none());

    // Beams of the fixture enter along the radius or 45° off it. Snell: asin(sin 45° · 1488 / 3255).
    let laws = items(&o, tags::TRANSMIT_TRANSDUCER_SETTINGS_SEQUENCE);
    assert_eq!(laws.len(), job.technique.body.beams.len());
    for (beam, law) in job.technique.body.beams.iter().zip(laws) {
        let number = |tag| string(law, tag).parse::<f64>().unwrap();
        let (inside, outside) = match beam.mode {
            barwright_wave::Mode::L => (0.0, 0.0),
            barwright_wave::Mode::S => {
                (45.0, (0.5_f64.sqrt() * 1488.0 / 3255.0).asin().to_degrees())
            }
        };
        // Angles are written to a millionth of a degree.
        assert!((number(tags::NOMINAL_BEAM_ANGLE) - inside).abs() < 1e-6);
        assert!((number(tags::INCIDENT_ANGLE) - outside).abs() < 1e-6);
        assert_eq!(string(law, tags::COUPLING_VELOCITY), "1488");
        assert_eq!(law.element(tags::ACTIVE_APERTURE).unwrap().to_int::<u16>().unwrap(), 16);
        // 15 pitches and a width.
        assert_eq!(string(law, tags::TOTAL_APERTURE), "9.55");
    }
    let gates: usize = job.technique.body.beams.iter().map(|b| b.gates.len()).sum();
    assert_eq!(items(&o, tags::GATE_SETTINGS_SEQUENCE).len(), gates);
    let receivers = items(&o, tags::RECEIVER_SETTINGS_SEQUENCE);
    assert_eq!(receivers.len(), laws.len());
    let gain = receivers[5].element(private::GAIN.tag()).unwrap().to_float64().unwrap();
    assert_eq!(gain, job.level.body.beams[5].gain_db);

    let calibrations = items(&o, tags::CALIBRATION_SETTINGS_SEQUENCE);
    let kinds: Vec<_> = calibrations.iter().map(|c| own(c, private::CALIBRATION_KIND)).collect();
    assert_eq!(kinds, ["LEVELLING", "OPENING CHECK", "CLOSING CHECK"]);
    assert_eq!(string(&calibrations[1], tags::CALIBRATION_DATE), "20261125");
    assert_eq!(string(&calibrations[1], tags::CALIBRATION_TIME), "070211.000000");
    assert_eq!(own(&calibrations[2], private::LEDGER_AUTHOR), "I1");

    let indications = items(&o, tags::INDICATION_SEQUENCE);
    let letters: Vec<_> = indications.iter().map(|i| string(i, tags::INDICATION_LABEL)).collect();
    assert_eq!(letters, ["A", "B", "C"]);
    assert_eq!(string(&indications[0], tags::INDICATION_DISPOSITION), "CUT OFF");
    assert_eq!(string(&indications[1], tags::INDICATION_TYPE), "SURFACE\\EXTENDED");

    let hashes: Vec<_> =
        items(&o, private::EVIDENCE.tag()).iter().map(|e| own(e, private::HASH)).collect();
    for hash in [&job.technique.hash, &job.level.hash] {
        assert!(hashes.contains(&hash.0));
    }
    let lost = items(&o, private::NOT_INSPECTED.tag());
    assert_eq!(lost.len(), 5);
    assert_eq!(own(&lost[2], private::STATEMENT), "coupling lost");
    assert!(string(&o, tags::IMAGE_COMMENTS).contains("NOT INSPECTED: 0 to 60 mm"));
    let approvals = items(&o, private::APPROVALS.tag());
    assert_eq!(own(&approvals[0], private::PERSON), "L3");
}

// Property: equal input, equal bytes; anything else in it, another identifier.
#[test]
fn equal_input_gives_equal_bytes_and_names_follow_from_content() {
    let job = Job::new();
    let case = Case { indications: 2, ..Case::released(Verdict::Crop) };
    let (a, b) = (job.object(&case).unwrap(), job.object(&case).unwrap());
    assert!(a.bytes == b.bytes);
    let mut names = vec![a.sop_instance.clone()];
    for other in [
        Case { indications: 3, ..case },
        Case { name: "8", ..case },
        Case {
            closing: None,
            standing: Standing::Waiting { why: "The closing check is due." },
            ..case
        },
        Case { peaks: false, ..case },
        Case { author: "I2", ..case },
    ] {
        let made = job.object(&other).unwrap();
        // The study is the bar of the order: the same for the same bar only.
        assert_eq!(made.study == a.study, other.name == case.name);
        names.push(made.sop_instance);
    }
    names.sort();
    assert!(names.windows(2).all(|w| w[0] != w[1]));
    for name in names {
        assert!(name.len() <= 64 && name.starts_with("2.25.") && !name.starts_with("2.25.0"));
        assert!(name.bytes().all(|b| b.is_ascii_digit() || b == b'.'));
    }
}

// Property: only what the ledger releases is called approved; what is missing is said in the object.
#[test]
fn what_is_not_released_is_never_called_approved() {
    let job = Job::new();
    let released = Case::released(Verdict::Release);
    let waiting = Standing::Waiting { why: "waiting for the closing check." };
    for (case, status, words) in [
        (released, "APPROVED", "RELEASED"),
        (Case { verdict: Verdict::Hold, ..released }, "UNAPPROVED", "HELD"),
        (Case { verdict: Verdict::Reject, ..released }, "REJECTED", "REJECTED"),
        (Case { standing: waiting, closing: None, ..released }, "UNAPPROVED", "WAITING"),
        (Case { closing: Some(false), ..released }, "UNAPPROVED", "HELD"),
        (Case { closing: None, opening: None, ..released }, "UNAPPROVED", "WAITING"),
    ] {
        let o = read(&job.object(&case).unwrap().bytes);
        assert_eq!(string(&o, tags::APPROVAL_STATUS), status);
        assert_eq!(own(&o, private::OUTCOME), words);
        assert_eq!(o.get(tags::REVIEWER_NAME).is_some(), status != "UNAPPROVED");
        assert!(string(&o, tags::IMAGE_COMMENTS).starts_with(words));
        let checks = items(&o, tags::CALIBRATION_SETTINGS_SEQUENCE).len() - 1;
        let named = usize::from(case.opening.is_some()) + usize::from(case.closing.is_some());
        assert_eq!(checks, named);
        if named < 2 {
            assert!(own(&o, private::NO_CHECKS).contains("closing check is not on record"));
        }
        assert_eq!(o.get(private::NO_CHECKS.tag()).is_some(), named < 2);
    }
}

// Property: where the ledger says nothing, nothing is said, and the reader is told why.
#[test]
fn what_the_ledger_does_not_hold_stays_open() {
    let job = Job::new();
    let made = job.object(&Case { ledger: false, ..Case::released(Verdict::Release) }).unwrap();
    let o = read(&made.bytes);
    for tag in [
        tags::OPERATORS_NAME,
        tags::PULSER_EQUIPMENT_SEQUENCE,
        tags::REVIEWER_NAME,
        tags::INSTITUTION_NAME,
    ] {
        assert!(o.get(tag).is_none(), "{tag}");
        let why = made.left_open.iter().find(|l| l.tag == tag).expect("it is told");
        assert!(!why.why.is_empty());
    }
    assert!(string(&o, tags::STUDY_DATE).is_empty());
    assert!(items(&o, tags::EVALUATOR_SEQUENCE).is_empty());
    assert!(items(&o, private::APPROVALS.tag()).is_empty());
    assert!(items(&o, private::EQUIPMENT.tag()).is_empty());
    // What is told beside the object is told in it.
    let told = items(&o, private::LEFT_OPEN.tag());
    assert_eq!(told.len(), made.left_open.len());
    for (item, open) in told.iter().zip(&made.left_open) {
        assert_eq!(own(item, private::KEYWORD), open.keyword);
    }
    // Nothing is told as left open that stands in the object with a value, but for what is missing in part.
    for open in &made.left_open {
        let there =
            o.get(open.tag).is_some_and(|e| !HasLength::is_empty(e) && e.items() != Some(&[]));
        assert!(!there || open.tag == tags::CALIBRATION_SETTINGS_SEQUENCE, "{open:?}");
    }
}

/// A name of everything that could part values, lines or names, or hide.
const STRANGE: &str = "a\\b^c=d \u{202e}gnp\u{0}\u{1b} 鋼 ÅΩж\nnext";

// Closed form: lengths and characters of PS3.5, table 6.2-1, in every element of every item, with names that
// are strange and long; and the whole text stands somewhere.
#[test]
fn strange_and_long_names_keep_to_their_representation() {
    let job = Job::new();
    let long = "鋼".repeat(3000);
    for name in [STRANGE, &long, " 7 "] {
        let made = job
            .object(&Case { name, author: name, indications: 4, ..Case::released(Verdict::Crop) })
            .unwrap();
        let o = read(&made.bytes);
        let mut seen = 0;
        each(&o, &mut |item, tag, vr| {
            let element = item.element(tag).unwrap();
            if let Some(entry) = StandardDataDictionary.by_tag(tag) {
                let known = entry.vr().relaxed();
                assert!(
                    known == vr
                        || (tag == tags::PIXEL_DATA && vr == VR::OW)
                        || (tag == tags::PIXEL_PADDING_VALUE && vr == VR::US),
                    "{tag} {vr}"
                );
            } else {
                assert_eq!(tag.0, private::GROUP, "{tag}");
                assert_eq!(string(item, Tag(private::GROUP, 0x10)), private::CREATOR);
                let own = private::ALL.iter().find(|p| p.tag() == tag);
                assert!(tag.1 == 0x10 || own.is_some_and(|p| p.vr == vr), "{tag} {vr}");
            }
            let most = match vr {
                VR::SH | VR::CS | VR::DS => 16,
                VR::IS => 12,
                VR::LO | VR::PN | VR::UI => 64,
                VR::ST => 1024,
                VR::LT => 10_240,
                VR::DA => 8,
                VR::UT | VR::TM | VR::DT => usize::MAX,
                _ => return,
            };
            seen += 1;
            let paragraphs = matches!(vr, VR::ST | VR::LT | VR::UT);
            let text = element.to_str().unwrap();
            let values: Vec<&str> =
                if paragraphs { vec![&text] } else { text.split('\\').collect() };
            for value in values {
                assert!(
                    value.trim_end_matches([' ', '\0']).chars().count() <= most,
                    "{tag} {vr} {value:?}"
                );
                let allowed = |c: char| !c.is_control() || (paragraphs && matches!(c, '\r' | '\n'));
                assert!(value.chars().all(allowed), "{tag} {vr} {value:?}");
                if vr == VR::CS {
                    assert!(
                        value.chars().all(|c| c.is_ascii_uppercase()
                            || c.is_ascii_digit()
                            || " _".contains(c)),
                        "{tag} {value}"
                    );
                }
            }
        });
        assert!(seen > 1000, "{seen} elements looked at");
        let whole = own(&o, private::BAR);
        let shown = name
            .replace('\0', "\u{fffd}")
            .replace(['\u{202e}', '\u{1b}'], "\u{fffd}")
            .replace('\n', "\r\n");
        assert_eq!(whole, shown.trim_end());
        // The name of the component holds the bar's, and says whole what it could not.
        let texts = items(&o, private::FULL_TEXTS.tag());
        assert_eq!(texts.len(), made.shortened.len());
        let cut = made.shortened.iter().any(|s| s.tag == tags::PATIENT_NAME);
        assert_eq!(cut, name != " 7 ");
        for (item, s) in texts.iter().zip(&made.shortened) {
            assert_eq!(own(item, private::FULL_TEXT), s.text);
            assert_eq!(
                item.element(private::ATTRIBUTE.tag()).unwrap().value().to_tag().unwrap(),
                s.tag
            );
        }
    }
}

// Property: none and a thousand indications.
#[test]
fn none_and_a_thousand_indications_both_stand() {
    let job = Job::new();
    for count in [0, 1000] {
        let case = Case { indications: count, ..Case::released(Verdict::Hold) };
        let o = read(&job.object(&case).unwrap().bytes);
        assert_eq!(items(&o, tags::INDICATION_SEQUENCE).len(), count);
    }
}

// Property: documents of other bars are refused as papers refuse them; moments that no calendar has, too.
#[test]
fn what_does_not_belong_together_is_refused() {
    let job = Job::new();
    let case = Case::released(Verdict::Release);
    let other = support::level(&jobs::other_technique());
    let refused = job.with(&case, |input| {
        let mut input = *input;
        input.bar.level = &other;
        bar_object(&input)
    });
    assert!(matches!(refused, Err(ReportError::Mismatch(_))), "{refused:?}");
    let refused = job.with(&case, |input| {
        let mut input = *input;
        input.recorded.head.time_us = i64::MAX;
        bar_object(&input)
    });
    assert!(matches!(refused, Err(ReportError::Time { .. })), "{refused:?}");
}

fn echo(beam: u32, gate: u8, z_m: f64, height_fsh: f32, mark: EchoMark) -> Echo {
    Echo { beam, gate, z_m, turn_rad: 0.0, height_fsh, after_surface_s: 5e-6, mark }
}

/// A judgement of the job's first bar that a person changed.
fn decided(judgement: &Sealed<Judgement>) -> Sealed<Judgement> {
    let mut body = judgement.body.clone();
    body.decisions.push(Decision {
        by: "L3".into(),
        reason: "sectioned, sound".into(),
        time_us: 1_795_600_000_000_000,
        verdict: Verdict::Hold,
        cut: body.cut.clone(),
        judgement: judgement.hash.clone(),
    });
    let roles = ["screened", "technique", "rules", "order"];
    Sealed::seal(body, roles.map(|role| (role, judgement.made_from[role].clone())))
}

// Property: who decided otherwise comes after who judged by the rules, and is the one who reviewed.
#[test]
fn who_decided_otherwise_is_a_further_evaluator() {
    let job = Job::new();
    let case = Case::released(Verdict::Release);
    let (_, by_rules) = job.documents(&case);
    let judgement = decided(&by_rules);
    let made = job.with(&case, |input| {
        let mut input = *input;
        input.bar.judgement = &judgement;
        input.recorded.first_judgement = input.recorded.judgement;
        bar_object(&input).unwrap()
    });
    let o = read(&made.bytes);
    let evaluators = items(&o, tags::EVALUATOR_SEQUENCE);
    let names: Vec<_> = evaluators.iter().map(|e| string(e, tags::EVALUATOR_NAME)).collect();
    assert_eq!(names, ["I1", "L3"]);
    assert_eq!(string(&evaluators[1], tags::EVALUATION_ATTEMPT), "2");
    assert_eq!(string(&o, tags::REVIEWER_NAME), "L3");
    // 1 795 600 000 s after 1970 is 2026-11-25T09:46:40Z.
    assert_eq!(string(&o, tags::REVIEW_TIME), "094640.000000");
    let decisions = items(&o, private::DECISIONS.tag());
    assert_eq!(own(&decisions[0], private::STATEMENT), "sectioned, sound");
    assert_eq!(own(&decisions[0], private::VERDICT), "HOLD");
    assert_eq!(own(&decisions[0], private::HASH), by_rules.hash.0);
    assert!(own(&o, private::OUTCOME).contains("BY DECISION"));
}

// Closed form: a peak stands in the row of its beam and gate, in the column of its place, as high as it is
// read to a step; equivalence with the plain walk over all echoes.
#[test]
fn peaks_stand_where_they_were_read() {
    let job = Job::new();
    let t = &job.technique.body;
    let mut map = PeakMap::new(t, 3.0).unwrap();
    let (rows, columns) = map.size();
    let gates = |b: &barwright_job::technique::Beam| {
        b.gates.iter().filter(|g| matches!(g.kind, GateKind::Volume | GateKind::Crack)).count()
    };
    assert_eq!(rows, t.beams.iter().map(gates).sum::<usize>());
    // 3.1 mm between shots: 4.65 mm, in whole millimetres 5.
    assert_eq!((map.cell_m(), columns), (0.005, 600));
    let mut state = 1_u64;
    let mut random = |n: u64| {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % n
    };
    let marks = [EchoMark::Sound, EchoMark::Clipped, EchoMark::CouplingLost];
    let echoes: Vec<Echo> = (0..20_000)
        .map(|_| {
            let z = random(3_100_000) as f64 / 1e6 - 0.05;
            let mark = marks[(random(12) / 5) as usize];
            echo(random(200) as u32, random(3) as u8, z, random(4_500) as f32 / 1000.0, mark)
        })
        .collect();
    echoes.chunks(777).for_each(|part| map.take(part));
    let case = Case::released(Verdict::Hold);
    let made = job.with(&case, |input| {
        let mut input = *input;
        input.peaks = Ok(&map);
        bar_object(&input).unwrap()
    });
    let o = read(&made.bytes);
    assert_eq!(made.sop_class, uids::MULTI_FRAME_GRAYSCALE_WORD_SECONDARY_CAPTURE_IMAGE_STORAGE);
    let pixels = o.element(tags::PIXEL_DATA).unwrap().to_multi_int::<u16>().unwrap();
    assert_eq!(pixels.len(), 2 * rows * columns);
    let beams = o.element(private::ROW_BEAMS.tag()).unwrap().to_multi_int::<u32>().unwrap();
    let own_gates = o.element(private::ROW_GATES.tag()).unwrap().to_multi_int::<u8>().unwrap();
    let mut told = 0;
    for row in 0..rows {
        for column in 0..columns {
            let here = echoes.iter().filter(|e| {
                (e.beam, e.gate) == (beams[row], own_gates[row])
                    && (0.0..=3.0).contains(&e.z_m)
                    && ((e.z_m / 0.005) as usize).min(columns - 1) == column
            });
            let (mut height, mut worst) = (None::<f32>, 0);
            for e in here {
                told += 1;
                worst = worst.max(1 + marks.iter().position(|m| *m == e.mark).unwrap() as u16);
                if e.mark != EchoMark::CouplingLost {
                    height = Some(height.unwrap_or(0.0).max(e.height_fsh));
                }
            }
            let k = row * columns + column;
            assert_eq!(pixels[rows * columns + k], worst);
            match height {
                None => assert_eq!(pixels[k], u16::MAX),
                // Half a step, and 32-bit rounding of the height.
                Some(h) => {
                    assert!((f64::from(pixels[k]) * map.step_fsh() - f64::from(h)).abs() < 0.51e-4)
                }
            }
        }
    }
    assert!(told > 5_000, "{told} peaks compared");
    assert_eq!(told, map.peaks());
}

// Property: a technique without gates for flaws, or a bar without length, gives no map and says so.
#[test]
fn without_peaks_the_object_is_raw_data() {
    let job = Job::new();
    assert!(PeakMap::new(&job.technique.body, 0.0).is_none());
    assert!(PeakMap::new(&job.technique.body, f64::NAN).is_none());
    let mut none = job.technique.body.clone();
    none.beams.iter_mut().for_each(|b| b.gates.retain(|g| g.kind == GateKind::Surface));
    assert!(PeakMap::new(&none, 3.0).is_none());
    // A bar of 30 m, and one so long that columns must be coarser.
    assert_eq!(PeakMap::new(&job.technique.body, 30.0).unwrap().size().1, 6000);
    assert!(PeakMap::new(&job.technique.body, 1e6).unwrap().size().1 <= 65_535);

    let made = job.object(&Case { peaks: false, ..Case::released(Verdict::Release) }).unwrap();
    let o = read(&made.bytes);
    assert_eq!(made.sop_class, uids::RAW_DATA_STORAGE);
    for tag in [tags::ROWS, tags::PIXEL_DATA, tags::NUMBER_OF_FRAMES] {
        assert!(o.get(tag).is_none());
    }
    assert!(made.left_open.iter().any(|l| l.tag == tags::PIXEL_DATA && l.why.contains("no table")));
}

// Truth: independent code. pydicom reads every value, strict about representations, and the check compares
// them with the documents. BARWRIGHT_PYTHON names an interpreter; python3 otherwise.
#[test]
fn an_independent_reader_finds_what_the_documents_say() {
    let job = Job::new();
    let python = std::env::var("BARWRIGHT_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../checks/dicom_reader.py");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let long = format!("{STRANGE} {}", "鋼".repeat(3000));
    let released = Case { indications: 3, ..Case::released(Verdict::Crop) };
    for (name, case) in [
        ("plain", released),
        ("none", Case { indications: 0, ..Case::released(Verdict::Release) }),
        ("thousand", Case { indications: 1000, ..Case::released(Verdict::Hold) }),
        ("raw", Case { peaks: false, ledger: false, closing: None, opening: None, ..released }),
        ("strange", Case { name: STRANGE, author: STRANGE, ..released }),
        ("long", Case { name: &long, author: &long, ..released }),
    ] {
        let made = job.object(&case).unwrap();
        let (screened, judgement) = job.documents(&case);
        let at = |ending: &str| folder.join(format!("{name}.{ending}"));
        std::fs::write(at("dcm"), &made.bytes).unwrap();
        std::fs::write(at("screened.json"), screened.to_json()).unwrap();
        std::fs::write(at("judgement.json"), judgement.to_json()).unwrap();
        std::fs::write(at("technique.json"), job.technique.to_json()).unwrap();
        std::fs::write(at("level.json"), job.level.to_json()).unwrap();
        std::fs::write(at("order.json"), serde_json::to_string(&support::order()).unwrap())
            .unwrap();
        let files = [
            "dcm",
            "screened.json",
            "judgement.json",
            "technique.json",
            "level.json",
            "order.json",
        ]
        .map(at);
        let run = || Command::new(&python).arg(&script).args(&files).output();
        match run() {
            Err(e) => eprintln!("SKIPPED: no Python: {e}"),
            Ok(run) if run.status.code() == Some(3) => {
                eprintln!("SKIPPED: {}", String::from_utf8_lossy(&run.stderr));
            }
            // The check finds a changed size, so that its silence says something.
            Ok(first) if name == "plain" && first.status.success() => {
                let text = judgement.to_json().replace("0.00129", "0.00139");
                std::fs::write(at("judgement.json"), text).unwrap();
                let told = run().unwrap();
                assert_eq!(told.status.code(), Some(1));
                assert!(String::from_utf8_lossy(&told.stderr).contains("size_m"));
            }
            Ok(run) => assert!(
                run.status.success(),
                "{name}: {}{}",
                String::from_utf8_lossy(&run.stdout),
                String::from_utf8_lossy(&run.stderr)
            ),
        }
    }
}

// By construction: the handbook has the dictionary of private attributes, every row of it and no other.
#[test]
fn the_handbook_has_the_private_dictionary() {
    let page = include_str!("../../../docs/handbook/exchange.md");
    let rows: Vec<&str> = page.lines().filter(|l| l.starts_with("| (0015,")).collect();
    let own = private::ALL.iter().map(|p| {
        let Tag(group, element) = p.tag();
        format!("| ({group:04x},{element:04x}) | {} | {} | {} |", p.vr, p.keyword, p.meaning)
    });
    assert_eq!(rows, own.collect::<Vec<_>>());
}
