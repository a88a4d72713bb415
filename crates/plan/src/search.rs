//! The search for the layout of one kind of beam: the one whose line runs fastest and keeps every rule.

use barwright_job::technique::Beam;
use barwright_wave::Mode;

use crate::beams;
use crate::bench::Bench;
use crate::conditions::{Conditions, tolerance_cases};
use crate::coverage::Margin;
use crate::error::{PlanError, Result};
use crate::exact::margins::{self, Judged, Place, Sights};
use crate::exact::{Fields, Fineness, Flaw};
use crate::gates;
use crate::layout::{self, Layout};
use crate::schedule;
use crate::technique::allowed_spacing_m;

pub(crate) mod finer;

/// Rings and angles of the search; the proof's are about twice as fine.
const RINGS: usize = 14;
const ANGLES: usize = 120;
/// Angles of the search's maps.
const MAP_ANGLES: usize = 240;
/// Coverage in hand that the coarse places must show over the order, as a fraction.
const IN_HAND: f64 = 0.002;
/// Pulse spacings tried, as shares of the longest that the rules allow.
const SPACINGS: [f64; 6] = [1.0, 0.85, 0.7, 0.55, 0.45, 0.35];

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
    /// What it covers on the search's coarse places.
    pub covered: Covered,
    /// Longest way between two shots of a beam at which that coverage holds, in m.
    pub spacing_m: f64,
    /// Exact fields of its beams; absent for a flat block.
    pub fields: Option<Fields<'a>>,
}

/// Covered share of the class that keeps pulses from lying further apart, or has least in hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Covered {
    /// The class and what its share is of, in words; empty where nothing was asked.
    pub class: &'static str,
    /// See [`Self::class`].
    pub of: &'static str,
    /// Share in the worst case.
    pub worst: f64,
    /// Ordered share.
    pub ordered: f64,
}

impl Covered {
    /// Nothing was asked.
    pub const NOTHING: Self = Self { class: "", of: "", worst: 0.0, ordered: 0.0 };
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
    /// Covered share where that was found.
    pub covered: f64,
    /// How near it came: below 0 short nominally, below 1 in the worst case, 1 and more where it covers what
    /// is ordered.
    pub nearness: f64,
}

/// How long a search may take.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Effort {
    /// Layouts that are tried; absent: all, until none left could be faster, and finer steps about the best.
    pub only: Option<Vec<Layout>>,
    /// Line speed in m/s that must be reached for the result to be of use: what could not reach four fifths
    /// of it (the search's own speeds are estimates) is not tried.
    pub floor_m_s: f64,
    /// Whether coarse places are enough for squares: a first look, which may promise too much.
    pub coarse: bool,
}

impl Effort {
    /// Estimated speed under which a layout is not worth trying.
    fn least_m_s(&self) -> f64 {
        0.8 * self.floor_m_s
    }
}

/// The layout of the fastest line, and all that were weighed.
///
/// Layouts are tried in the order of the speed that their number of beams allows; the search ends when none
/// left could be faster than the best found. Then finer steps of focus or angle are tried about those that
/// came nearest and could still be faster. `other_s`: time that the beams of the other kind take.
///
/// # Errors
/// [`PlanError::NoTechnique`] with the rule that stopped the best candidate and the nearest order that would
/// work.
pub fn best<'a>(
    bench: &'a Bench<'_>,
    mode: Mode,
    rhythm: Rhythm,
    other_s: f64,
    effort: &Effort,
) -> Result<(Found<'a>, Vec<Weighed>)> {
    let goal = Goal::new(bench, mode, rhythm, other_s)?;
    let mut hunt = Hunt {
        bench,
        goal: &goal,
        weighed: Vec::new(),
        best: None,
        closest: None,
        refusal: None,
        least_m_s: effort.least_m_s(),
    };
    match &effort.only {
        Some(list) => {
            let of_mode = list.iter().filter(|l| l.mode == mode).copied().collect();
            hunt.all(of_mode)?;
        }
        None => {
            hunt.all(layout::candidates(bench, mode))?;
            for finer in finer::STEPS {
                let to_beat = hunt.to_beat_m_s();
                let bound = |layout: &Layout| goal.bound_m_s(bench, layout);
                let layouts = finer::about(&hunt.weighed, finer, &|l| bound(l) > to_beat * 1.001);
                hunt.all(layouts)?;
            }
        }
    }
    hunt.result()
}

