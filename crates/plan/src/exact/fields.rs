//! The fields of a set of beams in every state of the bar that was asked for, computed once each.

use std::borrow::Cow;
use std::f64::consts::TAU;
use std::sync::{Arc, Mutex};

use barwright_wave::{Mode, Point, cylinder::batch::FieldEngine};

use super::class::{Class, Like, Member, classes};
use super::faces::Faces;
use super::many::Many;
use super::maps::{Bar, BeamMap, Fineness, Seen, Sides, maps};
use super::weights::{Band, Flaw, Nodes, Strengths};
use crate::conditions::Conditions;
use crate::echo::turn;
use crate::error::Result;

/// Angles around the ring for a bar out of round: multiples of 45 degrees share their curvature.
const AROUND_OVAL: usize = 16;

/// Modal solutions already computed, shared by everything that looks at one order.
#[derive(Default)]
pub struct Bars {
    known: Mutex<Vec<(BarKey, Arc<Bar>)>>,
    peaks: Mutex<Vec<(PeakKey, Vec<f64>)>>,
}

impl std::fmt::Debug for Bars {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Bars").finish_non_exhaustive()
    }
}

/// What a flaw's peaks along a beam depend on within one order: the flaw, and how sound spreads along the
/// bar, to the last bit.
type PeakKey = (Mode, Flaw, [u64; 7]);

/// Radius and velocities, to the last bit: what a modal solution depends on within one order.
type BarKey = (Mode, [u64; 6]);

impl Bars {
    /// Peaks of a flaw by depth ([`Strengths::peaks`]), computed once.
    fn peaks(
        &self,
        strengths: &Strengths<'_>,
        radius_m: f64,
        flaw: Flaw,
        off_m: f64,
        nodes: &Nodes,
    ) -> Result<Vec<f64>> {
        let class = strengths.class;
        let numbers = [
            off_m,
            class.strip.length_m,
            class.strip.focus_m.unwrap_or(0.0),
            class.water_m,
            class.axis.reach_m,
            strengths.reference_sine(),
            radius_m,
        ];
        let key = (class.mode, flaw, numbers.map(f64::to_bits));
        let lock = || self.peaks.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some((_, known)) = lock().iter().find(|(k, _)| *k == key) {
            return Ok(known.clone());
        }
        let peaks = strengths.peaks(flaw, off_m, nodes)?;
        lock().push((key, peaks.clone()));
        Ok(peaks)
    }

    pub(crate) fn get(
        &self,
        conditions: &Conditions,
        radius_m: f64,
        mode: Mode,
    ) -> Result<Arc<Bar>> {
        let media = &conditions.media;
        let water = media.water.ok_or_else(crate::conditions::dry)?;
        let numbers = [
            radius_m,
            water.velocity_m_s,
            media.steel.longitudinal_m_s,
            media.steel.shear_m_s,
            conditions.pulse.centre_hz,
            conditions.pulse.bandwidth_rel,
        ]
        .map(f64::to_bits);
        let key = (mode, numbers);
        let find = |known: &[(BarKey, Arc<Bar>)]| {
            known.iter().find(|(k, _)| *k == key).map(|(_, bar)| Arc::clone(bar))
        };
        // A poisoned lock holds whole entries all the same.
        let lock = || self.known.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if let Some(bar) = find(&lock()) {
            return Ok(bar);
        }
        let bar = Arc::new(Bar::new(conditions, radius_m, mode)?);
        let mut known = lock();
        if let Some(bar) = find(&known) {
            return Ok(bar);
        }
        known.push((key, Arc::clone(&bar)));
        Ok(bar)
    }
}

/// What makes two states of a bar one, but for the direction they are turned to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Family {
    scale: f64,
    water_m_s: f64,
    longitudinal_m_s: f64,
    shear_m_s: f64,
    pub lost_middle: bool,
    pub offset_m: f64,
    oval_m: f64,
    flat_oval: bool,
}

impl Family {
    /// The family of a state, and the direction of the state in rad.
    fn of(c: &Conditions) -> (Self, f64) {
        let oval_m = c.oval.map_or(0.0, |o| o.amplitude_m);
        let offset_m = c.centre.radius();
        let direction = match c.oval {
            Some(o) if offset_m == 0.0 => o.direction_rad,
            _ if offset_m > 0.0 => c.centre.angle(),
            _ => 0.0,
        };
        let family = Self {
            scale: c.scale,
            water_m_s: c.media.water.map_or(0.0, |w| w.velocity_m_s),
            longitudinal_m_s: c.media.steel.longitudinal_m_s,
            shear_m_s: c.media.steel.shear_m_s,
            lost_middle: c.lost_middle,
            offset_m,
            oval_m,
            flat_oval: c.oval.is_some_and(|o| !o.curvature),
        };
        (family, direction)
    }

