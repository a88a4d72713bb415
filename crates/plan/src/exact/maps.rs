//! Level and arrival of a beam's echo over the section, from the exact field, in the beam's own frame.

use std::f64::consts::{PI, TAU};

use barwright_wave::{
    Element, Mode, Point,
    cylinder::{
        Attenuation, CylinderBand, Drive, EchoTask, Incident, LineArray, Rings, batch::BarBand,
    },
};

use rayon::prelude::*;

use super::class::Class;
use super::faces::Faces;
use super::sought::Sought;
use super::weights::{Band, Flaw, Nodes, Strengths, attenuation};
use crate::conditions::Conditions;
use crate::echo::turn;
use crate::error::Result;

/// Line sources that stand for an element: enough for widths up to two wavelengths.
const SOURCES: usize = 3;
/// Standard deviations of the pulse's spectrum either side of its centre that are computed; at three and
/// a half it stands 53 dB below its peak.
const BAND: f64 = 3.5;
/// Periods of the centre frequency in a record, which repeats itself after them. Longitudinal echoes are
/// short; along with shear beams run surface waves that die slowly.
const PERIODS_L: f64 = 36.0;
const PERIODS_S: f64 = 80.0;

fn record_s(mode: Mode, centre_hz: f64) -> f64 {
    match mode {
        Mode::L => PERIODS_L / centre_hz,
        Mode::S => PERIODS_S / centre_hz,
    }
}
/// How finely maps are computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fineness {
    /// Rings between the centre and the surface.
    pub rings: usize,
    /// Angles of a full turn.
    pub angles: usize,
    /// Angles of a full turn at the surface, for cracks; more than twice the shear wave number times
    /// the radius.
    pub rim: usize,
    /// Angles around the ring at which a bar off centre is computed; what a beam sees varies as the angle's
    /// sine and twice that: with twelve the cubic between them is within 0.05 dB, with eight within 0.3 dB.
    pub around: usize,
}

/// Frequencies that a kind of wave needs: they depend on the pulse alone.
pub(crate) fn frequencies_hz(conditions: &Conditions, mode: Mode) -> Vec<f64> {
    let pulse = &conditions.pulse;
    let reach = BAND * pulse.sigma_hz();
    let step = 1.0 / record_s(mode, pulse.centre_hz);
    let low = ((pulse.centre_hz - reach).max(0.08 * pulse.centre_hz) / step).ceil() as usize;
    let high = ((pulse.centre_hz + reach) / step).floor() as usize;
    (low..=high).map(|k| k as f64 * step).collect()
}

/// What the modal solution of a bar of a radius depends on under given conditions.
pub(crate) fn bar_band(
    conditions: &Conditions,
    radius_m: f64,
    frequencies_hz: &[f64],
) -> Result<BarBand> {
    let media = &conditions.media;
    let growing = attenuation(conditions);
    let steel = |f: &f64| Attenuation {
        longitudinal_np_m: growing.np_m(Mode::L, *f),
        shear_np_m: growing.np_m(Mode::S, *f),
    };
    Ok(BarBand {
        radius_m,
        solid: media.steel,
        fluid: media.water.ok_or_else(crate::conditions::dry)?,
        attenuation: frequencies_hz.iter().map(steel).collect(),
    })
}

/// A size of bar and its media, with everything that does not depend on the beam.
pub(crate) struct Bar {
    pub band: CylinderBand,
    pub radius_m: f64,
}

impl Bar {
    /// Modal solutions of a bar of a radius under given conditions, over the frequencies that a kind of wave
    /// needs.
    pub fn new(conditions: &Conditions, radius_m: f64, mode: Mode) -> Result<Self> {
        let frequencies = frequencies_hz(conditions, mode);
        let band = bar_band(conditions, radius_m, &frequencies)?.solve(&frequencies)?;
        Ok(Self { band, radius_m })
    }

