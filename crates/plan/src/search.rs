//! The search for the layout of one kind of beam: the one whose line runs fastest and keeps every rule.

use barwright_job::technique::Beam;
use barwright_wave::Mode;

use crate::beams;
use crate::bench::Bench;
use crate::conditions::{Conditions, tolerance_cases};
use crate::coverage::Margin;
use crate::error::{PlanError, Result};
use crate::exact::margins::{self, Judged, Place, State};
use crate::exact::{Fields, Fineness, Flaw};
use crate::gates;
use crate::layout::{self, Layout};
use crate::technique::allowed_spacing_m;

/// Rings and angles of the search; the proof's are about twice as fine.
const RINGS: usize = 14;
const ANGLES: usize = 120;
/// Angles of the search's maps.
const MAP_ANGLES: usize = 240;
/// Coverage in hand that the coarse places must show over the order, as a fraction.
const IN_HAND: f64 = 0.002;
/// Pulse spacings tried, as shares of the longest that the rules allow.
const SPACINGS: [f64; 6] = [1.0, 0.85, 0.7, 0.55, 0.45, 0.35];

/// Share of the -6 dB width by which neighbouring beams overlap at least (EN 10308).
pub const OVERLAP: f64 = 0.1;

/// A layout that keeps the rules, with its beams and figures.
#[derive(Debug)]
pub struct Found<'a> {
    /// The layout.
    pub layout: Layout,
    /// Its beams.
    pub beams: Vec<Beam>,
    /// Distance of neighbouring axes and -6 dB width where they are asked, in m.
    pub overlap_m: Option<(f64, f64)>,
    /// Largest rounding of a delay in s.
    pub rounding_s: f64,
    /// Covered share on the search's coarse places, nominal and in the worst case.
    pub covered: (f64, f64),
    /// Longest way between two shots of a beam at which that coverage holds, in m.
    pub spacing_m: f64,
    /// Exact fields of its beams; absent for a flat block.
    pub fields: Option<Fields<'a>>,
}

/// A layout that was weighed, and what became of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// The layout.
    pub layout: Layout,
    /// Number of its beams.
    pub beams: usize,
    /// Longest pulse spacing in m at which it covers what is ordered; absent if at none.
    pub spacing_m: Option<f64>,
    /// Highest line speed in m/s that its number of beams and spacing allow.
    pub speed_m_s: f64,
    /// The rule that stopped it, or that holds its speed.
    pub rule: String,
}

/// How long a search may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effort {
    /// Until no layout left could be faster.
    Full,
    /// The likeliest few.
    Light,
}

/// The layout of the fastest line, and all that were weighed.
///
/// Layouts are tried in the order of the speed that their number of beams allows; the search ends when none
/// left could be faster than the best found. `other_s`: time that the beams of the other kind take.
///
/// # Errors
/// [`PlanError::NoTechnique`] with the rule that stopped the best candidate and the nearest order that would
/// work.
pub fn best<'a>(
    bench: &'a Bench<'_>,
    mode: Mode,
    other_s: f64,
    effort: Effort,
) -> Result<(Found<'a>, Vec<Weighed>)> {
    let goal = Goal::new(bench, mode, other_s)?;
    let mut candidates: Vec<(f64, f64, Layout)> = layout::candidates(bench, mode)
        .into_iter()
        .map(|layout| (goal.bound_m_s(bench, &layout), goal.cycle_s(bench, &layout), layout))
        .filter(|c| c.0 > 0.0)
        .collect();
    candidates.sort_by(|a, b| {
        b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)).then(b.2.count.cmp(&a.2.count))
    });
    let most = match effort {
        Effort::Full => usize::MAX,
        Effort::Light => 6,
    };
    let mut weighed = Vec::new();
    let mut best: Option<(f64, Found<'a>)> = None;
    let mut closest: Option<Short> = None;
    let mut refusal: Option<PlanError> = None;
    let mut tried = 0;
    for (bound, _, layout) in candidates {
        if best.as_ref().is_some_and(|(speed, _)| *speed >= bound * 0.999) || tried >= most {
            break;
        }
        let beams = goal.beams(bench, &layout);
        let mut note = |spacing_m, speed_m_s, rule| {
            weighed.push(Weighed { layout, beams, spacing_m, speed_m_s, rule });
        };
        match attempt(bench, layout, &goal, best.as_ref().map(|b| b.0)) {
            Ok(Ok(found)) => {
                tried += 1;
                let speed = goal.speed_m_s(found.spacing_m, goal.cycle_s(bench, &layout));
                note(Some(found.spacing_m), speed, "coverage".to_owned());
                if best.as_ref().is_none_or(|(s, _)| speed > *s) {
                    best = Some((speed, found));
                }
            }
            Ok(Err(short)) => {
                tried += 1;
                note(None, bound, short.words(mode, goal.ordered));
                if closest.as_ref().is_none_or(|c| short.share > c.share) {
                    closest = Some(short);
                }
            }
            Err(PlanError::NoTechnique { rule, figure, cure }) => {
                note(None, bound, format!("{rule}: {figure}"));
                refusal.get_or_insert(PlanError::NoTechnique { rule, figure, cure });
            }
            Err(other) => return Err(other),
        }
    }
    match (best, closest, refusal) {
        (Some((_, found)), ..) => Ok((found, weighed)),
        (None, Some(short), _) => Err(short.refusal(bench, mode, goal.ordered)),
        (None, None, Some(refusal)) => Err(refusal),
        (None, None, None) => Err(PlanError::rule(
            "electronics",
            "no aperture of the electronics fits a probe of the ring",
            "use electronics of more elements in an aperture",
        )),
    }
}

