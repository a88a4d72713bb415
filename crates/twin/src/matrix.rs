//! A full matrix of one probe: every element fires in turn while all of it listen, the bar at rest.
//!
//! What the bar returns comes from the exact field of every pair. A flaw returns what it returns to a beam, each pair of elements a
//! beam of its own: a disc is met at the mean of the two directions (Kirchhoff's law turns with their sum), a hole returns to
//! every direction what it returns straight back.

use std::collections::HashMap;

use barwright_capture::matrix::{FullMatrix, MatrixArray, MatrixCoupling};
use barwright_job::Hash;
use barwright_wave::cylinder::{Drive, Passage, Spectra};
use barwright_wave::elevation::{Spread, Strip};
use barwright_wave::path::least_time;
use barwright_wave::{Mode, Point, Surface};
use num_complex::Complex64;
use rayon::prelude::*;
use std::f64::consts::{PI, TAU};

use crate::along::{Factors, Seen};
use crate::echo::{MOST_TILT_RAD, passage};
use crate::error::{Result, TwinError};
use crate::field::Pair;
use crate::reflector::{Kind, Reflector};
use crate::scene::SceneBar;
use crate::station::VirtualStation;

/// Where the matrix is taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatrixPlace {
    /// The probe, counted from 0.
    pub probe: u32,
    /// Place of the bar under it, in m from the head end.
    pub z_m: f64,
    /// Turn of the bar, in rad.
    pub turn_rad: f64,
}

/// Highest sample, over full scale.
const HIGHEST: f64 = 0.9;
/// Noise of the matrix over that of the scene: echoes of flaws stand some 40 dB under the surface's, which fills the matrix.
const NOISE: f64 = 0.01;
/// Directions that are met alike, in rad.
const ALIKE_RAD: f64 = 0.001;

/// How an element sees a place.
#[derive(Clone, Copy)]
struct Sight {
    /// Direction of its sound there, in rad.
    direction_rad: f64,
    water_m: f64,
    steel_m: f64,
}

impl VirtualStation {
    /// The full matrix of a probe before a place of a bar.
    ///
    /// # Errors
    /// [`TwinError::OutOfRange`] for a probe that the ring has not, a place that is none, or a flaw that does not fit into the bar; the
    /// wave crate's.
    pub fn matrix(&self, bar: &SceneBar, place: MatrixPlace) -> Result<FullMatrix> {
        let technique = &self.technique;
        let Some(probe) = technique.probes.get(place.probe as usize) else {
            return Err(TwinError::OutOfRange {
                what: "the number of the matrix's probe".into(),
                value: f64::from(place.probe),
                unit: "",
                expected: format!(
                    "below the ring's {} probes, counted from 0",
                    technique.probes.len()
                ),
            });
        };
        if !place.z_m.is_finite() || place.z_m < 0.0 || !place.turn_rad.is_finite() {
            return Err(TwinError::OutOfRange {
                what: "the place of the matrix".into(),
                value: place.z_m * 1e3,
                unit: "mm",
                expected: "along the bar from its head end, at a finite turn".into(),
            });
        }
        let before: usize =
            technique.probes[..place.probe as usize].iter().map(|p| p.elements.len()).sum();
        let count = probe.elements.len();
        let sensitivity = &self.sensitivity_db()[place.probe as usize];
        let drives = (0..count)
            .map(|e| {
                let weight = 10f64.powf(sensitivity[e] / 20.0);
                Ok(Drive::weighted(&[before + e], &[0.0], &[weight])?)
            })
            .collect::<Result<Vec<Drive>>>()?;
        let pairs: Vec<[usize; 2]> =
            (0..count).flat_map(|t| (t..count).map(move |r| [t, r])).collect();
        let side =
            |i: usize| -> Vec<Drive> { pairs.iter().map(|p| drives[p[i]].clone()).collect() };
        let mut flawed: Vec<Vec<Complex64>> = vec![Vec::new(); pairs.len()];
        for flaw in &bar.flaws {
            let reflector = Reflector::of_flaw(flaw, self.field.radius_m)?;
            self.add_flaw(&mut flawed, &reflector, &place, &drives, &pairs)?;
        }
        let bare = self.field.returned_straight(&side(0), &side(1))?;
        let record = technique.record;
        // What laws delay must have been heard before.
        let delays = technique.beams.iter().flat_map(|b| &b.transmit_delays_s);
        let longest = delays.copied().fold(0.0, f64::max);
        let rate = record.sample_rate_hz;
        let early = (2.0 * longest * rate).ceil().min(record.first_sample_s * rate).max(0.0);
        let start_s = record.first_sample_s - early / rate;
        let synthesis = self.field.synthesis(start_s, record.samples as usize + early as usize)?;
        let strip = self.strip(place.probe)?;
        let c_steel = self.field.solid.longitudinal_m_s;
        let water_m = probe.elements[count / 2].centre.radius() - self.field.radius_m;
        let wall = |time_s: f64| {
            let surface_s = 2.0 * water_m / self.field.fluid.velocity_m_s;
            let steel_m = (time_s - surface_s).max(0.0) * c_steel / 2.0;
            let c_water = self.field.fluid.velocity_m_s;
            let spread = Spread::through_water(water_m, steel_m, c_water, c_steel);
            strip.mirror_factor(&spread, self.field.pulse.centre_hz) * strip.length_m
        };
        let signals = bare
            .par_iter()
            .zip(&flawed)
            .map(|(bare, flawed)| {
                let mut signal = synthesis.analytic(bare)?;
                for (j, z) in signal.iter_mut().enumerate() {
                    *z *= wall(synthesis.time_s(j));
                }
                if !flawed.is_empty() {
                    for (z, more) in signal.iter_mut().zip(synthesis.analytic(flawed)?) {
                        *z += more;
                    }
                }
                Ok(signal.iter().map(|z| z.re).collect::<Vec<f64>>())
            })
            .collect::<Result<Vec<Vec<f64>>>>()?;
        let samples = signals.first().map_or(0, Vec::len);
        let highest = signals.iter().flatten().map(|v| v.abs()).fold(0.0, f64::max);
        let scale = HIGHEST / highest.max(f64::MIN_POSITIVE);
        let noise_scale = self.faults.noise_fsh_percent / 100.0 * NOISE
            / (self.counts_per_fsh() * self.faults.noise_fsh_percent / 100.0)
                .max(f64::MIN_POSITIVE);
        let occasion = u64::from(place.probe) ^ place.z_m.to_bits() ^ place.turn_rad.to_bits();
        let mut values = vec![0.0; count * count * samples];
        for (signal, &[t, r]) in signals.iter().zip(&pairs) {
            for [a, b] in [[t, r], [r, t]] {
                let to = a * count + b;
                let noise =
                    self.noise.of_shot(occasion, to as u64, samples.min(record.samples as usize));
                let noise = noise.iter().cycle();
                for ((v, x), n) in
                    values[to * samples..][..samples].iter_mut().zip(signal).zip(noise)
                {
                    *v = (x * scale + f64::from(*n) * noise_scale) as f32;
                }
            }
        }
        Ok(FullMatrix {
            name: format!("{}-{}", bar.name, place.probe + 1),
            hash: Hash(String::new()),
            array: self.matrix_array(place.probe),
            coupling: MatrixCoupling::Immersion,
            longitudinal_m_s: Some(self.field.solid.longitudinal_m_s),
            shear_m_s: Some(self.field.solid.shear_m_s),
            water_m_s: Some(self.field.fluid.velocity_m_s),
            thickness_m: None,
            sample_rate_hz: rate,
            first_sample_s: start_s,
            samples,
            values,
        })
    }