    pub(super) fn around(&self, usual: usize) -> usize {
        if self.oval_m != 0.0 && !self.flat_oval {
            AROUND_OVAL
        } else if self.offset_m > 0.0 || self.oval_m != 0.0 {
            usual
        } else {
            1
        }
    }

    /// Centre of the circle that a beam meets, relative to the bar's, in the beam's frame, when the
    /// state is turned by `psi` from the beam.
    pub(super) fn circle(&self, psi: f64) -> Point {
        // r = R + ε cos 2θ: the circle that osculates where the beam enters.
        Point::new(4.0 * (2.0 * psi).cos(), 2.0 * (2.0 * psi).sin()) * self.oval_m
    }

    /// Radius of that circle.
    pub(super) fn radius_m(&self, nominal_m: f64, psi: f64) -> f64 {
        let mean = nominal_m * self.scale;
        if self.flat_oval { mean } else { mean - 3.0 * self.oval_m * (2.0 * psi).cos() }
    }
}

/// The flaw that levels of a kind of wave refer to.
pub(super) fn of_mode(references: &[Option<Flaw>; 2], mode: Mode) -> Option<Flaw> {
    match mode {
        Mode::L => references[0],
        Mode::S => references[1],
    }
}

/// Maps of one family: by class, then by angle around the ring.
#[derive(Debug, Clone)]
struct FamilyMaps {
    family: Family,
    by_class: Vec<Vec<BeamMap>>,
}

/// A state that was prepared: where its maps are and how it is turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prepared {
    family: usize,
    direction_rad: f64,
}

/// Four of the angles around the ring and where a direction lies between the inner two.
struct Around {
    numbers: [usize; 4],
    part: f64,
}

impl Around {
    fn of(count: usize, direction_rad: f64) -> Self {
        let turned = direction_rad.rem_euclid(TAU) / TAU * count as f64;
        let lower = turned.floor();
        let number = |shift: i64| (lower as i64 + shift).rem_euclid(count as i64) as usize;
        Self { numbers: [-1, 0, 1, 2].map(number), part: turned - lower }
    }

    /// Weights of Lagrange's cubic through four angles.
    fn cubic(&self) -> [f64; 4] {
        let x = self.part;
        [
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ]
    }

    /// Weights of the line between the inner two.
    fn linear(&self) -> [f64; 4] {
        [0.0, 1.0 - self.part, self.part, 0.0]
    }
}

fn mixed(weights: [f64; 4], seen: [Seen; 4]) -> Seen {
    let sum = |of: fn(&Seen) -> f64| weights.iter().zip(&seen).map(|(w, s)| w * of(s)).sum();
    Seen { level_db: sum(|s| s.level_db), time_s: sum(|s| s.time_s) }
}

/// Fields of some beams of a round bar in water.
#[derive(Debug)]
pub struct Fields<'a> {
    bars: &'a Bars,
    own: Option<Bars>,
    nominal: &'a Conditions,
    radius_m: f64,
    fineness: Fineness,
    references: [Option<Flaw>; 2],
    classes: Vec<Class>,
    members: Vec<Option<Member>>,
    known: Vec<FamilyMaps>,
}

