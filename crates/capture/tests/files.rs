//! Captures and tables on disk: round trip, damage, later formats.

use crate::common::{bits, folder, header, shots, write};
use barwright_capture::*;
use barwright_job::Hash;
use barwright_job::screened::{Echo, EchoMark};
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]
    // Truth: property (round trip). Exact: nothing is rounded.
    #[test]
    fn shots_come_back_as_they_were(
        samples in 1_usize..40,
        rows in prop::collection::vec((any::<u16>(), any::<u32>(), any::<f64>(), any::<f32>()), 0..50),
        noise: Vec<i16>,
        cut in 0_usize..50,
    ) {
        let mut all = Shots::new(samples);
        for (i, &(pass, beam, z_m, turn_rad)) in rows.iter().enumerate() {
            let place = shots::ShotPlace { pass, beam, time_s: i as f64 * 1e-3, z_m, turn_rad };
            for (k, x) in all.push(place).iter_mut().enumerate() {
                *x = noise.get((i * samples + k) % noise.len().max(1)).copied().unwrap_or(0);
            }
            all.clipped_s[i] = [z_m as f32, f32::NAN];
        }
        let mut first = Shots::new(samples);
        let mut rest = Shots::new(samples);
        for i in 0..all.len() {
            let part = if i < cut { &mut first } else { &mut rest };
            let place = shots::ShotPlace {
                pass: all.pass[i], beam: all.beam[i], time_s: all.time_s[i],
                z_m: all.z_m[i], turn_rad: all.turn_rad[i],
            };
            part.push(place).copy_from_slice(all.ascan(i));
            *part.clipped_s.last_mut().expect("pushed") = all.clipped_s[i];
        }
        let dir = folder();
        let path = dir.path().join("a.capture");
        let h = header(samples as u32);
        let mut writer = CaptureWriter::create(&path, &h).expect("a writer");
        writer.write(&first).expect("written");
        writer.write(&rest).expect("written");
        let hash = writer.finish().expect("finished");
        prop_assert_eq!(&hash, &hash_file(&path).expect("hashed"));
        let (back_header, back) = CaptureReader::read_all(&path).expect("read");
        prop_assert_eq!(back_header, h);
        prop_assert_eq!(bits(&back), bits(&all));
    }
}

// Truth: property. Batches bound the memory: 8 MiB of samples each.
#[test]
fn large_captures_come_in_batches_of_bounded_size() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let all = shots(600, 16_000);
    write(&path, &header(600), &all);
    let reader = CaptureReader::open(&path).expect("open");
    assert_eq!(reader.shots(), 16_000);
    assert_eq!(reader.batches(), 3);
    let mut back = Shots::new(600);
    for batch in reader {
        let batch = batch.expect("a batch");
        assert!(batch.samples.len() * 2 <= 8 << 20);
        back.append(batch);
    }
    assert_eq!(bits(&back), bits(&all));
}

// Truth: property. The same shots make the same bytes.
#[test]
fn the_same_shots_make_the_same_bytes() {
    let dir = folder();
    let of = |name| write(&dir.path().join(name), &header(50), &shots(50, 300));
    assert_eq!(of("a"), of("b"));
}

#[test]
fn nothing_stands_under_the_name_before_it_is_whole() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let mut writer = CaptureWriter::create(&path, &header(50)).expect("a writer");
    writer.write(&shots(50, 10)).expect("written");
    assert!(!path.exists());
    drop(writer);
    assert_eq!(std::fs::read_dir(dir.path()).expect("a folder").count(), 0);
}

#[test]
fn a_broken_off_writer_leaves_the_older_file_alone() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let old = write(&path, &header(50), &shots(50, 10));
    let mut writer = CaptureWriter::create(&path, &header(50)).expect("a writer");
    writer.write(&shots(50, 20)).expect("written");
    drop(writer);
    assert_eq!(hash_file(&path).expect("hashed"), old);
}

fn read(path: &std::path::Path) -> Result<()> {
    CaptureReader::read_all(path).map(|_| ())
}

// Truth: property. A file cut anywhere is damaged, never a panic and never a shorter capture.
#[test]
fn truncation_is_corrupt() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    write(&path, &header(64), &shots(64, 40));
    let bytes = std::fs::read(&path).expect("bytes");
    let cut = dir.path().join("cut");
    for length in (0..bytes.len()).step_by(7).chain([bytes.len() - 1]) {
        std::fs::write(&cut, &bytes[..length]).expect("written");
        let e = read(&cut).expect_err("cut short");
        assert!(matches!(e, CaptureError::Corrupt { .. }), "{length}: {e}");
        assert!(e.hint().is_some());
    }
}

// Truth: property. A changed bit is found, wherever it changes what is read; never a panic.
#[test]
fn a_changed_bit_is_found_or_changes_nothing() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let (h, s) = (header(64), shots(64, 40));
    write(&path, &h, &s);
    let bytes = std::fs::read(&path).expect("bytes");
    let torn = dir.path().join("torn");
    let mut found = 0;
    // Every third byte: neighbours share their fate, and the eight bits take turns.
    let places = (0..bytes.len()).step_by(3);
    let looked_at = places.len();
    for at in places {
        let mut bytes = bytes.clone();
        bytes[at] ^= 1 << (at % 8);
        std::fs::write(&torn, &bytes).expect("written");
        match CaptureReader::read_all(&torn) {
            Ok((back_h, back)) => {
                assert_eq!(back_h, h, "byte {at}");
                assert_eq!(bits(&back), bits(&s), "byte {at}");
            }
            Err(CaptureError::Corrupt { .. } | CaptureError::WrongKind { .. }) => found += 1,
            Err(CaptureError::TooNew { .. }) => found += 1,
            Err(e) => panic!("byte {at}: {e}"),
        }
    }
    // Only the mark at the start of the file, four bytes, is not looked at.
    assert!(found + 2 >= looked_at, "{found} of {looked_at}");
}