/// A search under way.
struct Hunt<'a, 'b, 'c> {
    bench: &'a Bench<'b>,
    goal: &'c Goal,
    weighed: Vec<Weighed>,
    best: Option<(f64, Found<'a>)>,
    closest: Option<Short>,
    refusal: Option<PlanError>,
    least_m_s: f64,
}

impl<'a> Hunt<'a, '_, '_> {
    fn to_beat_m_s(&self) -> f64 {
        self.best.as_ref().map_or(self.least_m_s, |b| b.0)
    }

    /// Tries layouts, the possibly fastest first, until none left could be faster than the best.
    fn all(&mut self, layouts: Vec<Layout>) -> Result<()> {
        let (bench, goal) = (self.bench, self.goal);
        let mut candidates: Vec<(f64, f64, Layout)> = layouts
            .into_iter()
            .map(|layout| (goal.bound_m_s(bench, &layout), goal.cycle_s(bench, &layout), layout))
            .filter(|c| c.0 > 0.0)
            .collect();
        candidates.sort_by(|a, b| {
            b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)).then(b.2.count.cmp(&a.2.count))
        });
        for (bound, _, layout) in candidates {
            let enough = self.best.as_ref().map_or(self.least_m_s, |(speed, _)| *speed);
            if enough >= bound * 0.999 {
                break;
            }
            self.one(layout, bound)?;
        }
        Ok(())
    }

    fn one(&mut self, layout: Layout, bound: f64) -> Result<()> {
        let (bench, goal) = (self.bench, self.goal);
        bench.watch.weigh()?;
        let beams = goal.beams(bench, &layout);
        let mut note = |spacing_m, speed_m_s, rule, covered, nearness| {
            let weighed = Weighed { layout, beams, spacing_m, speed_m_s, rule, covered, nearness };
            self.weighed.push(weighed);
        };
        match attempt(bench, layout, goal, self.best.as_ref().map(|b| b.0)) {
            Ok(Ok(found)) => {
                let speed = goal.speed_m_s(found.spacing_m, goal.cycle_s(bench, &layout));
                let worst = found.covered.worst;
                note(Some(found.spacing_m), speed, "coverage".to_owned(), worst, 1.0 + worst);
                if self.best.as_ref().is_none_or(|(s, _)| speed > *s) {
                    self.best = Some((speed, found));
                }
            }
            Ok(Err(short)) => {
                note(None, bound, short.words(), short.share, short.nearness());
                let nearer = |c: &Short| short.share - short.ordered > c.share - c.ordered;
                if !short.slower && self.closest.as_ref().is_none_or(nearer) {
                    self.closest = Some(short);
                }
            }
            Err(PlanError::NoTechnique { rule, figure, cure }) => {
                note(None, bound, format!("{rule}: {figure}"), 0.0, f64::NEG_INFINITY);
                self.refusal.get_or_insert(PlanError::NoTechnique { rule, figure, cure });
            }
            Err(other) => return Err(other),
        }
        Ok(())
    }

    fn result(self) -> Result<(Found<'a>, Vec<Weighed>)> {
        match (self.best, self.closest, self.refusal) {
            (Some((_, found)), ..) => Ok((found, self.weighed)),
            (None, Some(short), _) => Err(short.refusal()),
            (None, None, Some(refusal)) => Err(refusal),
            (None, None, None) if self.least_m_s > 0.0 => Err(too_slow(self.bench)),
            (None, None, None) => Err(no_aperture()),
        }
    }
}

/// What all layouts of a search share.
struct Goal {
    cases: Vec<Conditions>,
    places: Vec<Place>,
    asks: Vec<Ask>,
    rhythm: Rhythm,
    other_s: f64,
}