impl<'a> Fields<'a> {
    /// Fields of beams, before any state was prepared. `disc` and `crack` are the flaws that levels refer
    /// to, for longitudinal and shear beams.
    pub(crate) fn new(
        bars: &'a Bars,
        nominal: &'a Conditions,
        beams: &[Like<'_>],
        disc: Option<Flaw>,
        crack: Option<Flaw>,
        fineness: Fineness,
    ) -> Self {
        let (classes, members) = classes(beams);
        Self {
            bars,
            own: None,
            nominal,
            radius_m: nominal.section.half_extent_m(),
            fineness,
            references: [disc, crack],
            classes,
            members,
            known: Vec::new(),
        }
    }

    /// The same, whose modal solutions are forgotten with it: for states that never come again.
    pub(crate) fn forgetting(mut self) -> Self {
        self.own = Some(Bars::default());
        self
    }

    /// Classes of the beams.
    #[must_use]
    pub fn classes(&self) -> &[Class] {
        &self.classes
    }

    /// How a beam stems from its class.
    #[must_use]
    pub fn member(&self, beam: usize) -> Option<Member> {
        *self.members.get(beam)?
    }

    /// The flaw that levels of a kind of wave refer to.
    #[must_use]
    pub fn reference(&self, mode: Mode) -> Option<Flaw> {
        of_mode(&self.references, mode)
    }

    /// Computes the fields of a state, unless it is known but for its direction.
    ///
    /// # Errors
    /// The wave crate's.
    pub fn prepare(&mut self, state: &Conditions) -> Result<Prepared> {
        let (family, direction_rad) = Family::of(state);
        if let Some(known) = self.known.iter().position(|k| k.family == family) {
            return Ok(Prepared { family: known, direction_rad });
        }
        let around = family.around(self.fineness.around);
        let angles: Vec<f64> = (0..around).map(|k| TAU * k as f64 / around as f64).collect();
        let mut faces = Faces::default();
        let by_class = self
            .classes
            .iter()
            .map(|class| {
                let Some(reference) = self.reference(class.mode) else {
                    return Ok(Vec::new());
                };
                let mut by_angle: Vec<Option<BeamMap>> = vec![None; around];
                // Angles whose circle has the same radius share its modal solution.
                // A beam that is its own mirror image meets the other half mirrored.
                let half = if class.is_symmetric() { around / 2 + 1 } else { around };
                for k in 0..half {
                    if by_angle[k].is_some() {
                        continue;
                    }
                    let radius_m = family.radius_m(self.radius_m, angles[k]);
                    let alike: Vec<usize> = (k..half)
                        .filter(|j| {
                            (family.radius_m(self.radius_m, angles[*j]) - radius_m).abs() < 1e-8
                        })
                        .collect();
                    let bar =
                        self.own.as_ref().unwrap_or(self.bars).get(state, radius_m, class.mode)?;
                    let sides = bar.incident(class, family.lost_middle, &mut faces)?;
                    let moved: Vec<Point> = alike
                        .iter()
                        .map(|j| {
                            Point::polar(family.offset_m, angles[*j]) + family.circle(angles[*j])
                        })
                        .collect();
                    let own = self.maps(&bar, state, class, &sides, reference, &moved)?;
                    for (j, map) in alike.into_iter().zip(own) {
                        by_angle[j] = Some(map);
                    }
                }
                for k in half..around {
                    by_angle[k] = by_angle[around - k].as_ref().map(BeamMap::mirrored);
                }
                Ok(by_angle.into_iter().flatten().collect())
            })
            .collect::<Result<Vec<Vec<BeamMap>>>>()?;
        self.known.push(FamilyMaps { family, by_class });
        Ok(Prepared { family: self.known.len() - 1, direction_rad })
    }

    /// Computes the fields of many states together, by an engine: what [`Self::prepare`] does one by one.
    ///
    /// # Errors
    /// The engine's.
    pub(crate) fn prepare_many(
        &mut self,
        states: &[Conditions],
        engine: &dyn FieldEngine,
    ) -> Result<Vec<Prepared>> {
        let mut new: Vec<(Family, &Conditions)> = Vec::new();
        let first_new = self.known.len();
        let prepared = states
            .iter()
            .map(|state| {
                let (family, direction_rad) = Family::of(state);
                let all = self.known.iter().map(|k| &k.family).chain(new.iter().map(|n| &n.0));
                let place = all.into_iter().position(|f| *f == family).unwrap_or_else(|| {
                    new.push((family, state));
                    first_new + new.len() - 1
                });
                Prepared { family: place, direction_rad }
            })
            .collect();
        let mut many = Many::new(&self.classes, self.radius_m, &self.fineness);
        for (family, state) in &new {
            many.ask(family, state, &self.references)?;
        }
        let maps = many.computed(engine)?;
        let new = new.iter().zip(maps);
        self.known
            .extend(new.map(|((family, _), by_class)| FamilyMaps { family: *family, by_class }));
        Ok(prepared)
    }

    fn maps(
        &self,
        bar: &Bar,
        state: &Conditions,
        class: &Class,
        sides: &Sides,
        reference: Flaw,
        moved: &[Point],
    ) -> Result<Vec<BeamMap>> {
        maps(bar, state, class, sides, reference, moved, &self.fineness)
    }

    /// Echo of the reference flaw of a beam, at a place given by radius over the nominal radius and
    /// angle about the bar's centre; and the path in the steel to it in m. `None` where the beam is not
    /// worth computing.
    #[must_use]
    pub fn seen(&self, state: Prepared, beam: usize, share: f64, angle_rad: f64) -> Option<Seen> {
        self.seen_from(state, beam, share, self.member(beam)?.direction(angle_rad))
    }

    /// [`Self::seen`] for a direction `own_rad` in the beam's frame.
    pub(crate) fn seen_from(
        &self,
        state: Prepared,
        beam: usize,
        share: f64,
        own_rad: f64,
    ) -> Option<Seen> {
        let member = self.member(beam)?;
        let FamilyMaps { family, by_class } = self.known.get(state.family)?;
        let maps = by_class.get(member.class)?;
        let radius = share * self.radius_m * family.scale;
        // A circle stands four amplitudes off at most.
        let room_m = 4.5 * family.oval_m.abs();
        if family.oval_m != 0.0 && maps.iter().all(|m| m.is_beyond(radius, own_rad, room_m)) {
            return None;
        }
        let place = (family.oval_m != 0.0).then(|| Point::polar(radius, own_rad));
        let at = |k: usize| -> Option<Seen> {
            let map = maps.get(k)?;
            let Some(place) = place else {
                return map.at(radius, own_rad);
            };
            let p = place - family.circle(TAU * k as f64 / maps.len() as f64);
            map.at(p.radius(), p.angle())
        };
        if maps.len() == 1 {
            return at(0);
        }
        let around = Around::of(maps.len(), member.direction(state.direction_rad));
        let [before, a, b, after] = around.numbers.map(at);
        let (a, b) = (a?, b?);
        Some(match (before, after) {
            (Some(before), Some(after)) => mixed(around.cubic(), [before, a, b, after]),
            _ => mixed(around.linear(), [a, a, b, b]),
        })
    }

    /// The map of a beam in a state, where one map holds it: the same as [`Self::seen_from`] at every
    /// place, for less work when there are many. `None` for a bar out of round, which meets each place
    /// elsewhere, and for a beam without maps.
    pub(crate) fn facing(&self, state: Prepared, beam: usize) -> Option<Cow<'_, BeamMap>> {
        let member = self.member(beam)?;
        let FamilyMaps { family, by_class } = self.known.get(state.family)?;
        let maps = by_class.get(member.class).filter(|_| family.oval_m == 0.0)?;
        if maps.len() == 1 {
            return maps.first().map(Cow::Borrowed);
        }
        let around = Around::of(maps.len(), member.direction(state.direction_rad));
        let four = around.numbers.map(|k| maps.get(k));
        let [Some(before), Some(a), Some(b), Some(after)] = four else {
            return None;
        };
        Some(Cow::Owned(BeamMap::mixed([before, a, b, after], around.cubic(), around.linear())))
    }

