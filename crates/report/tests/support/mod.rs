//! Fixture documents of an invented job: a 42 mm round bar under six arc probes. The values are
//! plausible, made by hand, and prove nothing about physics.
#![allow(dead_code, clippy::unwrap_used)]

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4, PI, TAU};

use barwright_job::rules::zones::Extent;
use barwright_job::{
    Finding, Hash, Order, Rules, Sealed, Station, Technique, Topic,
    check::{Check, ReflectorCheck, Repeatability},
    judgement::{CutPlan, Fate, Indication, Judgement, Piece, Reason, Verdict},
    level::{BeamLevel, BeamState, Cause, Explanation, Level},
    proof::FlawClass,
    reference::{Expected, Motion, ReferenceBar, Reflector, Shape},
    screened::{InspectedShare, LossCause, Lost, ScreenedBar},
    second_look::SecondLook,
    technique::{
        Axis, Beam, Change, Firing, GainPoint, Gate, GateKind, Media, Other, PlanLimit, Probe,
        PulseSpec, Record, Response, Schedule, Section, Sensitivity,
    },
};
use barwright_report::papers::{CheckEntry, Issue, LedgerHead};
use barwright_wave::{Fluid, Mode, Point, Solid};

pub const MADE_AT: &str = "2026-11-25T08:14:03Z";
mod proofs;
#[allow(unused_imports, reason = "every test file uses a part of it")]
pub use proofs::{dense, proof};

pub const RADIUS_M: f64 = 0.021;
const FACE_M: f64 = 0.060;

pub fn order() -> Order {
    Order::from_toml(
        "order-round-42.toml",
        include_str!("../../../../examples/order-round-42.toml"),
    )
    .unwrap()
}

pub fn rules() -> Rules {
    Rules::from_toml("rules-th-k2.toml", include_str!("../../../../examples/rules-th-k2.toml"))
        .unwrap()
}

pub fn station() -> Station {
    Station::from_toml(
        "station-line-2.toml",
        include_str!("../../../../examples/station-line-2.toml"),
    )
    .unwrap()
}

pub fn issue(not_validated: &[String]) -> Issue<'_> {
    Issue {
        made_at: MADE_AT,
        ledger: Some(LedgerHead {
            entry: 118,
            hash: "9f2c4d8e1b7a6053c4d5e6f7a8b9c0d1e2f30415263748596a7b8c9d0e1f2a3b",
            at: "2026-11-25T08:13:57Z",
        }),
        house: None,
        not_validated,
    }
}

fn beam(id: u32, probe: u32, first: u32, mode: Mode, lean: f64, surface: u32) -> Beam {
    let middle = FRAC_PI_2 + f64::from(probe) * TAU / 6.0;
    let at = middle + (f64::from(first) + 7.5 - 47.5) * 0.0006 / FACE_M;
    let velocity = match mode {
        Mode::L => 5920.0,
        Mode::S => 3255.0,
    };
    let direction_rad = at + PI + lean;
    let reach_m = 2.0 * RADIUS_M * lean.cos();
    let gate = |kind, from: f64, to: f64, threshold_fsh| Gate {
        kind,
        start_s: 2.0 * from / velocity,
        end_s: 2.0 * to / velocity,
        threshold_fsh,
    };
    let mut gates = vec![Gate {
        kind: GateKind::Surface,
        start_s: 50.0e-6,
        end_s: 55.0e-6,
        threshold_fsh: 0.2,
    }];
    match mode {
        Mode::L => gates.extend([
            gate(GateKind::Volume, 0.003, 0.040, 0.4),
            gate(GateKind::BackWall, 0.041, 0.044, 0.2),
        ]),
        Mode::S => gates.push(gate(GateKind::Crack, reach_m - 0.003, reach_m + 0.002, 0.4)),
    }
    Beam {
        id,
        probe,
        first_element: first,
        mode,
        transmit_delays_s: vec![0.0; 16],
        receive_delays_s: vec![0.0; 16],
        gain_db: if mode == Mode::L { 92.4 } else { 88.1 } + f64::from(id % 5) * 0.1,
        gain_curve: vec![GainPoint { after_surface_s: 0.0, gain_db: 0.0 }],
        surface_beam: Some(surface),
        surface_time_s: 52.42e-6,
        gates,
        axis: Axis {
            entry: Point::polar(RADIUS_M, at),
            direction_rad,
            velocity_m_s: velocity,
            reach_m,
        },
        axial_width_m: 0.0092,
        response: vec![Response { after_surface_s: 5e-6, transfer_db: -94.0 }],
    }
}