impl Goal {
    fn new(bench: &Bench<'_>, mode: Mode, rhythm: Rhythm, other_s: f64) -> Result<Self> {
        let places = match mode {
            Mode::L => section(bench),
            Mode::S => rim(bench),
        };
        let asks = asks(bench, mode, &places);
        if asks.is_empty() {
            return Err(PlanError::rule("flaws", "no crack is ordered", "order a crack class"));
        }
        Ok(Self {
            cases: tolerance_cases(bench.order, bench.station, &bench.nominal)?,
            places,
            asks,
            rhythm,
            other_s,
        })
    }

    fn beams(&self, bench: &Bench<'_>, layout: &Layout) -> usize {
        let elements = bench.probes.first().map_or(0, |p| p.elements.len());
        layout.beams(bench.probes.len(), elements)
    }

    /// Time in s that firing all beams of a layout takes, at the rhythm of the one that was timed.
    fn cycle_s(&self, bench: &Bench<'_>, layout: &Layout) -> f64 {
        self.beams(bench, layout) as f64 * self.rhythm.beam_s
    }

    /// Speed in m/s at a spacing. The other kind's firings fill waits of this one: a third of the shorter
    /// time comes on top of the longer.
    fn speed_m_s(&self, spacing_m: f64, cycle_s: f64) -> f64 {
        let (long, short) = (cycle_s.max(self.other_s), cycle_s.min(self.other_s));
        spacing_m / (long + short / 3.0)
    }

    /// Highest speed that a layout may reach; zero if it has no beams.
    fn bound_m_s(&self, bench: &Bench<'_>, layout: &Layout) -> f64 {
        if self.beams(bench, layout) == 0 {
            return 0.0;
        }
        self.speed_m_s(self.rhythm.allowed_m, self.cycle_s(bench, layout))
            .min(bench.station.line.max_speed_m_s)
    }
}

/// Time in s that the beams of a kind take in the middle one of its layouts.
pub(crate) fn usual_cycle_s(bench: &Bench<'_>, mode: Mode, rhythm: Rhythm) -> f64 {
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    let probes = bench.probes.len();
    let mut beams: Vec<usize> = layout::candidates(bench, mode)
        .iter()
        .map(|layout| layout.beams(probes, elements))
        .filter(|beams| *beams > 0)
        .collect();
    beams.sort_unstable();
    beams.get(beams.len() / 2).map_or(0.0, |beams| *beams as f64 * rhythm.beam_s)
}

/// How a kind of beam fires.
#[derive(Debug, Clone, Copy)]
pub struct Rhythm {
    /// Time in s that a beam takes in the kind's firing order.
    beam_s: f64,
    /// Longest way in m between two shots of a beam by the pulses on the shortest flaw.
    allowed_m: f64,
}

/// Rhythm of a kind, from a usual one of its layouts.
pub(crate) fn rhythm(bench: &Bench<'_>, mode: Mode) -> Result<Rhythm> {
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    let probes = bench.probes.len();
    let mut layouts: Vec<Layout> = layout::candidates(bench, mode)
        .into_iter()
        .filter(|l| l.beams(probes, elements) > 0)
        .collect();
    layouts.sort_by_key(|l| l.beams(probes, elements));
    let middle = layouts.get(layouts.len() / 3).ok_or_else(no_aperture)?;
    let built = beams::build(bench, &middle.sketches(bench)?, 0, fineness(bench))?;
    let mut beams = built.beams;
    beams::follow_own(&mut beams);
    Ok(Rhythm {
        beam_s: cycle_s(bench, &beams) / beams.len().max(1) as f64,
        allowed_m: allowed_spacing_m(bench, &beams).0,
    })
}

/// Whether any longitudinal layout, with no other beams beside it, could be as fast as an effort asks.
pub(crate) fn could_reach(bench: &Bench<'_>, rhythm: Rhythm, effort: &Effort) -> bool {
    let elements = bench.probes.first().map_or(0, |p| p.elements.len());
    let fewest = layout::candidates(bench, Mode::L)
        .iter()
        .map(|layout| layout.beams(bench.probes.len(), elements))
        .filter(|beams| *beams > 0)
        .min();
    // A station's highest speed may be reached by many.
    let least_m_s = effort.least_m_s().min(bench.station.line.max_speed_m_s);
    fewest.is_none_or(|beams| rhythm.allowed_m >= least_m_s * beams as f64 * rhythm.beam_s)
}