/// What all layouts of a search share.
struct Goal {
    ordered: f64,
    cases: Vec<Conditions>,
    places: Vec<Place>,
    flaw: Flaw,
    interval_s: f64,
    other_s: f64,
    allowed_m: f64,
}

impl Goal {
    fn new(bench: &Bench<'_>, mode: Mode, other_s: f64) -> Result<Self> {
        let (flaw, places) = match mode {
            Mode::L => (Some(bench.disc()), section(bench)),
            Mode::S => (bench.crack(), rim()),
        };
        let flaw = flaw.ok_or_else(|| {
            PlanError::rule("flaws", "no crack is ordered", "order a crack class")
        })?;
        let (interval_s, allowed_m) = figures(bench, mode)?;
        Ok(Self {
            ordered: ordered_share(bench, mode),
            cases: tolerance_cases(bench.order, bench.station, &bench.nominal)?,
            places,
            flaw,
            interval_s,
            other_s,
            allowed_m,
        })
    }

    fn beams(&self, bench: &Bench<'_>, layout: &Layout) -> usize {
        let elements = bench.probes.first().map_or(0, |p| p.elements.len());
        layout.beams(bench.probes.len(), elements)
    }

    /// Time in s that firing all beams of a layout takes if as many fire together as the electronics
    /// allow.
    fn cycle_s(&self, bench: &Bench<'_>, layout: &Layout) -> f64 {
        let together = parallel(bench, layout.count);
        self.beams(bench, layout).div_ceil(together) as f64 * self.interval_s
    }

    fn speed_m_s(&self, spacing_m: f64, cycle_s: f64) -> f64 {
        (spacing_m / (cycle_s + self.other_s)).min(1.0e3)
    }

    /// Highest speed that a layout may reach; zero if it has no beams.
    fn bound_m_s(&self, bench: &Bench<'_>, layout: &Layout) -> f64 {
        if self.beams(bench, layout) == 0 {
            return 0.0;
        }
        self.speed_m_s(self.allowed_m, self.cycle_s(bench, layout))
            .min(bench.station.line.max_speed_m_s)
    }
}

/// Apertures of so many elements that can fire together.
#[must_use]
pub fn parallel(bench: &Bench<'_>, elements: usize) -> usize {
    let e = &bench.station.electronics;
    let by_channels = e.channels.map_or(usize::MAX, |c| c as usize / elements.max(1));
    // Opposite probes never fire together: half of them at most.
    let by_probes = if bench.probes.len().is_multiple_of(2) {
        (bench.probes.len() / 2).max(1)
    } else {
        bench.probes.len()
    };
    (e.parallel_apertures as usize).min(by_channels).min(by_probes).max(1)
}