pub fn technique() -> Sealed<Technique> {
    let mut beams = Vec::new();
    let mut firings: Vec<Firing> = Vec::new();
    let mut id = 0u32;
    for probe in 0..6u32 {
        for step in 0..11u32 {
            let surface = id;
            for (mode, lean) in [(Mode::L, 0.0), (Mode::S, FRAC_PI_4), (Mode::S, -FRAC_PI_4)] {
                beams.push(beam(id, probe, step * 8, mode, lean, surface));
                id += 1;
            }
        }
    }
    let period_s = 33.0 * 90.0e-6;
    for k in 0..33u32 {
        firings.push(Firing {
            start_s: f64::from(k) * 90.0e-6,
            beams: (0..6).map(|p| p * 33 + k).collect(),
        });
    }
    let t = Technique {
        name: "TH-4207, 42 mm, ring R65".into(),
        order: "TH-4207".into(),
        station: "Line 2 round-bar station".into(),
        ring: "R65".into(),
        section: Section::Round { radius_m: RADIUS_M },
        media: Media {
            water: Some(Fluid { velocity_m_s: 1488.0, density_kg_m3: 998.0 }),
            steel: Solid { longitudinal_m_s: 5920.0, shear_m_s: 3255.0, density_kg_m3: 7850.0 },
            attenuation_l_np_m: 1.15,
            attenuation_s_np_m: 2.3,
        },
        probes: (0..6)
            .map(|p| Probe {
                axial_focus_m: None,
                elements: barwright_wave::array::arc(
                    FACE_M,
                    FRAC_PI_2 + f64::from(p) * TAU / 6.0,
                    96,
                    0.0006,
                    0.00055,
                    0.012,
                ),
            })
            .collect(),
        pulse: PulseSpec { centre_hz: 5.0e6, bandwidth_rel: 0.6 },
        record: Record {
            first_sample_s: 50.0e-6,
            sample_rate_hz: 25.0e6,
            samples: 600,
            full_scale_fsh: 4.0,
        },
        sensitivity: Sensitivity {
            disc_diameter_m: 0.0012,
            crack_depth_m: Some(0.0003),
            target_fsh: 0.8,
            alarm_fsh: 0.4,
            skin_m: 0.004,
            persistence: 1,
        },
        beams,
        schedule: Schedule { firings, period_s, least_period_s: Some(2.88e-3) },
        line_speed_m_s: 1.04,
        pulse_spacing_m: 0.0031,
        unguided_end_m: 0.06,
        limits: vec![
            limit(
                "pulses per reflector",
                "3 pulses in 10 mm at 3.1 mm spacing",
                "at least 3",
                "order, shortest_mm",
                true,
            ),
            limit(
                "second surface echo",
                "104.8 µs",
                "after the far wall at 66.6 µs",
                "echo times in water and steel",
                false,
            ),
            limit(
                "grating lobes",
                "pitch 0.40 wavelengths",
                "below 0.5 wavelengths in water at the steered angle",
                "array theory",
                false,
            ),
            limit(
                "delay step",
                "2.5 ns, 1/80 period",
                "at most 1/16 period",
                "common practice",
                false,
            ),
            limit(
                "cross-talk",
                "90 µs between firings",
                "at least 74 µs",
                "record length and reverberation",
                false,
            ),
        ],
        others: vec![
            Other {
                words: "17 L beams of 24 elements, step 6; 2 × 17 S beams".into(),
                beams: 306,
                line_speed_m_s: Some(0.71),
                why_not: "slower: 51 firings a cycle".into(),
            },
            Other {
                words: "8 L beams of 16 elements, step 11; 2 × 8 S beams".into(),
                beams: 144,
                line_speed_m_s: None,
                why_not: "covers 91 % of the section, 98 % are ordered".into(),
            },
        ],
        changes: vec![
            Change {
                words: "1 dB less height at the alarm".into(),
                line_speed_m_s: Some(1.19),
                limit: "pulses per reflector".into(),
            },
            Change {
                words: "1 mm more water between bar and probe".into(),
                line_speed_m_s: Some(1.01),
                limit: "second surface echo".into(),
            },
            Change {
                words: "two probes fewer".into(),
                line_speed_m_s: None,
                limit: "no layout covers the section".into(),
            },
        ],
        findings: vec![Finding::new(
            Topic::Assumed,
            "Attenuation is taken from the order; it was not measured on this heat.",
        )],
    };
    Sealed::seal(t, [("order", order().hash()), ("station", station().hash())])
}