    pub fn frequencies(&self) -> Band<'_> {
        Band { frequencies_hz: self.band.frequencies_hz(), damping_1_s: self.band.damping_1_s() }
    }

    /// Incident fields of a beam about the ring's centre: transmission, and reception where its law
    /// differs.
    ///
    /// Probes that were moved off the ring's circle are taken about the centre of their own face, where
    /// all elements are one turned, and the bar is displaced instead; so far that the orders computed do
    /// not hold it, each element is computed by itself.
    pub fn incident(&self, class: &Class, lost_middle: bool, faces: &mut Faces) -> Result<Sides> {
        let Some((radius_m, centre)) = class.face() else {
            return self.sides(class, &class.elements, None, lost_middle);
        };
        if centre.radius() == 0.0 {
            return self.sides(class, &class.elements, Some(radius_m), lost_middle);
        }
        let moved = faces
            .about_centre(self, class, (radius_m, centre), lost_middle)?
            .displaced(self, Point::default() - centre);
        moved.or_else(|_| self.sides(class, &class.elements, None, lost_middle))
    }

    /// Incident fields about the origin of a class whose elements stand there.
    pub fn sides(
        &self,
        class: &Class,
        elements: &[Element],
        face_m: Option<f64>,
        lost_middle: bool,
    ) -> Result<Sides> {
        let array = LineArray::new(elements, SOURCES, Point::default(), face_m)?;
        let illumination = self.band.illuminate(&array)?;
        let count = elements.len();
        let all: Vec<usize> = (0..count).collect();
        let weights = element_weights(count, lost_middle);
        let side = |delays: &[f64]| -> Result<Incident> {
            Ok(illumination.incident(&Drive::weighted(&all, delays, &weights)?)?)
        };
        Ok(Sides {
            transmit: side(&class.transmit_s)?,
            receive: (class.receive_s != class.transmit_s)
                .then(|| side(&class.receive_s))
                .transpose()?,
        })
    }
}

/// Strengths of an aperture's elements.
pub(crate) fn element_weights(count: usize, lost_middle: bool) -> Vec<f64> {
    (0..count).map(|i| if lost_middle && i == count / 2 { 0.0 } else { 1.0 }).collect()
}

/// Both sides of a beam.
pub(crate) struct Sides {
    transmit: Incident,
    receive: Option<Incident>,
}

impl Sides {
    /// The same turned about the bar's axis.
    pub fn turned(&self, angle_rad: f64) -> Self {
        Self {
            transmit: self.transmit.turned(angle_rad),
            receive: self.receive.as_ref().map(|r| r.turned(angle_rad)),
        }
    }

    /// The same for a bar displaced in the beam's frame.
    pub fn displaced(&self, bar: &Bar, by: Point) -> Result<Self> {
        Ok(Self {
            transmit: self.transmit.displaced(&bar.band, by)?,
            receive: self.receive.as_ref().map(|r| r.displaced(&bar.band, by)).transpose()?,
        })
    }
}

/// Echo of the reference flaw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Peak of the envelope, dB re unit transfer, before any gain.
    pub level_db: f64,
    /// Its time in s from firing.
    pub time_s: f64,
}

/// Levels and times over part of the section, about the centre of the circle that the beam meets.
#[derive(Debug, Clone)]
pub struct BeamMap {
    radii_m: Vec<f64>,
    angles: usize,
    /// For each ring: first angle (may be negative) and the values from there on.
    rings: Vec<(i64, Vec<[f32; 2]>)>,
    /// For each ring, how far in rad from the frame's axis, either way along it, values go.
    halves_rad: Vec<f64>,
}

/// Stands for no echo at all.
pub(super) const NOTHING_DB: f64 = -300.0;

impl BeamMap {
    /// A map of rings, each with its first angle and the values from there on, and how far from the frame's
    /// axis they go.
    pub(super) fn new(
        radii_m: Vec<f64>,
        angles: usize,
        rings: Vec<(i64, Vec<[f32; 2]>)>,
        halves_rad: Vec<f64>,
    ) -> Self {
        Self { radii_m, angles, rings, halves_rad }
    }

    /// The map of the mirror image about the frame's axis; for full rings and stretches about the axis.
    #[must_use]
    pub(crate) fn mirrored(&self) -> Self {
        let count = self.angles;
        let rings = self
            .rings
            .iter()
            .map(|(first, values)| {
                if values.len() == count {
                    // Angle j becomes -j.
                    let flipped = (0..count).map(|j| values[(count - j) % count]).collect();
                    (-first, flipped)
                } else {
                    let last = first + values.len() as i64 - 1;
                    (-last, values.iter().rev().copied().collect())
                }
            })
            .collect();
        Self { rings, ..self.clone_frame() }
    }