    fn strip(&self, probe: u32) -> Result<Strip> {
        let probe = &self.technique.probes[probe as usize];
        let length_m = probe.elements.first().map_or(0.0, |e| e.length_m);
        Ok(Strip { length_m, focus_m: probe.axial_focus_m }.checked()?)
    }

    fn matrix_array(&self, probe: u32) -> MatrixArray {
        let probe = &self.technique.probes[probe as usize];
        let first = probe.elements[0];
        let pitch_m =
            probe.elements.get(1).map_or(first.width_m, |e| e.centre.distance(first.centre));
        let turn = probe
            .elements
            .get(1)
            .map_or(0.0, |e| ((e.facing_rad - first.facing_rad + PI).rem_euclid(TAU) - PI).abs());
        // Pitch counts along the arc, places a chord apart.
        let arc = turn > 1e-9;
        let arc_radius_m = arc.then(|| pitch_m / (2.0 * (turn / 2.0).sin()));
        MatrixArray {
            elements: probe.elements.len(),
            pitch_m: arc_radius_m.map_or(pitch_m, |r| r * turn),
            element_width_m: first.width_m,
            element_length_m: first.length_m,
            centre_frequency_hz: self.technique.pulse.centre_hz,
            arc_radius_m,
            elevation_focus_m: probe.axial_focus_m,
        }
    }