fn limit(rule: &str, figure: &str, allowed: &str, source: &str, binds: bool) -> PlanLimit {
    PlanLimit {
        rule: rule.into(),
        figure: figure.into(),
        allowed: allowed.into(),
        source: source.into(),
        binds,
    }
}

pub fn reference(technique: &Sealed<Technique>) -> Sealed<ReferenceBar> {
    let reflector = |name: &str, shape, z_m, angle: f64, radius_m| Reflector {
        name: name.into(),
        shape,
        z_m,
        angle_rad: angle.to_radians(),
        radius_m,
    };
    let motion = |purpose: &str, z_m| Motion {
        purpose: purpose.into(),
        z_m,
        turn_rad: 370f64.to_radians(),
        turn_step_rad: 1f64.to_radians(),
        duration_s: 12.4,
    };
    Sealed::seal(
        ReferenceBar {
            name: "RB-42-1".into(),
            length_m: 0.9,
            reflectors: vec![
                reflector("F1", Shape::FlatBottomedHole { diameter_m: 0.0012 }, 0.25, 0.0, 0.005),
                reflector("F2", Shape::FlatBottomedHole { diameter_m: 0.0012 }, 0.40, 120.0, 0.012),
                reflector("N1", Shape::Notch { depth_m: 0.0003, length_m: 0.022 }, 0.60, 215.0, 0.021),
            ],
            motion: vec![
                motion("F1: level the longitudinal beams", 0.25),
                motion("F2: prove the gain against depth", 0.40),
                motion("N1: level the shear beams", 0.60),
            ],
            expected: technique
                .body
                .beams
                .iter()
                .map(|b| {
                    let reflector = if b.mode == Mode::L { 0 } else { 2 };
                    Expected {
                        beam: b.id,
                        reflector,
                        motion: reflector,
                        height_fsh: 0.8,
                        turn_rad: 0.1,
                        turn_window_rad: 0.05,
                        after_surface_s: 5e-6,
                        time_window_s: 5e-7,
                    }
                })
                .collect(),
            requirements: vec![
                "Steel of the ordered grade, free of indications above a quarter of the ordered size.".into(),
                "Diameter of the flat-bottomed holes ± 0.03 mm, bottom flat to 0.02 mm and square to the radius to 1°.".into(),
                "Notch depth ± 0.02 mm, width at most 0.2 mm, by spark erosion.".into(),
            ],
            findings: vec![],
        },
        [("technique", technique.hash.clone())],
    )
}

pub fn level(technique: &Sealed<Technique>) -> Sealed<Level> {
    let beams = technique
        .body
        .beams
        .iter()
        .map(|b| {
            let turn = b.axis.entry.angle();
            let h = 0.8 * 10f64.powf(1.6 * (turn - 0.7).cos() / 20.0);
            let state = match b.id {
                17 => BeamState::Missing,
                60 => BeamState::Clipped,
                _ if (0.7..=0.9).contains(&h) => BeamState::Inside,
                _ => BeamState::Corrected,
            };
            BeamLevel {
                beam: b.id,
                gain_db: b.gain_db,
                change_db: if state == BeamState::Corrected {
                    -20.0 * (h / 0.8).log10()
                } else {
                    0.0
                },
                height_fsh: match state {
                    BeamState::Missing => None,
                    BeamState::Clipped => Some(4.0),
                    _ => Some(h),
                },
                expected_fsh: 0.8,
                uncertainty_db: Some(0.21),
                state,
                lower_by_db: (state == BeamState::Clipped).then_some(14.0),
                found: None,
            }
        })
        .collect();
    Sealed::seal(
        Level {
            beams,
            passes: 2,
            good: false,
            bar_offset_m: Some([0.00019, 0.00016]),
            explanations: vec![Explanation {
                cause: Cause::OffCentre { x_m: 0.00019, y_m: 0.00016, uncertainty_m: 0.000004 },
                confidence: 0.99,
                evidence: vec![
                    "The surface echoes rise and fall once around the ring by 0.25 mm.".into(),
                ],
                cure: "Move the bar 0.25 mm towards 7:30 o'clock.".into(),
                alternatives: vec![Cause::WaterPath { change_m: 0.0001 }],
            }],
            measures: barwright_job::Measures::default(),
            findings: vec![
                Finding::new(
                    Topic::OffCentre,
                    "The bar stood 0.25 mm off the ring's centre towards 1:30 o'clock; centre it before gains are changed for good.",
                ),
                Finding::new(Topic::Missing, "No echo in the window of the notch.").beams([17]),
                Finding::new(Topic::Clipped, "A pass at 14 dB lower gain is needed.").beams([60]),
            ],
        },
        [
            ("technique", technique.hash.clone()),
            ("reference_bar", reference(technique).hash),
            ("rules", rules().hash()),
            ("capture", Hash::of(b"levelling capture")),
        ],
    )
}

