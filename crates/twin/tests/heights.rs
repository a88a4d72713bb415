//! Heights of discs in batches. Kind of truth: independent code (the highest echo of captures of the same discs, which come from the
//! whole field and records of every shot).

use crate::common::{clean, faultless, minus, nearest, peak, samples, shots};
use barwright_job::{Order, Rules, Sealed, Station, Technique};
use barwright_plan::technique;
use barwright_twin::scene::{Disc, Flaw};
use barwright_twin::{DiscAsk, SceneBar, StationFaults, TwinError, VirtualStation, disc_heights};
use barwright_wave::cylinder::batch::Processors;

fn plan() -> Sealed<Technique> {
    let order = include_str!("../../../examples/order-round-42.toml");
    let station = include_str!("../../../examples/station-line-2.toml");
    let rules = include_str!("../../../examples/rules-th-k2.toml");
    let order = Order::from_toml("order", order).expect("an order");
    let station = Station::from_toml("station", station).expect("a station");
    let rules = Rules::from_toml("rules", rules).expect("rules");
    let mut body = technique(&order, &station, &rules).expect("a technique").body;
    // Slower, so that a shot of each beam falls close to the disc.
    body.line_speed_m_s /= 10.0;
    Sealed::seal(body, [])
}

fn disc(diameter_mm: f64, radius_mm: f64, angle_deg: f64, tilt_deg: f64) -> Disc {
    Disc { diameter_mm, radius_mm, angle_deg, z_mm: 50.0, tilt_deg }
}

#[test]
fn heights_are_those_of_captures() {
    let technique = plan();
    let body = &technique.body;
    let gains: Vec<f64> = body.beams.iter().map(|b| b.gain_db).collect();
    let counts = f64::from(i16::MAX) / body.record.full_scale_fsh;
    let discs = [
        disc(0.8, 15.0, 90.0, 0.0),
        disc(1.2, 9.0, 75.0, 0.0),
        disc(1.2, 13.0, -31.0, 3.0),
        disc(0.5, 4.0, 160.0, 0.0),
    ];
    let shifted = StationFaults {
        element_spread_db: 0.5,
        offset_mm: [0.2, -0.15],
        temperature_k: 1.0,
        ..faultless()
    };
    for faults in [faultless(), shifted] {
        let station = VirtualStation::new(&technique, &faults, 7).expect("a station");
        let take = |bar: &SceneBar| {
            shots(&station.bar_capture(bar, "H", 0.1, &gains, None).expect("a capture"))
        };
        let bare = take(&clean("1"));
        let asks: Vec<DiscAsk> = discs.iter().map(|d| DiscAsk { disc: *d, off_m: 0.0 }).collect();
        let told = disc_heights(body, &faults, 7, &gains, &asks, &Processors).expect("heights");
        for (disc, told) in discs.iter().zip(told) {
            let with = take(&SceneBar { flaws: vec![Flaw::Disc(*disc)], ..clean("1") });
            let highest = body
                .beams
                .iter()
                .map(|beam| {
                    let i = nearest(&with, beam.id, 0.05);
                    let signal = minus(&samples(&with, i), &samples(&bare, i));
                    peak(&signal, 0.0, signal.len() as f64).0 / counts
                })
                .fold(0.0, f64::max);
            let off_db = 20.0 * (told / highest).log10();
            println!("{disc:?}: {:.3} FSH, captures {highest:.3} ({off_db:+.2} dB)", told);
            // Samples of a record between which a peak lies, whole sample counts, the nearest shot up to half a millimetre off.
            assert!(off_db.abs() < 0.4, "{off_db}");
        }
    }
}

#[test]
fn what_cannot_be_is_refused_and_what_no_beam_meets_is_nought() {
    let technique = plan();
    let gains: Vec<f64> = technique.body.beams.iter().map(|b| b.gain_db).collect();
    let ask = |disc: Disc, gains: &[f64]| {
        let asks = [DiscAsk { disc, off_m: 0.0 }];
        disc_heights(&technique.body, &faultless(), 1, gains, &asks, &Processors)
    };
    assert!(matches!(ask(disc(1.0, 9.0, 0.0, 0.0), &gains[1..]), Err(TwinError::Count { .. })));
    assert!(matches!(ask(disc(1.0, 30.0, 0.0, 0.0), &gains), Err(TwinError::OutOfRange { .. })));
    // Edge on to every beam that could meet it.
    let edge = ask(disc(1.0, 9.0, 90.0, 80.0), &gains).expect("an answer");
    let facing = ask(disc(1.0, 9.0, 90.0, 0.0), &gains).expect("an answer");
    assert!(edge[0] < 0.3 * facing[0], "{edge:?} {facing:?}");
    assert_eq!(
        disc_heights(&technique.body, &faultless(), 1, &gains, &[], &Processors),
        Ok(vec![])
    );
}