    /// The sum of four maps of one class and state by their weights; by the others where one of the outer
    /// two has no echo. Nothing where one of the inner two has none.
    #[must_use]
    pub(crate) fn mixed(maps: [&Self; 4], weights: [f64; 4], without: [f64; 4]) -> Self {
        let count = maps[1].angles as i64;
        let there = |v: &[f32; 2]| f64::from(v[0]) > NOTHING_DB + 50.0;
        let rings = (0..maps[1].rings.len())
            .map(|r| {
                let (first, values) = &maps[1].rings[r];
                let at = |map: &Self, j: usize| -> Option<[f32; 2]> {
                    let (own_first, own) = &map.rings[r];
                    let i = *first + j as i64 - own_first;
                    let i = if own.len() as i64 == count { i.rem_euclid(count) } else { i };
                    usize::try_from(i).ok().and_then(|i| own.get(i)).copied().filter(there)
                };
                let sum = |j: usize| -> Option<[f32; 2]> {
                    let (a, b) = (at(maps[1], j)?, at(maps[2], j)?);
                    let (four, weights) = match (at(maps[0], j), at(maps[3], j)) {
                        (Some(before), Some(after)) => ([before, a, b, after], weights),
                        _ => ([a, a, b, b], without),
                    };
                    let of = |k: usize| -> f64 {
                        four.iter().zip(weights).map(|(v, w)| w * f64::from(v[k])).sum()
                    };
                    Some([of(0) as f32, of(1) as f32])
                };
                let nothing = [NOTHING_DB as f32, 0.0];
                (*first, (0..values.len()).map(|j| sum(j).unwrap_or(nothing)).collect())
            })
            .collect();
        Self { rings, ..maps[1].clone_frame() }
    }

    /// Everything but the values.
    fn clone_frame(&self) -> Self {
        Self {
            radii_m: self.radii_m.clone(),
            angles: self.angles,
            rings: Vec::new(),
            halves_rad: self.halves_rad.clone(),
        }
    }

    /// Whether a place lies outside what was computed and would still do so if it were moved by `room_m`:
    /// for maps of one class, whichever state they are of.
    pub(crate) fn is_beyond(&self, radius_m: f64, angle_rad: f64, room_m: f64) -> bool {
        let last = self.radii_m.len() - 1;
        if last == 0 || radius_m <= 2.0 * room_m {
            return false;
        }
        let ring = |r: f64| ((r / self.radii_m[last] * last as f64).max(0.0) as usize).min(last);
        let (inner, outer) = (ring(radius_m - room_m).saturating_sub(1), ring(radius_m + room_m));
        let widest = self.halves_rad[inner..=outer].iter().copied().fold(0.0, f64::max);
        let off = turn(angle_rad).abs();
        off.min(PI - off) > widest + 1.2 * room_m / radius_m
    }

    /// Echo at a place given by radius and angle in the beam's frame: between rings linear, along
    /// them a parabola through three. `None` outside what was computed.
    #[must_use]
    pub fn at(&self, radius_m: f64, angle_rad: f64) -> Option<Seen> {
        let last = self.radii_m.len() - 1;
        if last > 0 {
            // Most places lie aside of most beams.
            let off = angle_rad.abs();
            let off = if off > PI { turn(off).abs() } else { off };
            let off = off.min(PI - off);
            let ring = ((radius_m / self.radii_m[last] * last as f64) as usize).min(last);
            if off > self.halves_rad[ring.saturating_sub(1)] {
                return None;
            }
        }
        let upper = self.radii_m.partition_point(|r| *r < radius_m).clamp(1.min(last), last);
        let lower = upper.saturating_sub(1);
        let span = self.radii_m[upper] - self.radii_m[lower];
        let share = if span > 0.0 {
            ((radius_m - self.radii_m[lower]) / span).clamp(0.0, 1.0)
        } else {
            0.0
        };
        if radius_m < self.radii_m[0] && last > 0 {
            // Within the innermost ring: between a place of it and the one opposite.
            let (a, b) = (self.around(0, angle_rad)?, self.around(0, angle_rad + PI)?);
            let near = 0.5 + 0.5 * radius_m / self.radii_m[0];
            return Some(Seen {
                level_db: b.level_db + (a.level_db - b.level_db) * near,
                time_s: b.time_s + (a.time_s - b.time_s) * near,
            });
        }
        // Near an end the other ring may not reach as far round: the nearer one decides.
        match (self.around(lower, angle_rad), self.around(upper, angle_rad)) {
            (Some(a), Some(b)) => Some(Seen {
                level_db: a.level_db + (b.level_db - a.level_db) * share,
                time_s: a.time_s + (b.time_s - a.time_s) * share,
            }),
            (Some(a), None) if share < 0.5 => Some(a),
            (None, Some(b)) if share >= 0.5 => Some(b),
            _ => None,
        }
    }