pub fn check(technique: &Sealed<Technique>, level: &Sealed<Level>, good: bool) -> Sealed<Check> {
    let reflector = |name: &str, beams: std::ops::Range<u32>, missed: bool| ReflectorCheck {
        name: name.into(),
        found: if missed { 2 } else { 3 },
        heights_fsh: vec![Some(0.81), if missed { None } else { Some(0.78) }, Some(0.83)],
        beams: beams.collect(),
        unsteady: vec![],
        spread_db: 0.54,
        place_error_m: 0.0021,
        signal_to_noise_db: 21.4,
    };
    Sealed::seal(
        Check {
            passes: 3,
            line_speed_m_s: 1.038,
            reflectors: vec![
                reflector("F1", 0..5, false),
                reflector("F2", 40..44, false),
                reflector("N1", 100..106, !good),
            ],
            noise_fsh: 0.068,
            false_calls: 0,
            repeatability: Some(Repeatability {
                deviation_db: 0.27,
                upper_db: 0.41,
                two_passes_db: 0.76,
                degrees: 6,
            }),
            good,
            measures: barwright_job::Measures::default(),
            findings: if good {
                vec![]
            } else {
                vec![
                    Finding::new(Topic::Missing, "N1 was not called in pass 2.")
                        .beams([100, 101, 102]),
                ]
            },
        },
        [
            ("technique", technique.hash.clone()),
            ("level", level.hash.clone()),
            ("reference_bar", reference(technique).hash),
            ("rules", rules().hash()),
            ("capture", Hash::of(b"check capture")),
        ],
    )
}

pub fn indication(k: usize) -> Indication {
    let crack = k % 2 == 1;
    let letter = {
        let mut letters = String::new();
        let mut rest = k;
        loop {
            letters.insert(0, char::from(b'A' + u8::try_from(rest % 26).unwrap()));
            if rest < 26 {
                break letters;
            }
            rest = rest / 26 - 1;
        }
    };
    let from = (0.62 + 0.871 * k as f64) % 2.9;
    let place = Point::polar(if crack { 0.0209 } else { 0.011 }, 1.1 + 2.3 * k as f64);
    Indication {
        letter,
        class: if crack { FlawClass::Crack } else { FlawClass::Disc },
        kind: if crack {
            "crack or fold open to the surface"
        } else {
            "inclusion or small void; the data do not tell"
        }
        .into(),
        place,
        place_uncertainty_m: 0.0011,
        depth_m: RADIUS_M - place.radius(),
        from_m: from,
        to_m: from + 0.014,
        height_fsh: 0.93,
        clipped: k % 7 == 3,
        size_m: if crack { 0.00041 } else { 0.00129 },
        size_uncertainty_db: 1.4,
        beams: vec![3, 6, 36],
        echoes: 17,
        sized_by: None,
        extent: Some(Extent::Extended),
        length_uncertainty_m: Some(0.0012),
        across_m: Some(0.003),
        modes: vec![if crack { Mode::S } else { Mode::L }],
        kind_reasons: vec!["longer than the beam is wide".into()],
        ghost: None,
    }
}