/// Period in s of the firing order of some beams by themselves.
pub(crate) fn cycle_s(bench: &Bench<'_>, beams: &[Beam]) -> f64 {
    let record = gates::record(bench, beams);
    schedule::period_s(bench, beams, &record)
}

/// No layout of a ring can be as fast as what is known from elsewhere.
pub(crate) fn too_slow(bench: &Bench<'_>) -> PlanError {
    PlanError::rule(
        "line speed",
        format!("so many beams of ring {} cannot be as fast", bench.ring.name),
        "use the other ring",
    )
}

fn no_aperture() -> PlanError {
    PlanError::rule(
        "electronics",
        "no aperture of the electronics fits a probe of the ring",
        "use electronics of more elements in an aperture",
    )
}

/// How finely the search computes.
fn fineness(bench: &Bench<'_>) -> Fineness {
    Fineness {
        rings: RINGS,
        angles: MAP_ANGLES,
        rim: crate::proof::rim_angles(&bench.nominal),
        around: 8,
    }
}

/// A flaw that a kind of beam is to find.
struct Ask {
    flaw: Flaw,
    ordered: f64,
    /// Whether it is asked for at each of the goal's places.
    asked: Vec<bool>,
    /// The flaw and its share, in words.
    what: &'static str,
    of: &'static str,
    /// Size of the flaw in mm, and by what power of it its echo grows.
    size_mm: f64,
    power: f64,
}

fn asks(bench: &Bench<'_>, mode: Mode, places: &[Place]) -> Vec<Ask> {
    let flaws = &bench.order.flaws;
    let everywhere = vec![true; places.len()];
    if mode == Mode::S {
        let crack = bench.crack().zip(flaws.crack).map(|(flaw, class)| Ask {
            flaw,
            ordered: class.coverage_percent / 100.0,
            asked: everywhere,
            what: "cracks",
            of: "of the circumference",
            size_mm: class.depth_mm,
            power: 1.0,
        });
        return crack.into_iter().collect();
    }
    let mut asks = vec![Ask {
        flaw: bench.disc(),
        ordered: flaws.disc.coverage_percent / 100.0,
        asked: everywhere.clone(),
        what: "discs",
        of: "of the area",
        size_mm: flaws.disc.diameter_mm,
        power: 2.0,
    }];
    asks.extend(flaws.inclusion.map(|class| Ask {
        flaw: Flaw::Inclusion { diameter_m: class.diameter_mm * 1e-3 },
        ordered: class.coverage_percent / 100.0,
        asked: everywhere,
        what: "inclusions",
        of: "of the area",
        size_mm: class.diameter_mm,
        power: 1.0,
    }));
    asks.extend(flaws.pipe.map(|class| {
        let radius_mm = bench.nominal.section.half_extent_m() * 1e3;
        let inner = places.iter().map(|p| p.share).fold(f64::INFINITY, f64::min);
        let within = (class.within_mm / radius_mm).max(inner + 1e-9);
        Ask {
            flaw: Flaw::Pipe { diameter_m: class.diameter_mm * 1e-3 },
            ordered: class.coverage_percent / 100.0,
            asked: places.iter().map(|p| p.share <= within).collect(),
            what: "pipes",
            of: "of the places near the centre",
            size_mm: class.diameter_mm,
            power: 0.5,
        }
    }));
    asks
}

/// A layout that does not cover what is ordered.
struct Short {
    layout: Layout,
    share: f64,
    ordered: f64,
    worst: bool,
    what: &'static str,
    of: &'static str,
    /// Size in mm that would be covered, where all places are seen at all.
    nearest_mm: Option<f64>,
    /// Whether it covers enough, but too slowly.
    slower: bool,
}

impl Short {
    fn nearness(&self) -> f64 {
        match (self.slower, self.worst) {
            (true, _) => 1.0,
            (false, true) => (1.0 + self.share - self.ordered).clamp(0.0, 0.999),
            (false, false) => (self.share - self.ordered).min(-1e-9),
        }
    }