#[test]
fn absence_other_files_and_later_formats_are_told_apart() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    assert!(matches!(read(&path), Err(CaptureError::Absent { .. })));
    std::fs::write(&path, b"not Parquet, but long enough to be looked at").expect("written");
    assert!(matches!(read(&path), Err(CaptureError::Corrupt { .. })));
    assert!(matches!(read(dir.path()), Err(CaptureError::Corrupt { .. })));
    write_echoes(&path, &Hash::of(b"t"), &[]).expect("echoes");
    assert!(matches!(read(&path), Err(CaptureError::WrongKind { .. })));

    write(&path, &header(8), &shots(8, 2));
    let mut bytes = std::fs::read(&path).expect("bytes");
    let key = b"barwright.format";
    let at = bytes.windows(key.len()).rposition(|w| w == key).expect("the key is in the footer");
    // After the key: one byte of field header, one of length, then the digit.
    assert_eq!(bytes[at + key.len() + 2], b'1');
    bytes[at + key.len() + 2] = b'2';
    std::fs::write(&path, &bytes).expect("written");
    let e = read(&path).expect_err("too new");
    assert!(matches!(e, CaptureError::TooNew { found: 2, known: 1, .. }), "{e}");
}

#[test]
fn shots_that_do_not_fit_are_refused() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let mut writer = CaptureWriter::create(&path, &header(64)).expect("a writer");
    let e = writer.write(&shots(63, 2)).expect_err("other length");
    assert!(matches!(e, CaptureError::Mismatch { .. }), "{e}");
    let mut torn = shots(64, 2);
    torn.z_m.pop();
    let e = writer.write(&torn).expect_err("a column is short");
    assert!(matches!(e, CaptureError::Impossible { .. }), "{e}");
    let e = CaptureWriter::create(&path, &header(0)).err().expect("empty");
    assert!(matches!(e, CaptureError::Impossible { .. }), "{e}");
    let e =
        CaptureWriter::create(&dir.path().join("no/such"), &header(4)).err().expect("no folder");
    assert!(matches!(e, CaptureError::Io { .. }), "{e}");
}

// Truth: property (round trip).
#[test]
fn echoes_and_kept_ascans_come_back() {
    let dir = folder();
    let path = dir.path().join("echoes.parquet");
    let marks = [EchoMark::Sound, EchoMark::Clipped, EchoMark::CouplingLost];
    let echoes: Vec<Echo> = (0..200_000_u32)
        .map(|i| Echo {
            beam: i % 198,
            gate: (i % 3) as u8,
            z_m: f64::from(i) * 1e-5,
            turn_rad: i as f32,
            height_fsh: 1.0 / (1.0 + i as f32),
            after_surface_s: f64::from(i) * 1e-9,
            mark: marks[i as usize % 3],
        })
        .collect();
    let hash = write_echoes(&path, &Hash::of(b"t"), &echoes).expect("written");
    assert_eq!(hash, hash_file(&path).expect("hashed"));
    let back = read_echoes(&path).expect("read");
    assert_eq!(back.technique, Hash::of(b"t"));
    assert!(back.echoes == echoes);

    let kept: Vec<KeptAscan> = (0..5_u32)
        .map(|i| KeptAscan {
            beam: i,
            z_m: 0.5,
            turn_rad: 0.25,
            time_s: 1.5,
            first_sample_s: 5e-5,
            samples: (0..i as i16 * 100).map(|x| x * 37).collect(),
        })
        .collect();
    let path = dir.path().join("kept.parquet");
    let record = header(100).record;
    write_kept(&path, &Hash::of(b"t"), &record, &kept).expect("written");
    let back = read_kept(&path).expect("read");
    assert_eq!((back.record, back.ascans), (record, kept));
}

/// Seconds this thread has had a core (Linux), so that a shared machine does not count.
fn core_s() -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split(' ').next()?.parse::<f64>().ok())
        .map_or_else(
            || {
                std::time::SystemTime::now()
                    .duration_since(std::time::UNIX_EPOCH)
                    .map_or(0.0, |d| d.as_secs_f64())
            },
            |ns| ns * 1e-9,
        )
}

// Truth: property. A long capture comes back whole, in batches of bounded size. Prints the speed in
// core time; it is not judged, machines differ.
#[test]
fn a_long_capture_comes_back_whole_in_bounded_batches() {
    let dir = folder();
    let path = dir.path().join("a.capture");
    let all = shots(600, 60_000);
    let mb = all.samples.len() as f64 * 2e-6;
    let start = core_s();
    write(&path, &header(600), &all);
    let write_s = core_s() - start;
    let start = core_s();
    let mut n = 0;
    for batch in CaptureReader::open(&path).expect("open") {
        let batch = batch.expect("a batch");
        assert!(2 * batch.samples.len() <= 8 << 20, "{} shots in one batch", batch.len());
        n += batch.len();
    }
    let read_s = core_s() - start;
    let size = std::fs::metadata(&path).expect("size").len() as f64 * 1e-6;
    let (written, read) = (mb / write_s, mb / read_s);
    eprintln!("write {written:.0} MB/s, read {read:.0} MB/s, ratio {:.2}", mb / size);
    assert_eq!(n, 60_000);
}
