//! The coverage proof of a square, by rays.

use barwright_job::{
    Finding, Order, Sealed, Station, Technique,
    finding::Topic,
    proof::{ClassProof, Engine, MarginMap, Proof, ProvedClass, Weakest},
    technique::Section,
};
use barwright_wave::Point;

use crate::conditions::Conditions;
use crate::coverage::Grid;
use crate::error::Result;
use crate::proof::{ProveOptions, each_hundredth, words};
use crate::square::cases;
use crate::square::coverage::{self, Scope, Seen, Target};
use crate::square::draws;
use crate::square::echo::Flaw;
use crate::square::outline::{self, Mouth};

/// Steps of the grid from the middle to a face: 0.7 mm in a side of 60 mm.
pub(crate) const STEPS: usize = 42;
/// Places around the outline.
pub(crate) const RIM: usize = 720;

/// A class of the volume as the order asks for it.
#[derive(Debug, Clone, PartialEq)]
pub struct VolumeClass {
    /// Which class.
    pub class: ProvedClass,
    /// What lies at its places.
    pub flaw: Flaw,
    /// The flaw in words.
    pub words: String,
    /// Ordered share.
    pub ordered: f64,
    /// Depth below every face from which it is asked, in m.
    skin_m: f64,
    /// Distance from the centre to which it is asked, in m.
    within_m: f64,
}

impl VolumeClass {
    /// Whether the order asks for the class at a point of the nominal section.
    #[must_use]
    pub fn asks(&self, section: &Section, p: Point) -> bool {
        // Rounding of the grid must not turn the answer over.
        section.depth_m(p) >= self.skin_m - 1e-9 && p.radius() <= self.within_m + 1e-9
    }
}

/// The classes of the volume that an order asks for, the disc first; one whose reflector cannot be
/// computed is left out.
#[must_use]
pub fn volume_classes(order: &Order, nominal: &Conditions) -> Vec<VolumeClass> {
    let disc = &order.flaws.disc;
    let (solid, pulse) = (&nominal.media.steel, &nominal.pulse);
    let skin_m = disc.skin_mm * 1e-3;
    let mut classes = vec![VolumeClass {
        class: ProvedClass::Disc,
        flaw: Flaw::Disc(disc.diameter_mm * 1e-3, 0.0),
        words: format!(
            "disc of {} mm facing the beam, deeper than {} mm below every face",
            disc.diameter_mm, disc.skin_mm
        ),
        ordered: disc.coverage_percent / 100.0,
        skin_m,
        within_m: f64::INFINITY,
    }];
    if let Some(i) = order.flaws.inclusion
        && let Ok(flaw) = Flaw::inclusion(i.diameter_mm * 1e-3, solid, pulse)
    {
        classes.push(VolumeClass {
            class: ProvedClass::Inclusion,
            flaw,
            words: format!(
                "empty sphere of {} mm, deeper than {} mm below every face",
                i.diameter_mm, disc.skin_mm
            ),
            ordered: i.coverage_percent / 100.0,
            skin_m,
            within_m: f64::INFINITY,
        });
    }
    if let Some(p) = order.flaws.pipe
        && let Ok(flaw) = Flaw::pipe(p.diameter_mm * 1e-3, solid, pulse)
    {
        classes.push(VolumeClass {
            class: ProvedClass::Pipe,
            flaw,
            words: format!(
                "channel of {} mm along the bar, within {} mm of the centre",
                p.diameter_mm, p.within_mm
            ),
            ordered: p.coverage_percent / 100.0,
            skin_m: 0.0,
            within_m: p.within_mm * 1e-3,
        });
    }
    classes
}