    /// Adds what a flaw returns to each pair.
    fn add_flaw(
        &self,
        sums: &mut [Vec<Complex64>],
        reflector: &Reflector,
        place: &MatrixPlace,
        drives: &[Drive],
        pairs: &[[usize; 2]],
    ) -> Result<()> {
        let field = &self.field;
        let (mode, angle) = (reflector.mode(), reflector.angle_rad + place.turn_rad);
        let radii = reflector.radii_m(field.solid.shear_m_s / field.pulse.centre_hz);
        let heard = |passage| field.heard(mode, passage, drives, &radii, angle);
        let tables = heard(passage(reflector))?;
        let direct = match reflector.kind {
            Kind::Hole { .. } => Some(heard(Passage::First)?),
            Kind::Disc { .. } | Kind::Crack { .. } => None,
        };
        let sights = self.sights(reflector, place, mode);
        let strip = self.strip(place.probe)?;
        let seen = |[t, r]: [usize; 2]| -> Option<Seen> {
            let (t, r) = (sights[t]?, sights[r]?);
            let c_steel = field.solid.velocity_m_s(mode);
            let spread = Spread::through_water(
                (t.water_m + r.water_m) / 2.0,
                (t.steel_m + r.steel_m) / 2.0,
                field.fluid.velocity_m_s,
                c_steel,
            );
            Some(Seen { strip, spread, z_m: place.z_m })
        };
        let frequencies = field.frequencies_hz();
        let centre_hz = field.pulse.centre_hz;
        let near =
            pairs.iter().filter_map(|p| seen(*p)).filter(|s| s.within_reach(reflector, centre_hz));
        let factors = Factors::of(reflector, frequencies, centre_hz, near);
        let meeting = |[t, r]: [usize; 2]| -> Option<f64> {
            let directions = [sights[t]?.direction_rad, sights[r]?.direction_rad];
            meeting_rad(reflector, angle, place.turn_rad, directions)
        };
        let step = |m: f64| (m / ALIKE_RAD).round() as i64;
        let mut strengths: HashMap<i64, Vec<Complex64>> = HashMap::new();
        for m in pairs.iter().filter_map(|p| meeting(*p)) {
            if let std::collections::hash_map::Entry::Vacant(room) = strengths.entry(step(m)) {
                let met = step(m) as f64 * ALIKE_RAD;
                room.insert(reflector.strength(&field.solid, &field.fluid, frequencies, met)?);
            }
        }
        let onwards = reflector.onwards(&field.solid, frequencies)?;
        let maker = self.echo_maker();
        let pair = |tables: &[Spectra], [t, r]: [usize; 2]| -> Vec<Pair> {
            let rows = tables.iter().map(|table| Pair {
                transmit: table.row(t).to_vec(),
                receive: Some(table.row(r).to_vec()),
            });
            rows.collect()
        };
        sums.par_iter_mut().zip(pairs).for_each(|(sum, &p)| {
            let (Some(met), Some(seen)) = (meeting(p), seen(p)) else { return };
            let Some(along) = factors.get(&seen) else { return };
            let strength = &strengths[&step(met)];
            let spectrum = match (&onwards, &direct) {
                (Some(onwards), Some(direct)) => {
                    maker.both_sides(strength, onwards, &pair(&tables, p), &pair(direct, p))
                }
                _ => maker.spectrum(strength, &pair(&tables, p)),
            };
            if sum.is_empty() {
                sum.resize(spectrum.len(), Complex64::ZERO);
            }
            for ((sum, value), factor) in sum.iter_mut().zip(spectrum).zip(along) {
                *sum += value * factor;
            }
        });
        Ok(())
    }

    /// How each element of the probe sees the flaw; none where no sound comes straight.
    fn sights(&self, reflector: &Reflector, place: &MatrixPlace, mode: Mode) -> Vec<Option<Sight>> {
        let surface = Surface::Round { centre: Point::default(), radius_m: self.field.radius_m };
        let (water, steel) = (self.field.fluid.velocity_m_s, self.field.solid.velocity_m_s(mode));
        let at = reflector.place(place.turn_rad);
        // A crack is met at its mouth, on the surface: just inside it.
        let at = if reflector.mode() == Mode::S { at * (1.0 - 1e-6) } else { at };
        let moved = self.beams.iter().find(|b| b.probe == place.probe as usize);
        let moved = moved.map_or(Point::default(), |b| b.moved);
        let elements = &self.technique.probes[place.probe as usize].elements;
        elements
            .iter()
            .map(|e| {
                let from = e.centre - moved;
                let path = least_time(&surface, from, at, water, steel).ok()?;
                let way = at - path.entry;
                Some(Sight {
                    direction_rad: way.angle(),
                    water_m: from.distance(path.entry),
                    steel_m: way.radius(),
                })
            })
            .collect()
    }
}

/// How a flaw is met by sound that comes from one direction and leaves against another (see [`Reflector::strength`]).
fn meeting_rad(
    reflector: &Reflector,
    angle: f64,
    turn_rad: f64,
    directions: [f64; 2],
) -> Option<f64> {
    match reflector.kind {
        Kind::Hole { .. } => Some(0.0),
        Kind::Disc { tilt_rad, outward_only, .. } => {
            let normal = angle + tilt_rad;
            let lean = directions.map(|d| {
                let off = (d - normal + PI).rem_euclid(TAU) - PI;
                // From the other side the disc is the same, seen mirrored.
                if off.abs() > PI / 2.0 { off - PI * off.signum() } else { off }
            });
            let away = |d: &f64| (d - normal).cos() >= 0.0;
            let (one, other) = (away(&directions[0]), away(&directions[1]));
            // Through the disc nothing is thrown back.
            if one != other || (outward_only && one) {
                return None;
            }
            let mean = ((lean[0] + lean[1]) / 2.0).abs();
            (mean < MOST_TILT_RAD && lean.iter().all(|l| l.abs() < MOST_TILT_RAD)).then_some(mean)
        }
        Kind::Crack { .. } => {
            let out = Point::polar(1.0, reflector.angle_rad + turn_rad);
            let cosine = |d: f64| {
                let way = Point::polar(1.0, d);
                (way.x * out.x + way.y * out.y).clamp(-1.0, 1.0).acos()
            };
            Some((cosine(directions[0]) + cosine(directions[1])) / 2.0)
        }
    }
}