    /// Radius in m, in a state, of a place given by its share of the surface's.
    pub(crate) fn radius_m(&self, state: Prepared, share: f64) -> f64 {
        let scale = self.known.get(state.family).map_or(1.0, |k| k.family.scale);
        share * self.radius_m * scale
    }

    /// What a flaw `off_m` along the bar from the middle of a pulse reads more than the reference of its
    /// class under the middle, in dB by depth; one list for each class, empty where it has no reference.
    ///
    /// # Errors
    /// The wave crate's.
    pub fn relative_db(&self, flaw: Flaw, off_m: f64) -> Result<Vec<(Nodes, Vec<f64>)>> {
        self.classes
            .iter()
            .map(|class| {
                let nodes = Nodes::of(class);
                let crack = matches!(flaw, Flaw::Crack { .. });
                let Some(reference) =
                    self.reference(class.mode).filter(|_| crack == (class.mode == Mode::S))
                else {
                    return Ok((nodes, Vec::new()));
                };
                let bar = self.bars.get(self.nominal, self.radius_m, class.mode)?;
                let band: Band<'_> = bar.frequencies();
                let strengths = Strengths { class, conditions: self.nominal, band };
                let peaks =
                    |flaw, off_m| self.bars.peaks(&strengths, self.radius_m, flaw, off_m, &nodes);
                let (own, other) = (peaks(flaw, off_m)?, peaks(reference, 0.0)?);
                let levels = own.iter().zip(&other).map(|(a, b)| 20.0 * (a / b).log10()).collect();
                Ok((nodes, levels))
            })
            .collect()
    }

    /// Path in the steel in m from where a beam's axis enters to a place whose direction in the beam's
    /// frame is `own_rad`.
    pub(crate) fn path_m(&self, beam: usize, share: f64, own_rad: f64) -> f64 {
        let Some(member) = self.member(beam) else {
            return 0.0;
        };
        let place = Point::polar(share * self.radius_m, own_rad);
        self.classes[member.class].axis.entry.distance(place)
    }

    /// Angle in rad of the middle of a beam's aperture.
    #[must_use]
    pub fn angle_rad(&self, beam: usize) -> f64 {
        self.member(beam).map_or(0.0, |m| turn(m.angle_rad))
    }
}
