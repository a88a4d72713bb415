//! The technique of the block in contact.

use crate::common;

use barwright_job::technique::GateKind;
use barwright_plan::{ProveOptions, prove, reference_bar, technique};

// Truth: the contract of a contact technique: linear scan, time counts from firing, arrival 2 s/c.
#[test]
fn the_block_is_scanned_in_contact() {
    let (order, station, rules) = common::block();
    let sealed = technique(&order, &station, &rules).expect("a technique");
    let t = &sealed.body;
    assert_eq!(t.record.first_sample_s, 0.0);
    assert_eq!(t.record.sample_rate_hz, 100e6);
    assert_eq!(t.pulse_spacing_m, 0.015);
    for (i, beam) in t.beams.iter().enumerate() {
        assert_eq!(beam.first_element as usize, i);
        assert!((6..=8).contains(&beam.elements()));
        assert_eq!((beam.surface_beam, beam.surface_time_s), (None, 0.0));
        let wall = beam.gate(GateKind::BackWall).expect("a back wall");
        let wanted = 2.0 * 0.05 / 5850.0;
        assert!((wall.start_s..wall.end_s).contains(&wanted));
        // Dead zone of 8 mm.
        let volume = beam.gate(GateKind::Volume).expect("a gate");
        assert!(volume.start_s >= 2.0 * 0.008 / 5850.0 - 1e-12 && volume.end_s < wanted);
    }
    let bar = reference_bar(&sealed).expect("a block").body;
    assert!(bar.findings.is_empty(), "{:?}", bar.findings);
    for e in &bar.expected {
        // The outer elements are 0.12 mm of path late at the wall: 0.04 µs.
        assert!((e.after_surface_s - 2.0 * 0.05 / 5850.0).abs() < 1e-7);
        // The gain curve brings the wall to the target of 80 %; the grid of the wall's sum is fine.
        assert!((e.height_fsh - 0.8).abs() < 0.02, "{}", e.height_fsh);
    }
    let proof =
        prove(&order, &station, &sealed, &ProveOptions::default(), &|_| {}).expect("a proof");
    assert!(proof.body.met);
}