    fn words(&self) -> String {
        if self.slower {
            return "covers what is ordered, but slower than the one taken".to_owned();
        }
        format!(
            "{}: {:.1} % {} {}, {:.1} % ordered",
            self.what,
            self.share * 100.0,
            self.of,
            if self.worst { "in the worst case" } else { "nominal" },
            self.ordered * 100.0
        )
    }

    fn refusal(&self) -> PlanError {
        let share = format!("{:.1} % {}", (self.share * 1000.0).floor() / 10.0, self.of);
        let nearest = match self.nearest_mm {
            Some(mm) => format!("{} of {mm:.2} mm, or {share}", self.what),
            None => share,
        };
        PlanError::rule(
            "coverage",
            format!("{} at best ({})", self.words(), self.layout.words()),
            format!(
                "nearest order that would work: {nearest}; or centre the bar better, or use a ring \
                 of more probes"
            ),
        )
    }
}

/// What a layout covers of each class, and what it lacks most of all that is asked, at a pulse spacing;
/// `None` if nothing.
fn lack(
    goal: &Goal,
    fields: &Fields<'_>,
    judged: &Judged<'_>,
    sights: &[Sights],
    layout: Layout,
    worst: bool,
) -> Result<(Vec<f64>, Option<Short>)> {
    let mut shares = Vec::new();
    let mut short: Option<Short> = None;
    for ask in &goal.asks {
        let margins = margins::margins(fields, judged, sights, ask.flaw)?;
        let (places, margins): (Vec<Place>, Vec<Margin>) = goal
            .places
            .iter()
            .zip(&margins)
            .zip(&ask.asked)
            .filter(|x| *x.1)
            .map(|x| (*x.0.0, *x.0.1))
            .unzip();
        let own = share(&places, &margins, worst);
        shares.push(own);
        let wanted = (ask.ordered + IN_HAND).min(1.0);
        if own < wanted && short.as_ref().is_none_or(|s| own - ask.ordered < s.share - s.ordered) {
            let lacking_db = lacking_db(&places, &margins, worst, wanted);
            short = Some(Short {
                layout,
                share: own,
                ordered: ask.ordered,
                worst,
                what: ask.what,
                of: ask.of,
                nearest_mm: lacking_db
                    .map(|db| ask.size_mm * 10f64.powf(db / (20.0 * ask.power)) * 1.01),
                slower: false,
            });
        }
    }
    Ok((shares, short))
}