/// Proves what a technique of a square covers.
///
/// As [`crate::prove`], by rays; margins are those of the worst place between two pulses, at the flaw's
/// own depth, and of answers without a ray flag that says that rays fail there
/// (`docs/ray-against-exact.md`). Discs, inclusions and pipes stand on a square grid, cracks at 720 angles
/// of the outline, weighed with the outline's length; drawn states are tried at a quarter of these places.
///
/// # Errors
/// The wave crate's reason for a state that cannot be; [`crate::PlanError::Cancelled`] between two classes.
pub fn prove(
    order: &Order,
    station: &Station,
    technique: &Sealed<Technique>,
    options: &ProveOptions<'_>,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sealed<Proof>> {
    let t = &technique.body;
    let nominal = Conditions::nominal(t)?;
    let cases = cases::all(order, station, &nominal)?;
    let scope = Scope {
        probes: &t.probes,
        beams: &t.beams,
        sensitivity: &t.sensitivity,
        crack_length_m: order.flaws.shortest_mm * 1e-3,
    };
    let grid = Grid::over(&t.section, &t.probes, STEPS);
    let inside: Vec<usize> =
        (0..grid.len()).filter(|i| outline::inside(&t.section, grid.at(*i))).collect();
    let volume = volume_classes(order, &nominal);
    let around =
        if order.flaws.crack.is_some() { Mouth::around(&t.section, RIM) } else { Vec::new() };
    let drawn = draws::all(order, station, &nominal, options)?;
    // Of the grid every other place each way, and every fourth of the outline.
    let coarse = |i: &usize| (i % grid.nx).is_multiple_of(2) && (i / grid.nx).is_multiple_of(2);
    let few = |class: &VolumeClass| -> Vec<(Target, f64)> {
        inside
            .iter()
            .filter(|i| coarse(i) && class.asks(&t.section, grid.at(**i)))
            .map(|i| (Target::Volume(class.flaw, grid.at(*i)), 1.0))
            .collect()
    };
    let of_draws =
        volume.iter().map(|class| few(class).len()).sum::<usize>() + around.len().div_ceil(4);
    let total = inside.len() * volume.len() + around.len() + drawn.len() * of_draws;
    let tick = each_hundredth(total, progress);
    let figures = |targets: &[(Target, f64)]| {
        let (spacing, seed) = (t.pulse_spacing_m, options.seed);
        draws::coverage(&scope, &nominal, &drawn, targets, spacing, seed, &tick)
    };
    let spacings = [t.pulse_spacing_m];
    let run = |targets: &[Target]| -> Vec<Seen> {
        let all = coverage::margins(&scope, &nominal, &cases, targets, &spacings, &tick);
        all.into_iter().flatten().collect()
    };
    let mut classes: Vec<ClassProof> = volume
        .iter()
        .map(|class| {
            options.go_on()?;
            let targets: Vec<Target> =
                inside.iter().map(|i| Target::Volume(class.flaw, grid.at(*i))).collect();
            let mut proof = on_the_grid(t, &cases, class, &grid, &inside, &run(&targets));
            options.go_on()?;
            proof.draws = figures(&few(class));
            Ok(proof)
        })
        .collect::<Result<_>>()?;
    if let Some(crack) = order.flaws.crack {
        options.go_on()?;
        let targets: Vec<Target> = around.iter().map(|(m, _)| Target::Crack(*m)).collect();
        let words = format!(
            "crack square to the face, {} mm deep and {} mm long at the surface",
            crack.depth_mm, order.flaws.shortest_mm
        );
        let ordered = crack.coverage_percent / 100.0;
        let mut proof = on_the_outline(t, &cases, words, ordered, &around, &run(&targets));
        options.go_on()?;
        let every_fourth: Vec<(Target, f64)> =
            around.iter().step_by(4).map(|(m, length)| (Target::Crack(*m), *length)).collect();
        proof.draws = figures(&every_fourth);
        classes.push(proof);
    }
    let met = classes.iter().all(|c| c.worst >= c.ordered);
    let mut findings: Vec<Finding> = classes.iter().filter_map(words::uncovered).collect();
    findings.extend(classes.iter().filter_map(doubts));
    let proof = Proof {
        engine: Engine::Ray,
        classes,
        tolerances: cases.iter().map(|c| c.words.clone()).collect(),
        met,
        findings,
        by_rays: Vec::new(),
    };
    Ok(Sealed::seal(
        proof,
        [
            ("order", order.hash()),
            ("station", station.hash()),
            ("technique", technique.hash.clone()),
        ],
    ))
}