/// A screened bar and its judgement with a number of indications.
pub fn bar(
    technique: &Sealed<Technique>,
    level: &Sealed<Level>,
    name: &str,
    verdict: Verdict,
    indications: usize,
) -> (Sealed<ScreenedBar>, Sealed<Judgement>) {
    let lost = |class, from_m, to_m, cause, beams| Lost { class, from_m, to_m, cause, beams };
    let screened = Sealed::seal(
        ScreenedBar {
            bar: name.into(),
            heat: "H80316".into(),
            length_m: 3.0,
            shots: 191_598,
            echoes_over_threshold: 17 * indications as u64,
            lost: vec![
                lost(FlawClass::Disc, 0.0, 0.06, LossCause::End, vec![]),
                lost(FlawClass::Crack, 0.0, 0.06, LossCause::End, vec![]),
                lost(FlawClass::Crack, 2.31, 2.352, LossCause::Coupling, vec![34, 35, 37, 38]),
                lost(FlawClass::Disc, 2.94, 3.0, LossCause::End, vec![]),
                lost(FlawClass::Crack, 2.94, 3.0, LossCause::End, vec![]),
            ],
            inspected: vec![
                InspectedShare { class: FlawClass::Disc, share: 0.96 },
                InspectedShare { class: FlawClass::Crack, share: 0.946 },
            ],
            noise_fsh: 0.07,
            broken_off: None,
            findings: vec![
                Finding::new(
                    Topic::CouplingLost,
                    "The surface echo was missing for 42 mm under probe 2.",
                )
                .beams([33, 34, 35, 36, 37, 38])
                .stretch(2.31, 2.352),
            ],
        },
        [
            ("technique", technique.hash.clone()),
            ("level", level.hash.clone()),
            ("capture", Hash::of(b"production capture")),
            ("echoes", Hash::of(b"echoes")),
        ],
    );
    let piece = |from_m, to_m, fate, reason: &str| Piece {
        from_m,
        to_m,
        fate,
        reason: reason.into(),
        sold_as: None,
        multiple: None,
    };
    let pieces = if verdict == Verdict::Release {
        vec![
            piece(0.0, 0.06, Fate::Scrap, "end not inspected"),
            piece(0.064, 2.936, Fate::Keep, ""),
            piece(2.94, 3.0, Fate::Scrap, "end not inspected"),
        ]
    } else {
        vec![
            piece(0.0, 0.06, Fate::Scrap, "end not inspected"),
            piece(0.064, 0.614, Fate::Scrap, "shorter than the shortest piece ordered"),
            piece(0.618, 0.638, Fate::Scrap, "indication A"),
            piece(0.642, 2.302, Fate::Keep, ""),
            piece(2.306, 2.356, Fate::Scrap, "not inspected: coupling lost"),
            piece(2.36, 3.0, Fate::Scrap, "shorter than the shortest piece ordered"),
        ]
    };
    let kept: f64 = pieces.iter().filter(|p| p.fate == Fate::Keep).map(|p| p.to_m - p.from_m).sum();
    let judgement = Sealed::seal(
        Judgement {
            bar: name.into(),
            heat: "H80316".into(),
            length_m: 3.0,
            indications: (0..indications).map(indication).collect(),
            verdict,
            reasons: vec![
                Reason {
                    clause: "volume.largest_disc_mm".into(),
                    statement: "equivalent disc 1.29 mm against 1.00 mm allowed".into(),
                    indications: vec!["A".into()],
                },
                Reason {
                    clause: "not_inspected.longest_gap_mm".into(),
                    statement: "42 mm without coupling at 2.310 to 2.352 m against 3.4 mm allowed"
                        .into(),
                    indications: vec![],
                },
            ],
            cut: CutPlan { pieces, kept_m: kept, lost_m: 3.0 - kept, unsound: Vec::new() },
            decisions: vec![],
            findings: vec![],
        },
        [
            ("screened", screened.hash.clone()),
            ("technique", technique.hash.clone()),
            ("rules", rules().hash()),
            ("order", order().hash()),
        ],
    );
    (screened, judgement)
}

pub fn entry(check: &Sealed<Check>) -> CheckEntry<'_> {
    CheckEntry { check, at: "2026-11-25T07:02:11Z", signed_by: "station key, line 2" }
}