fn attempt<'a>(
    bench: &'a Bench<'_>,
    layout: Layout,
    goal: &Goal,
    to_beat_m_s: Option<f64>,
) -> Result<std::result::Result<Found<'a>, Short>> {
    let sketches = layout.sketches(bench)?;
    let overlap_m = beams::kept_overlap_m(bench, &sketches)?;
    let rounding_s = sketches.iter().map(|s| s.rounding_s).fold(0.0, f64::max);
    let built = beams::build(bench, &sketches, 0, fineness(bench))?;
    let mut beams = built.beams;
    beams::follow_own(&mut beams);
    let Some(mut fields) = built.fields else {
        return Err(PlanError::rule(
            "section",
            "only round bars in water are searched by the exact field",
            "order a round section",
        ));
    };
    let cycle_s = goal.cycle_s(bench, &layout);
    let longest = allowed_spacing_m(bench, &beams).0;
    let judged = |spacing_m| Judged {
        probes: &bench.probes,
        beams: &beams,
        sensitivity: &bench.sensitivity,
        spacing_m,
        agreeing: bench.agreeing,
    };
    let calm = || Ok(());
    let at = |fields: &Fields<'_>, sights: &[Sights], spacing_m: f64, worst: bool| {
        lack(goal, fields, &judged(spacing_m), sights, layout, worst)
    };
    let see = |fields: &mut Fields<'_>, conditions: &[Conditions]| -> Result<Vec<Sights>> {
        let states = margins::states(fields, &judged(longest), &bench.nominal, conditions, &calm)?;
        let crack = layout.mode == Mode::S;
        Ok(margins::sights(fields, &judged(longest), &states, crack, &goal.places))
    };
    let mut sights = see(&mut fields, std::slice::from_ref(&bench.nominal))?;
    let least = longest * SPACINGS[SPACINGS.len() - 1];
    if let (_, Some(short)) = at(&fields, &sights, least, false)? {
        return Ok(Err(short));
    }
    // The longest spacing that serves nominally bounds what the deviations leave.
    let serving = |from: usize, fields: &Fields<'_>, sights: &[Sights], worst: bool| {
        let mut stopped = None;
        for (k, part) in SPACINGS.iter().enumerate().skip(from) {
            // No faster than what is known: not worth knowing.
            let speed = goal.speed_m_s(longest * part, cycle_s);
            if to_beat_m_s.is_some_and(|best| speed <= best) {
                break;
            }
            match at(fields, sights, longest * part, worst)? {
                (shares, None) => return Ok::<_, PlanError>(Some((k, shares, stopped))),
                (_, Some(short)) => stopped = Some(short.what),
            }
        }
        Ok(None)
    };
    let Some((first, _, stopped)) = serving(0, &fields, &sights, false)? else {
        return Ok(Err(slower(layout)));
    };
    // The cheapest deviations first: a layout that fails with an element lost needs no bar off centre.
    let (off, centred): (Vec<_>, Vec<_>) =
        goal.cases.iter().cloned().partition(|c| c.centre.radius() > 0.0 || c.oval.is_some());
    for cases in [centred, off] {
        sights.extend(see(&mut fields, &cases)?);
        if let (_, Some(short)) = at(&fields, &sights, least, true)? {
            return Ok(Err(short));
        }
    }
    let Some((part, shares, stopped_worst)) = serving(first, &fields, &sights, true)? else {
        return Ok(Err(slower(layout)));
    };
    let spacing_m = longest * SPACINGS[part];
    let stopped = stopped_worst.or(stopped);
    let in_hand = |(ask, share): &(&Ask, f64)| share - ask.ordered;
    let covered = goal
        .asks
        .iter()
        .zip(shares)
        .min_by(|a, b| {
            let own = |x: &(&Ask, f64)| stopped == Some(x.0.what);
            own(b).cmp(&own(a)).then(in_hand(a).total_cmp(&in_hand(b)))
        })
        .map_or(Covered::NOTHING, |(ask, worst)| Covered {
            class: ask.what,
            of: ask.of,
            worst,
            ordered: ask.ordered,
        });
    let fields = Some(fields);
    Ok(Ok(Found { layout, beams, overlap_m, rounding_s, covered, spacing_m, fields }))
}

/// A layout that covers what is ordered, but at no spacing that would make it the fastest.
fn slower(layout: Layout) -> Short {
    Short {
        layout,
        share: 1.0,
        ordered: 1.0,
        worst: true,
        what: "",
        of: "",
        nearest_mm: None,
        slower: true,
    }
}

fn section(bench: &Bench<'_>) -> Vec<Place> {
    let radius = bench.nominal.section.half_extent_m();
    let deepest = 1.0 - bench.sensitivity.skin_m / radius;
    // Rings of equal width out to the skin.
    (0..RINGS)
        .flat_map(|i| {
            let share = (i as f64 + 0.5) / RINGS as f64 * deepest;
            sector(bench, ANGLES).map(move |angle_rad| Place { share, angle_rad })
        })
        .collect()
}

fn rim(bench: &Bench<'_>) -> Vec<Place> {
    sector(bench, 3 * ANGLES).map(|angle_rad| Place { share: 1.0, angle_rad }).collect()
}

/// Angles between the middles of two probes, so many to a full turn: the ring repeats itself from probe to
/// probe, and so does what it covers. (The proof looks all round.)
fn sector(bench: &Bench<'_>, count: usize) -> impl Iterator<Item = f64> + use<> {
    let probes = bench.probes.len().max(1);
    let from = bench.ring.first_probe_deg.to_radians();
    let own = count.div_ceil(probes);
    let step = std::f64::consts::TAU / (own * probes) as f64;
    (0..own).map(move |j| from + (j as f64 + 0.5) * step)
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
