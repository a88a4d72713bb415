//! Flaw classes of a round bar by the exact field.

use std::sync::atomic::{AtomicUsize, Ordering};

use barwright_job::{
    Order, Station, Technique,
    proof::{ClassProof, Draws, MarginMap, ProvedClass},
};
use barwright_wave::Point;

use super::words::weakest;
use super::{ProveOptions, draws};
use crate::conditions::Conditions;
use crate::coverage::Margin;
use crate::error::Result;
use crate::exact::class::Like;
use crate::exact::margins::{self, Judged, Place, State};
use crate::exact::{Bars, Fields, Fineness, Flaw};
use crate::search::share;

/// Places around the rim.
const RIM: usize = 720;
/// Distance in m of two rings that is wanted, and bounds of their number.
const RING_M: f64 = 1e-3;
const RINGS: (usize, usize) = (20, 44);
/// Angles around the ring at which a bar off centre is computed.
const AROUND: usize = 12;
/// Angles of the maps: a seventy-fifth of the radius at the surface.
const MAP_ANGLES: usize = 480;

/// Angles of a full turn at which the sound along the surface is sampled: more than twice the shear wave
/// number times the radius, a number that transforms well.
#[must_use]
pub fn rim_angles(nominal: &Conditions) -> usize {
    let top_hz = nominal.pulse.centre_hz + 2.0 * nominal.pulse.sigma_hz();
    let waves = std::f64::consts::TAU * top_hz / nominal.media.steel.shear_m_s
        * nominal.section.half_extent_m();
    ((2.4 * waves) as usize).next_multiple_of(120).max(720)
}

/// Rings and angles at which a round section is proved.
#[derive(Debug, Clone, Copy)]
struct Places {
    rings: usize,
    angles: usize,
}

impl Places {
    fn of(radius_m: f64) -> Self {
        let rings = ((radius_m / RING_M) as usize).clamp(RINGS.0, RINGS.1);
        Self { rings, angles: if rings > 30 { 360 } else { 240 } }
    }

    fn all(&self) -> Vec<Place> {
        (0..self.rings).flat_map(|ring| Place::around(self.share(ring), self.angles)).collect()
    }

    fn share(&self, ring: usize) -> f64 {
        (ring as f64 + 0.5) / self.rings as f64
    }
}

/// All classes of the order.
pub(super) fn classes(
    order: &Order,
    station: &Station,
    t: &Technique,
    nominal: &Conditions,
    cases: &[Conditions],
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Vec<ClassProof>> {
    let bars = Bars::default();
    let radius = t.section.half_extent_m();
    let fineness = fineness(radius, nominal, AROUND);
    let mut fields = fields(order, t, nominal, &bars, fineness);
    let judged = judged(t);
    let steps = 1 + cases.len() + options.draws;
    let done = AtomicUsize::new(0);
    let tick = || {
        let n = done.fetch_add(1, Ordering::Relaxed) + 1;
        progress(n as f32 / (steps + 1) as f32);
        options.go_on()
    };
    let conditions: Vec<Conditions> =
        std::iter::once(nominal.clone()).chain(cases.iter().cloned()).collect();
    let states = margins::states(&mut fields, &judged, nominal, &conditions, &tick)?;
    let drawn = draws::all(order, station, nominal, options, t.probes.len())?;
    let of_draws = draws::coverage(t, nominal, order, &bars, &judged, &drawn, &tick)?;

    let drawn = |class| of_draws.of(class, options.seed);
    let proofs = proofs(order, t, &fields, &states, cases, &drawn, &|| options.go_on())?;
    progress(1.0);
    Ok(proofs)
}

/// Proofs of all classes from prepared states, nominal first.
pub(super) fn proofs(
    order: &Order,
    t: &Technique,
    fields: &Fields<'_>,
    states: &[State],
    cases: &[Conditions],
    drawn: &dyn Fn(ProvedClass) -> Option<Draws>,
    go_on: &dyn Fn() -> Result<()>,
) -> Result<Vec<ClassProof>> {
    let radius = t.section.half_extent_m();
    let places = Places::of(radius);
    let judged = judged(t);
    let all = places.all();
    let rim: Vec<Place> = Place::around(1.0, RIM).collect();
    let section = margins::sights(fields, &judged, states, false, &all);
    let surface = margins::sights(fields, &judged, states, true, &rim);
    let mut proofs = Vec::new();
    for wanted in wanted(order, t) {
        go_on()?;
        let crack = wanted.class == ProvedClass::Crack;
        let (here, sights) = if crack { (&rim, &surface) } else { (&all, &section) };
        let margins = margins::margins(fields, &judged, sights, wanted.flaw)?;
        let asked: Vec<bool> = here.iter().map(|p| wanted.asks(p, radius)).collect();
        let (mut of_places, mut of_margins, mut of_order) = (Vec::new(), Vec::new(), Vec::new());
        for ((p, m), _) in here.iter().zip(&margins).zip(&asked).filter(|x| *x.1) {
            of_places.push(*p);
            of_margins.push(*m);
            of_order.push((Point::polar(p.share * radius, p.angle_rad), *m));
        }
        proofs.push(ClassProof {
            class: wanted.class,
            flaw: wanted.words.clone(),
            ordered: wanted.ordered,
            nominal: share(&of_places, &of_margins, false),
            worst: share(&of_places, &of_margins, true),
            doubted: 0.0,
            draws: drawn(wanted.class),
            map: map(crack, &places, radius, &margins, asked),
            weakest: weakest(t, cases, &of_order),
        });
    }
    Ok(proofs)
}

/// How finely a bar is proved.
pub(super) fn fineness(radius_m: f64, nominal: &Conditions, around: usize) -> Fineness {
    let rings = Places::of(radius_m).rings;
    Fineness { rings, angles: MAP_ANGLES, rim: rim_angles(nominal), around }
}

/// Exact fields of a technique's beams.
pub(crate) fn fields<'a>(
    order: &Order,
    t: &Technique,
    nominal: &'a Conditions,
    bars: &'a Bars,
    fineness: Fineness,
) -> Fields<'a> {
    let likes: Vec<Like<'_>> = t.beams.iter().map(|b| Like::beam(&t.probes, b)).collect();
    let disc = Flaw::Disc { diameter_m: t.sensitivity.disc_diameter_m, tilt_rad: 0.0 };
    let crack = t
        .sensitivity
        .crack_depth_m
        .map(|depth_m| Flaw::Crack { depth_m, length_m: order.flaws.shortest_mm * 1e-3 });
    Fields::new(bars, nominal, &likes, Some(disc), crack, fineness)
}