/// Shortest interval of firings and longest pulse spacing of a kind of beam, from one of its layouts.
fn figures(bench: &Bench<'_>, mode: Mode) -> Result<(f64, f64)> {
    let probe = layout::candidates(bench, mode)
        .into_iter()
        .find(|l| !l.firsts(bench.probes.first().map_or(0, |p| p.elements.len())).is_empty())
        .ok_or_else(|| {
            PlanError::rule(
                "electronics",
                "no aperture of the electronics fits a probe of the ring",
                "use electronics of more elements in an aperture",
            )
        })?;
    let sketches = probe.sketches(bench)?;
    let one = sketches.get(..1).unwrap_or(&[]);
    let built = beams::build(bench, one, 0, fineness(bench))?;
    let listen = built.beams.iter().map(|b| {
        let end = b.gates.iter().map(|g| g.end_s).fold(0.0, f64::max);
        b.surface_time_s + end + gates::ring_down_s(bench)
    });
    let listen_s = listen.fold(0.0, f64::max);
    let interval_s = (1.0 / bench.station.electronics.max_prf_hz).max(listen_s);
    Ok((interval_s, allowed_spacing_m(bench, &built.beams).0))
}

/// How finely the search computes.
fn fineness(bench: &Bench<'_>) -> Fineness {
    Fineness {
        rings: RINGS,
        angles: MAP_ANGLES,
        rim: crate::proof::rim_angles(&bench.nominal),
    }
}

/// A layout that does not cover what is ordered.
struct Short {
    layout: Layout,
    share: f64,
    worst: bool,
    /// dB that the ordered share of places lacks.
    lacking_db: Option<f64>,
}

impl Short {
    fn words(&self, mode: Mode, ordered: f64) -> String {
        let what = match mode {
            Mode::L => "of the area",
            Mode::S => "of the circumference",
        };
        format!(
            "coverage: {:.1} % {what} {}, {:.1} % ordered",
            self.share * 100.0,
            if self.worst { "in the worst case" } else { "nominal" },
            ordered * 100.0
        )
    }

    fn refusal(&self, bench: &Bench<'_>, mode: Mode, ordered: f64) -> PlanError {
        let nearest = match (mode, self.lacking_db) {
            (Mode::L, Some(db)) => format!(
                "discs of {:.2} mm, or {:.1} % of the area",
                bench.order.flaws.disc.diameter_mm * 10f64.powf(db / 40.0) * 1.005,
                (self.share * 1000.0).floor() / 10.0
            ),
            (Mode::S, Some(db)) => format!(
                "cracks of {:.2} mm, or {:.1} % of the circumference",
                bench.order.flaws.crack.map_or(0.0, |c| c.depth_mm) * 10f64.powf(db / 20.0) * 1.005,
                (self.share * 1000.0).floor() / 10.0
            ),
            (Mode::L, None) => {
                format!("{:.1} % of the area", (self.share * 1000.0).floor() / 10.0)
            }
            (Mode::S, None) => {
                format!("{:.1} % of the circumference", (self.share * 1000.0).floor() / 10.0)
            }
        };
        PlanError::rule(
            "coverage",
            format!("{} at best ({})", self.words(mode, ordered), self.layout.words()),
            format!(
                "nearest order that would work: {nearest}; or centre the bar better, or use a ring \
                 of more probes"
            ),
        )
    }
}

