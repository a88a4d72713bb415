//! A station made of formulas: every echo is a Gaussian pulse of known height at a known time.

use std::f64::consts::{FRAC_PI_4, PI, TAU};

use barwright_capture::{CaptureKind, Header, Shots, shots::ShotPlace};
use barwright_job::{
    Order, Rules, Sealed, Station, Technique,
    level::{BeamLevel, BeamState, Level},
    proof::FlawClass,
    reference::{Expected, Motion, ReferenceBar, Reflector, Shape},
    technique::{
        Axis, Beam, Firing, Gate, GateKind, Media, Probe, PulseSpec, Record, Schedule, Section,
        Sensitivity,
    },
};
use barwright_wave::{Fluid, Mode, Point, Solid, pulse::Pulse};

pub const RADIUS: f64 = 0.021;
pub const C_L: f64 = 5920.0;
pub const C_S: f64 = 3255.0;
pub const C_W: f64 = 1482.4;
pub const SURFACE_S: f64 = 52.6e-6;
pub const SPACING: f64 = 0.006;
pub const AXIAL: f64 = 0.009;
pub const GAIN: f64 = 60.0;
/// Full width across at -6 dB of every beam.
const ACROSS: f64 = 0.004;

pub fn example(name: &str) -> String {
    let path = format!("{}/../../examples/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).unwrap()
}

pub struct Bench {
    pub technique: Sealed<Technique>,
    pub order: Order,
    pub rules: Rules,
    pub station: Station,
    pub reference: Sealed<ReferenceBar>,
    /// What each beam reads above its nominal sensitivity, in dB.
    pub sensitivity_db: Vec<f64>,
    /// By how much all echoes of a beam come later, in seconds.
    pub later_s: Vec<f64>,
    /// The beam whose place and law each beam really has.
    pub looks_from: Vec<u32>,
    /// Turn by which each beam's reflectors come later.
    pub turns_by: Vec<f64>,
    /// Whether each beam sees every flaw twice, 0.35 µs apart.
    pub double: Vec<bool>,
    /// Height of the surface echo.
    pub surface_fsh: f64,
}

/// A flaw of known height on the axis of a level beam.
#[derive(Debug, Clone, Copy)]
pub struct Flaw {
    pub class: FlawClass,
    pub place: Point,
    pub z_m: f64,
    pub length_m: f64,
    pub height: f64,
}

/// What a capture is taken of.
#[derive(Clone)]
pub struct Scene {
    pub length_m: f64,
    pub flaws: Vec<Flaw>,
    pub offset_m: Point,
    /// Sag and direction (in the bar's frame) of a bent bar.
    pub bend: Option<(f64, f64)>,
    pub noise_fsh: f64,
    /// Factor on all echoes of a beam at a place.
    pub coupling: fn(u32, f64) -> f64,
    /// Factor on the back wall of a beam at a place.
    pub wall: fn(u32, f64) -> f64,
    /// Whether a shot exists.
    pub exists: fn(u32, f64) -> bool,
}

impl Scene {
    pub fn plain(length_m: f64) -> Self {
        Self {
            length_m,
            flaws: Vec::new(),
            offset_m: Point::default(),
            bend: None,
            noise_fsh: 0.03,
            coupling: |_, _| 1.0,
            wall: |_, _| 1.0,
            exists: |_, _| true,
        }
    }

    pub fn with(mut self, flaws: &[Flaw]) -> Self {
        self.flaws.extend_from_slice(flaws);
        self
    }
}

pub fn disc(place: Point, z_m: f64, height: f64) -> Flaw {
    Flaw { class: FlawClass::Disc, place, z_m, length_m: 0.0, height }
}

pub fn crack(angle_rad: f64, z_m: f64, length_m: f64, height: f64) -> Flaw {
    let place = Point::polar(RADIUS, angle_rad);
    Flaw { class: FlawClass::Crack, place, z_m, length_m, height }
}

fn beams(n: u32, probes: u32) -> Vec<Beam> {
    let gate = |kind, start_s, end_s, threshold_fsh| Gate { kind, start_s, end_s, threshold_fsh };
    let base = |id, probe, mode, entry, direction_rad, velocity, reach, gates, leader| Beam {
        id,
        probe,
        first_element: 0,
        mode,
        transmit_delays_s: vec![0.0; 16],
        receive_delays_s: vec![0.0; 16],
        gain_db: GAIN,
        gain_curve: vec![],
        surface_beam: Some(leader),
        surface_time_s: SURFACE_S,
        gates,
        axis: Axis { entry, direction_rad, velocity_m_s: velocity, reach_m: reach },
        axial_width_m: AXIAL,
        response: vec![],
    };
    let mut out = Vec::new();
    let wall = 4.0 * RADIUS / C_L;
    for i in 0..n {
        let angle = TAU * f64::from(i) / f64::from(n);
        let gates = vec![
            gate(GateKind::Surface, SURFACE_S - 2e-6, SURFACE_S + 2e-6, 0.3),
            gate(GateKind::Volume, 1.2e-6, wall - 1.0e-6, 0.4),
            gate(GateKind::BackWall, wall - 0.6e-6, wall + 0.8e-6, 0.2),
        ];
        let entry = Point::polar(RADIUS, angle);
        let probe = i * probes / n;
        out.push(base(i, probe, Mode::L, entry, angle + PI, C_L, 2.0 * RADIUS, gates, i));
    }
    let leg = 2.0 * RADIUS * FRAC_PI_4.cos();
    let skip = 2.0 * leg / C_S;
    for (way, first) in [(1.0, n), (-1.0, 2 * n)] {
        for i in 0..n {
            let angle = TAU * f64::from(i) / f64::from(n);
            let gates = vec![gate(GateKind::Crack, skip - 1e-6, skip + 1.2e-6, 0.4)];
            let entry = Point::polar(RADIUS, angle);
            let direction = angle + PI + way * FRAC_PI_4;
            let probe = i * probes / n;
            out.push(base(first + i, probe, Mode::S, entry, direction, C_S, leg, gates, i));
        }
    }
    out
}

/// Where a beam's axis meets the far surface.
pub fn landing(beam: &Beam) -> Point {
    beam.axis.entry + Point::polar(beam.axis.reach_m, beam.axis.direction_rad)
}

impl Bench {
    /// `n` longitudinal beams around the bar and `n` shear beams each way round.
    pub fn new(n: u32) -> Self {
        let mut order = Order::from_toml("order", &example("order-round-42.toml")).unwrap();
        order.bars.length_mm = 600.0;
        order.cut.shortest_mm = 100.0;
        let rules = Rules::from_toml("rules", &example("rules-th-k2.toml")).unwrap();
        let station = Station::from_toml("station", &example("station-line-2.toml")).unwrap();
        let beams = beams(n, 6);
        let ids: Vec<u32> = (0..3 * n).collect();
        let body = Technique {
            name: "bench".into(),
            order: order.order.number.clone(),
            station: station.station.name.clone(),
            ring: "R65".into(),
            section: Section::Round { radius_m: RADIUS },
            media: Media {
                water: Some(Fluid { velocity_m_s: C_W, density_kg_m3: 997.8 }),
                steel: Solid::new(C_L, C_S, 7850.0).unwrap(),
                attenuation_l_np_m: 0.0,
                attenuation_s_np_m: 0.0,
            },
            probes: vec![Probe { elements: vec![], axial_focus_m: None }; 6],
            pulse: PulseSpec { centre_hz: 5e6, bandwidth_rel: 0.6 },
            record: Record {
                first_sample_s: 50e-6,
                sample_rate_hz: 25e6,
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
            schedule: Schedule {
                firings: ids
                    .iter()
                    .map(|&b| Firing { start_s: f64::from(b) * 30e-6, beams: vec![b] })
                    .collect(),
                period_s: SPACING,
                least_period_s: None,
            },
            beams,
            line_speed_m_s: 1.0,
            pulse_spacing_m: SPACING,
            unguided_end_m: 0.06,
            limits: vec![],
            others: vec![],
            changes: vec![],
            findings: vec![],
        };
        let technique = Sealed::seal(body, [("order", order.hash()), ("station", station.hash())]);
        let reference = reference(&technique);
        let n = technique.body.beams.len();
        Self {
            technique,
            order,
            rules,
            station,
            reference,
            sensitivity_db: vec![0.0; n],
            later_s: vec![0.0; n],
            looks_from: (0..n as u32).collect(),
            turns_by: vec![0.0; n],
            double: vec![false; n],
            surface_fsh: 1.0,
        }
    }

    pub fn header(
        &self,
        kind: CaptureKind,
        length_m: f64,
        level: Option<&Sealed<Level>>,
    ) -> Header {
        Header {
            kind,
            technique: self.technique.hash.clone(),
            level: level.map(|l| l.hash.clone()),
            bar: "7".into(),
            heat: "H80316".into(),
            length_m,
            record: self.technique.body.record,
            gains_db: level.map_or_else(
                || self.technique.body.beams.iter().map(|b| b.gain_db).collect(),
                |l| l.body.beams.iter().map(|b| b.gain_db).collect(),
            ),
            origin: "formulas of the tests".into(),
        }
    }

    /// A level that says every beam is inside at the technique's gains.
    pub fn level(&self) -> Sealed<Level> {
        let beams = self.technique.body.beams.iter().map(|b| BeamLevel {
            beam: b.id,
            gain_db: b.gain_db,
            change_db: 0.0,
            height_fsh: Some(0.8),
            expected_fsh: 0.8,
            uncertainty_db: None,
            state: BeamState::Inside,
            lower_by_db: None,
            found: None,
        });
        let body = Level {
            beams: beams.collect(),
            passes: 1,
            good: true,
            bar_offset_m: None,
            explanations: vec![],
            measures: barwright_job::Measures::default(),
            findings: vec![],
        };
        Sealed::seal(body, [("technique", self.technique.hash.clone())])
    }

    /// One cycle of all beams; the bar stands at `z_m` at its start and moves by `way_m` during it.
    pub fn cycle(
        &self,
        scene: &Scene,
        gains_db: &[f64],
        pass: u16,
        start: (f64, f64),
        way_m: f64,
        turn: f64,
    ) -> Shots {
        let t = &self.technique.body;
        let mut shots = Shots::new(t.record.samples as usize);
        let n = t.beams.len() as f64;
        for (i, b) in t.beams.iter().enumerate() {
            let part = i as f64 / n;
            let z_m = start.1 + way_m * part;
            if !(scene.exists)(b.id, z_m) {
                continue;
            }
            let place = ShotPlace {
                pass,
                beam: b.id,
                time_s: start.0 + t.schedule.period_s * part,
                z_m,
                turn_rad: turn as f32,
            };
            let gain = 10f64.powf((self.sensitivity_db[i] + gains_db[i] - GAIN) / 20.0)
                * (scene.coupling)(b.id, z_m);
            let out = shots.push(place);
            let mut trace = Trace::new(
                t,
                out,
                (z_m * 1e7) as u64
                    ^ ((turn * 1e3) as u64) << 24
                    ^ u64::from(b.id) << 40
                    ^ u64::from(pass) << 56,
            );
            trace.noise(scene.noise_fsh);
            let id = b.id as usize;
            let really = &t.beams[self.looks_from[id] as usize];
            for (height, time) in self.echoes(scene, really, z_m, turn - self.turns_by[id]) {
                trace.echo(height * gain, time + self.later_s[id]);
                if self.double[id] && time > SURFACE_S + 1e-6 {
                    trace.echo(height * gain, time + self.later_s[id] + 0.35e-6);
                }
            }
            trace.write();
        }
        shots
    }

    /// Heights and times of the echoes of one shot.
    fn echoes(&self, scene: &Scene, b: &Beam, z_m: f64, turn: f64) -> Vec<(f64, f64)> {
        let entry = b.axis.entry;
        let bent = scene.bend.map_or(Point::default(), |(sag, direction)| {
            let share = z_m / scene.length_m;
            Point::polar(sag * 4.0 * share * (1.0 - share), direction + turn)
        });
        let off = scene.offset_m + bent;
        let towards = (off.x * entry.x + off.y * entry.y) / RADIUS;
        let surface = SURFACE_S - 2.0 * towards / C_W;
        let mut out = Vec::new();
        if b.mode == Mode::L {
            out.push((self.surface_fsh, surface));
            out.push(((scene.wall)(b.id, z_m), surface + 4.0 * RADIUS / C_L));
        }
        for f in &scene.flaws {
            let place = f.place.rotated(turn);
            let (across, way) = match (b.mode, f.class) {
                (Mode::L, FlawClass::Disc) => {
                    let from = place - entry;
                    let (sin, cos) = b.axis.direction_rad.sin_cos();
                    (from.x * sin - from.y * cos, from.x * cos + from.y * sin)
                }
                (Mode::S, FlawClass::Crack) => (place.distance(landing(b)), place.distance(entry)),
                _ => continue,
            };
            let height = f.height * bell(across, ACROSS) * along(z_m - f.z_m, f.length_m);
            if height > 0.01 {
                out.push((height, surface + 2.0 * way / b.axis.velocity_m_s));
            }
        }
        out
    }

    /// A bar at line speed, cycle by cycle.
    pub fn run(&self, scene: &Scene, gains_db: &[f64], pass: u16, turn: f64) -> Vec<Shots> {
        let cycles = (scene.length_m / SPACING).ceil() as u32;
        (0..cycles)
            .map(|k| {
                let z = f64::from(k) * SPACING;
                self.cycle(scene, gains_db, pass, (z / 1.0, z), SPACING, turn)
            })
            .collect()
    }

    /// The reference bar turned under the ring, step by step.
    pub fn turned(
        &self,
        scene: &Scene,
        gains_db: &[f64],
        turns: f64,
        mut each: impl FnMut(&Shots),
    ) {
        for (m, motion) in self.reference.body.motion.iter().enumerate() {
            let steps = (turns * motion.turn_rad / motion.turn_step_rad).round() as u32;
            for k in 0..=steps {
                let time = f64::from(k) * 0.03;
                let turn = f64::from(k) * motion.turn_step_rad;
                each(&self.cycle(scene, gains_db, m as u16, (time, motion.z_m), 0.0, turn));
            }
        }
    }

    /// The scene of the reference bar.
    pub fn reference_scene(&self) -> Scene {
        let r = &self.reference.body;
        let flaws: Vec<Flaw> = r
            .reflectors
            .iter()
            .map(|r| match r.shape {
                Shape::Notch { length_m, .. } => crack(r.angle_rad, r.z_m, length_m, 0.8),
                _ => disc(Point::polar(r.radius_m, r.angle_rad), r.z_m, 0.8),
            })
            .collect();
        Scene::plain(r.length_m).with(&flaws)
    }
}

fn reference(technique: &Sealed<Technique>) -> Sealed<ReferenceBar> {
    let reflectors = vec![
        Reflector {
            name: "H1".into(),
            shape: Shape::FlatBottomedHole { diameter_m: 0.0012 },
            z_m: 0.2,
            angle_rad: 0.3,
            radius_m: 0.012,
        },
        Reflector {
            name: "N1".into(),
            shape: Shape::Notch { depth_m: 0.0003, length_m: 0.02 },
            z_m: 0.4,
            angle_rad: 0.3,
            radius_m: RADIUS,
        },
    ];
    let motion = reflectors
        .iter()
        .map(|r| Motion {
            purpose: r.name.clone(),
            z_m: r.z_m,
            turn_rad: 370f64.to_radians(),
            turn_step_rad: 1f64.to_radians(),
            duration_s: 10.0,
        })
        .collect();
    let expected = technique
        .body
        .beams
        .iter()
        .map(|b| {
            let (reflector, angle, way) = match b.mode {
                Mode::L => (0, b.axis.entry.angle(), RADIUS - 0.012),
                Mode::S => (1, landing(b).angle(), b.axis.reach_m),
            };
            Expected {
                beam: b.id,
                reflector,
                motion: reflector,
                height_fsh: 0.8,
                turn_rad: (angle - 0.3).rem_euclid(TAU),
                turn_window_rad: 6f64.to_radians(),
                after_surface_s: 2.0 * way / b.axis.velocity_m_s,
                time_window_s: 0.4e-6,
            }
        })
        .collect();
    let body = ReferenceBar {
        name: "RB-42".into(),
        length_m: 0.6,
        reflectors,
        motion,
        expected,
        requirements: vec![],
        findings: vec![],
    };
    Sealed::seal(body, [("technique", technique.hash.clone())])
}

/// Bell of the given full width at half height.
fn bell(x: f64, width: f64) -> f64 {
    (-(2.0 * x / width).powi(2) * 2f64.ln()).exp()
}

/// Share of the axial bell that falls on a flaw, one for a point on the axis: a plain sum.
fn along(z: f64, length: f64) -> f64 {
    if length == 0.0 {
        return bell(z, AXIAL);
    }
    let (n, step) = (2000, AXIAL * 6.0 / 2000.0);
    let sum = |at: f64| -> f64 {
        (0..n)
            .map(|i| (f64::from(i) - 1000.0) * step)
            .filter(|x| (at + x).abs() <= length / 2.0)
            .map(|x| bell(x, AXIAL) * step)
            .sum()
    };
    if z.abs() > length / 2.0 + 3.0 * AXIAL {
        return 0.0;
    }
    sum(z) / sum(0.0)
}

struct Trace<'a> {
    record: Record,
    pulse: Pulse,
    values: Vec<f64>,
    out: &'a mut [i16],
    seed: u64,
}

impl<'a> Trace<'a> {
    fn new(t: &Technique, out: &'a mut [i16], seed: u64) -> Self {
        let pulse = Pulse::new(t.pulse.centre_hz, t.pulse.bandwidth_rel).unwrap();
        Self { record: t.record, pulse, values: vec![0.0; out.len()], out, seed: seed | 1 }
    }

    fn random(&mut self) -> f64 {
        self.seed = self
            .seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.seed >> 33) as f64 / f64::from(1u32 << 31)
    }

    fn noise(&mut self, peak_fsh: f64) {
        for i in 0..self.values.len() {
            let r = self.random();
            self.values[i] += peak_fsh * (2.0 * r - 1.0);
        }
    }

    fn echo(&mut self, height: f64, time_s: f64) {
        let phase = num_complex::Complex64::from_polar(height, TAU * self.random());
        let middle = self.record.position(time_s);
        let reach = 6.0 * self.pulse.sigma_s() * self.record.sample_rate_hz;
        let first = (middle - reach).max(0.0) as usize;
        let last = ((middle + reach).max(0.0) as usize).min(self.values.len());
        for i in first..last {
            let t = self.record.time_s(i as f64) - time_s;
            self.values[i] += (self.pulse.analytic(t) * phase).re;
        }
    }

    fn write(self) {
        let scale = f64::from(i16::MAX) / self.record.full_scale_fsh;
        for (out, v) in self.out.iter_mut().zip(&self.values) {
            *out = (v * scale).round().clamp(-32768.0, 32767.0) as i16;
        }
    }
}