/// A flat block in contact under one array of 64 elements.
pub fn block_technique() -> Technique {
    let mut t = technique().body;
    t.section = Section::Flat { thickness_m: 0.05 };
    t.media.water = None;
    t.probes = vec![Probe {
        axial_focus_m: None,
        elements: barwright_wave::array::flat(
            Point::new(0.0, 0.0),
            -FRAC_PI_2,
            64,
            0.0006,
            0.00055,
            0.015,
        ),
    }];
    t.beams = (0..7u32)
        .map(|k| {
            let mut b = beam(k, 0, k * 8, Mode::L, 0.0, k);
            b.axis = Axis {
                entry: Point::new((f64::from(k * 8) + 7.5 - 31.5) * 0.0006, 0.0),
                direction_rad: -FRAC_PI_2,
                velocity_m_s: 5920.0,
                reach_m: 0.05,
            };
            b
        })
        .collect();
    t.schedule = Schedule {
        firings: (0..7)
            .map(|k| Firing { start_s: f64::from(k) * 100e-6, beams: vec![k] })
            .collect(),
        period_s: 700e-6,
        least_period_s: None,
    };
    t
}

/// A second look that an indication of a judged bar asked for: a round bar by two pairs of modes.
pub fn second_look(judgement: &Sealed<Judgement>, letter: &str) -> Sealed<SecondLook> {
    use barwright_job::second_look::{
        AskedBy, Entry, Levels, Places, Recorded, Spot, Velocities, View,
    };
    use barwright_wave::{Mode, Surface};
    let grid = Places { corner: Point::new(-0.021, 0.03), step_m: 0.5e-3, columns: 85, rows: 85 };
    let place = Point::new(-0.004, 0.045);
    let heights: Vec<f32> = (0..85 * 85)
        .map(|k| {
            let (x, y) = (f64::from(k % 85) * 0.5e-3 - 0.021, f64::from(k / 85) * 0.5e-3 + 0.03);
            let off = (x - place.x).hypot(y - place.y) / 1e-3;
            if x.hypot(y - 0.051) > 0.021 { 0.0 } else { (0.01 + (-off * off).exp()) as f32 }
        })
        .collect();
    let spot = Spot {
        place,
        place_uncertainty_m: [0.05e-3, 0.09e-3],
        depth_m: 14.6e-3,
        about_axis: Some([7.2e-3, -0.59]),
        height: 0.11,
        over_floor_db: 24.0,
        sensitivity_db: -3.1,
        extent_m: [1.6e-3, 1.3e-3],
        point_extent_m: [1.1e-3, 1.2e-3],
        size_m: [Some(1.2e-3), None],
        size_uncertainty_m: [0.2e-3, 0.2e-3],
        clipped_share: 0.0,
    };
    let view = |modes| View {
        modes,
        grid,
        levels: Levels::of(&heights),
        highest: 0.11,
        floor: 0.007,
        resolution_m: [1.1e-3, 1.2e-3],
        sensitivity_range_db: 9.0,
        spots: vec![spot],
    };
    let look = SecondLook {
        matrix: "matrix-7".into(),
        asked_by: Some(AskedBy { bar: judgement.body.bar.clone(), letter: letter.into() }),
        recorded: Recorded {
            elements: 64,
            dead: vec![17],
            completed_pairs: 0,
            clipped_traces: 0,
            reciprocity: Some(0.02),
            sample_rate_hz: 50e6,
            span_s: [40e-6, 80e-6],
            delay_s: 0.0,
            centre_hz: 4.9e6,
            bandwidth_rel: 0.58,
        },
        velocities: Velocities {
            water_m_s: Some(1483.0),
            longitudinal_m_s: 5920.0,
            shear_m_s: 3255.0,
            steel_uncertainty_rel: 0.005,
            water_uncertainty_rel: 0.002,
        },
        entry: Entry::Found {
            surface: Surface::Round { centre: Point::new(0.0, 0.051), radius_m: 0.021 },
            elements: 63,
            scatter_m: 4e-6,
            uncertainty_m: 1e-6,
        },
        views: vec![view([Mode::L, Mode::L]), view([Mode::L, Mode::S])],
        findings: vec![Finding::new(
            Topic::Missing,
            "1 of 64 elements are dead and left out: 18 (counted from 1)",
        )],
    };
    Sealed::seal(look, [("matrix", Hash::of(b"matrix")), ("judgement", judgement.hash.clone())])
}