pub(crate) fn judged(t: &Technique) -> Judged<'_> {
    Judged {
        probes: &t.probes,
        beams: &t.beams,
        sensitivity: &t.sensitivity,
        spacing_m: t.pulse_spacing_m,
        agreeing: t.sensitivity.persistence as usize,
    }
}

/// A class that the order asks for.
pub(crate) struct Wanted {
    pub class: ProvedClass,
    pub flaw: Flaw,
    pub words: String,
    pub ordered: f64,
    /// Distances from the centre between which it is asked for, in m.
    pub within_m: (f64, f64),
}

impl Wanted {
    pub fn is_crack(&self) -> bool {
        self.class == ProvedClass::Crack
    }

    pub fn asks(&self, place: &Place, radius_m: f64) -> bool {
        // Rounding of a ring's radius must not turn the answer over.
        let r = place.share * radius_m;
        r >= self.within_m.0 - 1e-9 && r <= self.within_m.1 + 1e-9
    }
}

/// The classes of an order, disc first.
pub(crate) fn wanted(order: &Order, t: &Technique) -> Vec<Wanted> {
    let radius = t.section.half_extent_m();
    let skin = t.sensitivity.skin_m;
    let flaws = &order.flaws;
    let mut wanted = vec![Wanted {
        class: ProvedClass::Disc,
        flaw: Flaw::Disc { diameter_m: t.sensitivity.disc_diameter_m, tilt_rad: 0.0 },
        words: format!(
            "disc of {} mm facing the beam, deeper than {} mm",
            flaws.disc.diameter_mm, flaws.disc.skin_mm
        ),
        ordered: flaws.disc.coverage_percent / 100.0,
        within_m: (0.0, radius - skin),
    }];
    if let Some(inclusion) = flaws.inclusion {
        wanted.push(Wanted {
            class: ProvedClass::Inclusion,
            flaw: Flaw::Inclusion { diameter_m: inclusion.diameter_mm * 1e-3 },
            words: format!(
                "round inclusion of {} mm, deeper than {} mm",
                inclusion.diameter_mm, flaws.disc.skin_mm
            ),
            ordered: inclusion.coverage_percent / 100.0,
            within_m: (0.0, radius - skin),
        });
    }
    if let Some(pipe) = flaws.pipe {
        // The innermost ring stands for the axis itself.
        let least = radius / Places::of(radius).rings as f64 / 2.0;
        wanted.push(Wanted {
            class: ProvedClass::Pipe,
            flaw: Flaw::Pipe { diameter_m: pipe.diameter_mm * 1e-3 },
            words: format!(
                "pipe of {} mm along the bar, within {} mm of the centre",
                pipe.diameter_mm, pipe.within_mm
            ),
            ordered: pipe.coverage_percent / 100.0,
            within_m: (0.0, (pipe.within_mm * 1e-3).max(least)),
        });
    }
    if let (Some(crack), Some(depth_m)) = (flaws.crack, t.sensitivity.crack_depth_m) {
        wanted.push(Wanted {
            class: ProvedClass::Crack,
            flaw: Flaw::Crack { depth_m, length_m: flaws.shortest_mm * 1e-3 },
            words: format!(
                "radial crack {} mm deep and {} mm long at the surface",
                crack.depth_mm, flaws.shortest_mm
            ),
            ordered: crack.coverage_percent / 100.0,
            within_m: (radius, radius),
        });
    }
    wanted
}

fn map(
    crack: bool,
    places: &Places,
    radius_m: f64,
    margins: &[Margin],
    asked: Vec<bool>,
) -> MarginMap {
    let nominal_db = margins.iter().map(|m| m.nominal_db).collect();
    let worst_db = margins.iter().map(|m| m.worst_db).collect();
    if crack {
        return MarginMap::Rim { nominal_db, worst_db };
    }
    MarginMap::Polar {
        radii_m: (0..places.rings).map(|i| places.share(i) * radius_m).collect(),
        angles: places.angles,
        nominal_db,
        worst_db,
        asked,
    }
}