fn on_the_grid(
    t: &Technique,
    cases: &[Conditions],
    class: &VolumeClass,
    grid: &Grid,
    inside: &[usize],
    seen: &[Seen],
) -> ClassProof {
    let mut nominal_db = vec![None; grid.len()];
    let mut worst_db = vec![None; grid.len()];
    let mut asked = vec![false; grid.len()];
    let mut of_order = Vec::new();
    for (i, s) in inside.iter().zip(seen) {
        let p = grid.at(*i);
        nominal_db[*i] = s.margin.nominal_db;
        worst_db[*i] = s.margin.worst_db;
        asked[*i] = class.asks(&t.section, p);
        if asked[*i] {
            of_order.push((p, *s, 1.0));
        }
    }
    let map = MarginMap::Grid {
        x0_m: grid.origin.x,
        y0_m: grid.origin.y,
        step_m: grid.step_m,
        nx: grid.nx,
        ny: grid.ny,
        nominal_db,
        worst_db,
        asked,
    };
    proved(t, cases, (class.class, class.words.clone(), class.ordered), &of_order, map)
}

fn on_the_outline(
    t: &Technique,
    cases: &[Conditions],
    words: String,
    ordered: f64,
    around: &[(Mouth, f64)],
    seen: &[Seen],
) -> ClassProof {
    let places: Vec<(Point, Seen, f64)> =
        around.iter().zip(seen).map(|((m, length), s)| (m.point, *s, *length)).collect();
    let map = MarginMap::Rim {
        nominal_db: seen.iter().map(|s| s.margin.nominal_db).collect(),
        worst_db: seen.iter().map(|s| s.margin.worst_db).collect(),
    };
    proved(t, cases, (ProvedClass::Crack, words, ordered), &places, map)
}

/// Shares of weighed places, with the weakest.
fn proved(
    t: &Technique,
    cases: &[Conditions],
    (class, flaw, ordered): (ProvedClass, String, f64),
    places: &[(Point, Seen, f64)],
    map: MarginMap,
) -> ClassProof {
    let whole: f64 = places.iter().map(|p| p.2).sum();
    let share = |good: &dyn Fn(&Seen) -> bool| {
        // A sum of nothing is to be nought, not minus nought.
        let kept = places.iter().filter(|p| good(&p.1)).fold(0.0, |sum, p| sum + p.2);
        if whole > 0.0 { kept / whole } else { 0.0 }
    };
    ClassProof {
        class,
        flaw,
        ordered,
        nominal: share(&|s| s.margin.nominal_db.is_some_and(|m| m >= 0.0)),
        worst: share(&|s| s.margin.worst_db.is_some_and(|m| m >= 0.0)),
        doubted: share(&|s| s.doubted),
        draws: None,
        weakest: weakest(t, cases, places),
        map,
    }
}

/// The weakest place; of those that no beam reaches, the one nearest to the centre.
fn weakest(t: &Technique, cases: &[Conditions], places: &[(Point, Seen, f64)]) -> Weakest {
    let key = |s: &Seen| s.margin.worst_db.map_or(f64::NEG_INFINITY, f64::from);
    let weaker = places
        .iter()
        .min_by(|a, b| key(&a.1).total_cmp(&key(&b.1)).then(a.0.radius().total_cmp(&b.0.radius())));
    let Some((p, seen, _)) = weaker else {
        let cause = "the order asks for no place".into();
        return Weakest { x_m: 0.0, y_m: 0.0, margin_db: None, cause };
    };
    let m = &seen.margin;
    let place = format!(
        "{:.1} mm below the nearest face, x {:.1} mm, y {:.1} mm",
        t.section.depth_m(*p).max(0.0) * 1e3,
        p.x * 1e3,
        p.y * 1e3
    );
    let case = m.worst_case.and_then(|i| cases.get(i)).map(|c| c.words.as_str());
    let unreached = if seen.doubted {
        "beams reach it only where rays are doubted"
    } else {
        "no beam's gate reaches it"
    };
    let cause = words::cause(&place, m, case, unreached, "no trusted echo lies in a gate");
    Weakest { x_m: p.x, y_m: p.y, margin_db: m.worst_db.map(f64::from), cause }
}

fn doubts(class: &ClassProof) -> Option<Finding> {
    (class.doubted > 0.0).then(|| {
        Finding::new(
            Topic::Validity,
            format!(
                "{}: {:.2} % of the places count as unseen because rays are doubted there",
                class.flaw,
                class.doubted * 100.0
            ),
        )
    })
}