fn attempt<'a>(
    bench: &'a Bench<'_>,
    layout: Layout,
    goal: &Goal,
    to_beat_m_s: Option<f64>,
) -> Result<std::result::Result<Found<'a>, Short>> {
    let sketches = layout.sketches(bench)?;
    let overlap_m = beams::overlap_m(bench, &sketches);
    if let Some((spacing, width)) = overlap_m
        && spacing > (1.0 - OVERLAP) * width
    {
        return Err(PlanError::rule(
            "overlap of neighbouring beams",
            format!(
                "axes {:.2} mm apart, -6 dB width {:.2} mm, {:.0} % must overlap",
                spacing * 1e3,
                width * 1e3,
                OVERLAP * 100.0
            ),
            "use probes of finer pitch or electronics of more elements in an aperture",
        ));
    }
    let rounding_s = sketches.iter().map(|s| s.rounding_s).fold(0.0, f64::max);
    let built = beams::build(bench, &sketches, 0, fineness(bench))?;
    let mut beams = built.beams;
    // In the search each beam follows its own surface; the final technique says whom it follows.
    for beam in &mut beams {
        beam.surface_beam = Some(beam.id);
    }
    let Some(mut fields) = built.fields else {
        return Err(PlanError::rule(
            "section",
            "only round bars in water are searched by the exact field",
            "order a round section",
        ));
    };
    let cycle_s = goal.cycle_s(bench, &layout);
    let longest = allowed_spacing_m(bench, &beams).0;
    let wanted = (goal.ordered + IN_HAND).min(1.0);
    let judged = |spacing_m| Judged {
        probes: &bench.probes,
        beams: &beams,
        sensitivity: &bench.sensitivity,
        spacing_m,
        agreeing: bench.agreeing,
    };
    let calm = || Ok(());
    let short = |margins: &[Margin], worst: bool| {
        let share = share(&goal.places, margins, worst);
        Short { layout, share, worst, lacking_db: lacking_db(&goal.places, margins, worst, wanted) }
    };
    let at = |fields: &Fields<'_>, states: &[State], spacing_m: f64| {
        margins::margins(fields, &judged(spacing_m), states, goal.flaw, &goal.places)
    };
    let states = margins::states(
        &mut fields,
        &judged(longest),
        &bench.nominal,
        std::slice::from_ref(&bench.nominal),
        &calm,
    )?;
    let least = longest * SPACINGS[SPACINGS.len() - 1];
    let nominal = at(&fields, &states, least)?;
    if share(&goal.places, &nominal, false) < wanted {
        return Ok(Err(short(&nominal, false)));
    }
    let mut all = states;
    all.extend(margins::states(&mut fields, &judged(longest), &bench.nominal, &goal.cases, &calm)?);
    let worst = at(&fields, &all, least)?;
    if share(&goal.places, &worst, true) < wanted {
        return Ok(Err(short(&worst, true)));
    }
    let mut found = (least, worst);
    for part in SPACINGS {
        let spacing_m = longest * part;
        // Not worth knowing better if it is no faster than what is known.
        let speed = goal.speed_m_s(spacing_m, cycle_s);
        if to_beat_m_s.is_some_and(|best| speed <= best) {
            break;
        }
        let margins = at(&fields, &all, spacing_m)?;
        if share(&goal.places, &margins, true) >= wanted {
            found = (spacing_m, margins);
            break;
        }
    }
    let (spacing_m, margins) = found;
    let covered =
        (share(&goal.places, &margins, false), share(&goal.places, &margins, true));
    Ok(Ok(Found {
        layout,
        beams,
        overlap_m,
        rounding_s,
        covered,
        spacing_m,
        fields: Some(fields),
    }))
}

fn ordered_share(bench: &Bench<'_>, mode: Mode) -> f64 {
    match mode {
        Mode::L => bench.order.flaws.disc.coverage_percent / 100.0,
        Mode::S => bench.order.flaws.crack.map_or(0.0, |c| c.coverage_percent / 100.0),
    }
}

fn section(bench: &Bench<'_>) -> Vec<Place> {
    let radius = bench.nominal.section.half_extent_m();
    let deepest = 1.0 - bench.sensitivity.skin_m / radius;
    // Rings of equal width out to the skin.
    (0..RINGS)
        .flat_map(|i| {
            let share = (i as f64 + 0.5) / RINGS as f64 * deepest;
            angles(ANGLES).map(move |angle_rad| Place { share, angle_rad })
        })
        .collect()
}

fn rim() -> Vec<Place> {
    angles(3 * ANGLES).map(|angle_rad| Place { share: 1.0, angle_rad }).collect()
}

fn angles(count: usize) -> impl Iterator<Item = f64> {
    (0..count).map(move |j| std::f64::consts::TAU * j as f64 / count as f64)
}

/// Covered share of places, each weighted by its distance from the centre.
#[must_use]
pub fn share(places: &[Place], margins: &[Margin], worst: bool) -> f64 {
    let (mut all, mut covered) = (0.0, 0.0);
    for (place, margin) in places.iter().zip(margins) {
        all += place.share;
        let value = if worst { margin.worst_db } else { margin.nominal_db };
        if value.is_some_and(|v| v >= 0.0) {
            covered += place.share;
        }
    }
    if all > 0.0 { covered / all } else { 0.0 }
}

/// dB by which the wanted share of places would have to be louder; `None` where so many are not seen at
/// all.
fn lacking_db(places: &[Place], margins: &[Margin], worst: bool, wanted: f64) -> Option<f64> {
    let mut seen: Vec<(f64, f64)> = places
        .iter()
        .zip(margins)
        .filter_map(|(p, m)| {
            let value = if worst { m.worst_db } else { m.nominal_db }?;
            Some((f64::from(value), p.share))
        })
        .collect();
    seen.sort_by(|a, b| b.0.total_cmp(&a.0));
    let need = wanted * places.iter().map(|p| p.share).sum::<f64>();
    let mut sum = 0.0;
    for (value, weight) in seen {
        sum += weight;
        if sum >= need {
            return Some(-value);
        }
    }
    None
}
