//! The journal of a bar. Truth: what was written; a torn file keeps what was whole before the tear.

use std::path::Path;

use barwright_capture::journal::{End, Frame, Run};
use barwright_capture::{
    Announcement, CaptureError, Journal, JournalReader, KeptAscan, Peaks, ShotLine,
};
use barwright_job::screened::{Echo, EchoMark};
use proptest::prelude::*;

fn announcement() -> Announcement {
    let json = r#"{"format": 1, "line": "line 1", "header": {"kind": "production",
        "technique": "t", "level": null, "bar": "1", "heat": "H", "length_m": 1.0, "record":
        {"first_sample_s": 0.0, "sample_rate_hz": 5e7, "samples": 8, "full_scale_fsh": 4.0},
        "gains_db": [1.0, 2.0], "origin": "test"}}"#;
    Announcement::read(json.as_bytes()).expect("an announcement")
}

fn run(first: u64, shots: u64) -> Run {
    let mut run = Run { next_shot: first + shots, ..Run::default() };
    for k in first..first + shots {
        let line = ShotLine {
            shot: k,
            beam: (k % 3) as u32,
            pass: 0,
            time_s: k as f64 * 1e-4,
            z_m: k as f64 * 1e-3,
            turn_rad: 0.25,
            coupled: k % 5 != 0,
            surface_shot: (k % 2 == 0).then_some(k),
            hidden: k % 7 == 0,
            gates: (k % 3) as u8,
        };
        for gate in 0..line.gates {
            run.peaks.echoes.push(Echo {
                beam: line.beam,
                gate,
                z_m: line.z_m,
                turn_rad: line.turn_rad,
                height_fsh: 0.1 * k as f32,
                after_surface_s: 1e-6 * f64::from(gate),
                mark: EchoMark::Clipped,
            });
        }
        run.peaks.lines.push(line);
    }
    run.kept.push(KeptAscan {
        beam: 1,
        z_m: 0.5,
        turn_rad: 0.0,
        time_s: 0.1,
        first_sample_s: 5e-6,
        samples: vec![i16::MIN, -1, 0, 1, i16::MAX],
    });
    run
}

fn write(path: &Path, runs: &[Run], end: Option<&End>) {
    let mut journal = Journal::create(path, &announcement()).expect("a journal");
    for run in runs {
        journal.run(run).expect("a run");
    }
    match end {
        Some(end) => journal.end(end).expect("an end"),
        None => journal.sync().expect("synced"),
    }
}

fn read(path: &Path) -> (Vec<Frame>, Option<u64>) {
    let mut reader = JournalReader::open(path).expect("a journal");
    assert_eq!(reader.announcement, announcement());
    let mut frames = Vec::new();
    while let Some(frame) = reader.next_frame().expect("readable") {
        frames.push(frame);
    }
    (frames, reader.torn_bytes())
}

#[test]
fn what_was_written_is_read() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("1.journal");
    let runs = [run(0, 10), run(10, 1), Run { next_shot: 11, ..Run::default() }];
    let end = End { length_m: Some(1.25), broken_off: None, findings: Vec::new() };
    write(&path, &runs, Some(&end));
    let (frames, torn) = read(&path);
    let wanted: Vec<Frame> = runs.into_iter().map(Frame::Run).chain([Frame::End(end)]).collect();
    assert_eq!(frames, wanted);
    assert_eq!(torn, None);
    let again = Journal::create(&path, &announcement()).expect_err("it is there");
    assert!(matches!(again, CaptureError::Io { .. }));
    let shots: Vec<(u64, usize)> =
        run(0, 4).peaks.shots().map(|(l, e)| (l.shot, e.len())).collect();
    assert_eq!(shots, [(0, 0), (1, 1), (2, 2), (3, 0)]);
    assert_eq!(Peaks::default().shots().count(), 0);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_torn_or_changed_journal_keeps_what_was_whole_before(
        share in 0.0..1.0f64,
        flip: bool,
    ) {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("1.journal");
        let runs: Vec<Run> = (0..5).map(|k| run(10 * k, 10)).collect();
        write(&path, &runs[..0], None);
        let announced = std::fs::metadata(&path).expect("there").len();
        std::fs::remove_file(&path).expect("removed");
        let mut ends = vec![announced];
        for k in 1..=runs.len() {
            write(&path, &runs[..k], None);
            ends.push(std::fs::metadata(&path).expect("there").len());
            if k < runs.len() {
                std::fs::remove_file(&path).expect("removed");
            }
        }
        let mut bytes = std::fs::read(&path).expect("there");
        let at = (share * bytes.len() as f64) as usize;
        if flip {
            bytes[at] ^= 0x40;
        } else {
            bytes.truncate(at);
        }
        std::fs::write(&path, &bytes).expect("written");
        // Whole are the frames that end at or before the place that was touched.
        let whole = ends.iter().filter(|&&e| e <= at as u64).count();
        if whole == 0 {
            let refused = JournalReader::open(&path).expect_err("nothing was acknowledged");
            let corrupt = matches!(refused, CaptureError::Corrupt { .. });
            prop_assert!(corrupt, "{}", refused);
        } else {
            let (frames, torn) = read(&path);
            let wanted: Vec<Frame> = runs[..whole - 1].iter().cloned().map(Frame::Run).collect();
            prop_assert_eq!(frames, wanted);
            let left = bytes.len() as u64 - ends[whole - 1];
            prop_assert_eq!(torn, (left > 0).then_some(left));
        }
    }
}