    fn around(&self, ring: usize, angle_rad: f64) -> Option<Seen> {
        let (first, values) = &self.rings[ring];
        let turn = angle_rad / TAU * self.angles as f64;
        let count = self.angles as f64;
        // What lies within a turn of the first needs no division.
        let within = |i: f64| match i {
            i if (0.0..count).contains(&i) => i,
            i if (-count..0.0).contains(&i) => i + count,
            i => i.rem_euclid(count),
        };
        let from = within(turn - *first as f64);
        let middle = from.round();
        let full = values.len() == self.angles;
        let at = |i: f64| -> Option<[f64; 2]> {
            let i = if full { within(i) } else { i };
            let value = (i >= 0.0).then(|| values.get(i as usize).map(|v| v.map(f64::from)))??;
            (value[0] > NOTHING_DB + 50.0).then_some(value)
        };
        let here = at(middle)?;
        let (before, after) = (at(middle - 1.0), at(middle + 1.0));
        let x = from - middle;
        let between = |k: usize| match (before, after) {
            (Some(a), Some(b)) => {
                let (a, h, b) = (a[k], here[k], b[k]);
                h + 0.5 * x * (b - a) + 0.5 * x * x * (a - 2.0 * h + b)
            }
            _ => here[k],
        };
        Some(Seen { level_db: between(0), time_s: between(1) })
    }
}

/// Maps of one class of beam in one state of the bar, for several displacements of the circle it meets,
/// given in the beam's frame. `more_m`: largest displacement, by which the computed part widens.
pub(crate) fn maps(
    bar: &Bar,
    conditions: &Conditions,
    class: &Class,
    sides: &Sides,
    reference: Flaw,
    displacements: &[Point],
    fineness: &Fineness,
) -> Result<Vec<BeamMap>> {
    let nodes = Nodes::of(class);
    let strengths = Strengths { class, conditions, band: bar.frequencies() };
    let weights = strengths.weights(reference, &nodes)?;
    let more_m = displacements.iter().map(|d| d.radius()).fold(0.0, f64::max);
    let sought = Sought::new(conditions, class, bar.radius_m, more_m, fineness);
    let rings = Rings { radii_m: sought.radii_m.clone(), angles: sought.angles };
    displacements
        .par_iter()
        .map(|&by| {
            let moved;
            let sides = if by.radius() > 0.0 {
                moved = sides.displaced(bar, by)?;
                &moved
            } else {
                sides
            };
            let task = EchoTask {
                transmit: &sides.transmit,
                receive: sides.receive.as_ref(),
                weights: &weights,
                places: sought.places(by),
                search_s: search_s(conditions, class.mode),
                headings: class.mode == Mode::S,
            };
            let peaks = bar.band.echo_peaks(class.mode, &rings, times(&bar.band), &[task])?;
            Ok(sought.map(&peaks.into_iter().next().unwrap_or_default()))
        })
        .collect()
}

/// Samples of a record.
fn times(band: &CylinderBand) -> usize {
    samples(band.frequencies_hz().len())
}

/// Samples of a record of so many frequencies.
pub(crate) fn samples(frequencies: usize) -> usize {
    (frequencies * 3).next_power_of_two()
}

/// Time in s after the earliest arrival within which an echo is looked for.
pub(crate) fn search_s(conditions: &Conditions, mode: Mode) -> f64 {
    0.7 * record_s(mode, conditions.pulse.centre_hz)
}

/// Line sources of a class's elements, in coordinates in which a concave face is concentric, and where the
/// ring's centre stands in them.
pub(crate) fn face_array(class: &Class) -> Result<(LineArray, Point)> {
    let (face_m, centre) = match class.face() {
        Some((radius_m, centre)) => (Some(radius_m), centre),
        None => (None, Point::default()),
    };
    let array = LineArray::new(&class.elements, SOURCES, centre, face_m)?;
    Ok((array, Point::default() - centre))
}
