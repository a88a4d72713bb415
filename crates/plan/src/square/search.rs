//! The search for the beams of a square: the fastest line that keeps every rule.

use barwright_job::proof::ProvedClass;
use barwright_wave::{Mode, Point};

use crate::beams;
use crate::bench::Bench;
use crate::conditions::Conditions;
use crate::error::{PlanError, Result};
use crate::layout::Layout;
use crate::search::{Covered, Effort, Found, Weighed, finer};
use crate::square::cases;
use crate::square::coverage::{self, Scope, Seen, Target};
use crate::square::outline::{self, Mouth};
use crate::square::{layout, proof};
use crate::technique::allowed_spacing_m;

/// Places that every candidate is asked: steps of the grid from the middle to a face, over one quarter
/// of the section, and places on one half of a face; nominal bar, beams and deviations are alike in all
/// four quarters.
const COARSE: (usize, usize) = (10, 24);
/// Places that a winner is asked once more: those of the proof, whose outermost row a coarser grid misses.
const FINE: (usize, usize) = (proof::STEPS, proof::RIM / 8);
/// Narrower spacings that a winner may fall back to on the fine places.
const FALLS: usize = 3;
/// Coverage in hand that the coarse places must show over the order, as a fraction.
const IN_HAND: f64 = 0.004;
/// Pulse spacings that are tried, over the widest that keeps three pulses on the shortest flaw.
const SPACINGS: [f64; 7] = [1.0, 0.8, 0.65, 0.55, 0.45, 0.35, 0.25];

/// The longitudinal layout of the fastest line, then the fewest shear beams that hold its pulse spacing
/// (or a denser one); and all layouts that were weighed, their speeds in m over a firing
/// (made m/s once the firing order is known).
///
/// # Errors
/// [`PlanError::NoTechnique`] with the rule that stopped the best candidate.
pub fn best<'a>(bench: &'a Bench<'_>, effort: &Effort) -> Result<(Vec<Found<'a>>, Vec<Weighed>)> {
    let mut weighed = Vec::new();
    let (volume, _, spacing_m) = kind(bench, Mode::L, (f64::INFINITY, 0.0), effort, &mut weighed)?;
    let mut kinds = vec![Found { spacing_m, ..volume }];
    if bench.order.flaws.crack.is_some() {
        let others = kinds.iter().map(|f| f.beams.len() as f64 / 2.0).sum();
        let (cracks, _, denser_m) =
            kind(bench, Mode::S, (spacing_m, others), effort, &mut weighed)?;
        kinds.push(Found { spacing_m: denser_m, ..cracks });
    }
    Ok((kinds, weighed))
}

/// The best layout of one kind with its widest spacing by pulses on the shortest flaw and by coverage,
/// both in m and the latter no wider than `within_m`.
///
/// Firings count for the speed: those of this kind's beams beside `others` of the other kind.
fn kind<'a>(
    bench: &'a Bench<'_>,
    mode: Mode,
    (within_m, others): (f64, f64),
    effort: &Effort,
    weighed: &mut Vec<Weighed>,
) -> Result<(Found<'a>, f64, f64)> {
    let mut hunt = Hunt {
        bench,
        // Two longitudinal beams of neighbouring probes fire together, shear beams alone.
        weight: if mode == Mode::L { 0.5 } else { 1.0 },
        within_m,
        others,
        cases: cases::all(bench.order, bench.station, &bench.nominal)?,
        coarse: asked(bench, mode, COARSE),
        fine: asked(bench, mode, FINE),
        refusal: None,
        closest: None,
        won: None,
        passed: Vec::new(),
        weighed: Vec::new(),
        only_coarse: effort.coarse,
    };
    match &effort.only {
        Some(list) => hunt.all(list.iter().filter(|l| l.mode == mode).copied().collect()),
        None => {
            hunt.all(layout::candidates(bench, mode));
            for step in finer::FACES {
                let worth = |layout: &Layout| hunt.worth(layout);
                let layouts = finer::about(&hunt.weighed, step, &worth);
                hunt.all(layouts);
            }
        }
    }
    bench.watch.going_on()?;
    weighed.append(&mut hunt.weighed);
    hunt.won.ok_or_else(|| match (hunt.closest, hunt.refusal) {
        (Some(least), _) => uncovered(mode, &least),
        (None, Some(e)) => e,
        (None, None) => PlanError::rule(
            "width of the array",
            match mode {
                Mode::L => "no aperture of the electronics fits the open part of a face".to_owned(),
                Mode::S => "no shear aperture of the electronics lands on a face beside".to_owned(),
            },
            "use electronics of fewer elements in an aperture, finer pitch or a wider array",
        ),
    })
}

/// A search under way.
struct Hunt<'a, 'b> {
    bench: &'a Bench<'b>,
    weight: f64,
    within_m: f64,
    others: f64,
    cases: Vec<Conditions>,
    coarse: Asked,
    fine: Asked,
    refusal: Option<PlanError>,
    closest: Option<Least>,
    won: Option<(Found<'a>, f64, f64)>,
    passed: Vec<Passed<'a>>,
    weighed: Vec<Weighed>,
    only_coarse: bool,
}

impl<'a> Hunt<'a, '_> {
    fn rate(&self, spacing_m: f64, beams: usize) -> f64 {
        spacing_m / (self.others + self.weight * beams as f64)
    }

    /// Best rate so far, on fine places or as yet only on coarse ones.
    fn best(&self) -> f64 {
        let won = self.won.as_ref().map(|(f, _, s)| self.rate(*s, f.beams.len()));
        let passed = self.passed.iter().map(|p| self.rate(p.spacings[0], p.found.beams.len()));
        won.into_iter().chain(passed).fold(0.0, f64::max)
    }

    /// Whether so many beams could be faster than the best.
    ///
    /// The width along the bar hangs on the elements' length and the way, hardly on the layout: what cannot
    /// be faster with a tenth more is not worth building.
    fn could_win(&self, beams: usize) -> bool {
        let won = self.won.as_ref().map(|w| w.1);
        let passed = self.passed.iter().map(|p| p.allowed_m);
        let known_m = won.into_iter().chain(passed).reduce(f64::max);
        let widest_m = known_m.map_or(f64::INFINITY, |m| 1.1 * m).min(self.within_m);
        self.rate(widest_m, beams) > self.best()
    }

    fn worth(&self, layout: &Layout) -> bool {
        let beams = self.weighed.iter().find(|w| w.layout == *layout).map_or(0, |w| w.beams);
        self.could_win(beams)
    }

    /// Tries layouts, those of the fewest beams first: all on the coarse places, then the fastest of those that
    /// pass on the fine ones, and again while anything left could be faster than what passed there.
    fn all(&mut self, layouts: Vec<Layout>) {
        let mut candidates: Vec<(usize, Layout)> = Vec::new();
        for layout in layouts {
            match layout::sketches(self.bench, &layout) {
                Ok(sketches) if sketches.is_empty() => {}
                Ok(sketches) => candidates.push((sketches.len(), layout)),
                Err(e) => self.refusal = Some(e),
            }
        }
        candidates.sort_by_key(|(beams, l)| (*beams, std::cmp::Reverse(l.count)));
        loop {
            let mut left = Vec::new();
            for (number, layout) in candidates {
                if self.bench.watch.weigh().is_err() {
                    return;
                }
                if self.could_win(number) {
                    self.coarsely(number, layout);
                } else {
                    left.push((number, layout));
                }
            }
            candidates = left;
            if !self.finely() {
                break;
            }
        }
    }

    fn note(
        &mut self,
        layout: Layout,
        beams: usize,
        spacing_m: Option<f64>,
        words: (String, f64, f64),
    ) {
        let speed_m_s = spacing_m.map_or(0.0, |s| self.rate(s, beams));
        let (rule, covered, nearness) = words;
        let weighed = Weighed { layout, beams, spacing_m, speed_m_s, rule, covered, nearness };
        self.weighed.push(weighed);
    }

    fn coarsely(&mut self, number: usize, layout: Layout) {
        let best = self.best();
        let (found, allowed_m) = match attempt(self.bench, layout) {
            Ok(found) => found,
            Err(e) => {
                let words = match &e {
                    PlanError::NoTechnique { rule, figure, .. } => format!("{rule}: {figure}"),
                    other => other.to_string(),
                };
                self.note(layout, number, None, (words, 0.0, f64::NEG_INFINITY));
                self.refusal = Some(e);
                return;
            }
        };
        // As many beams at the same spacing are no faster: only wider ones are worth asking.
        let spacings: Vec<f64> = SPACINGS
            .iter()
            .map(|share| (allowed_m * share).min(self.within_m))
            .filter(|spacing| self.rate(*spacing, number) > best)
            .collect();
        let Some((least, spacing_m)) =
            covered(self.bench, &found, &spacings, &self.cases, &self.coarse)
        else {
            return;
        };
        if least.weighed < self.coarse.wanted() {
            self.ended(&found, None, least);
            return;
        }
        let from = spacings.iter().position(|s| *s == spacing_m).unwrap_or(0);
        let spacings = spacings[from..(from + FALLS).min(spacings.len())].to_vec();
        self.passed.push(Passed { found, allowed_m, spacings, least });
    }

    /// Asks the fastest of those that passed the coarse places on the fine ones, if it would be faster than the
    /// best; whether there was one.
    fn finely(&mut self) -> bool {
        let won = self.won.as_ref().map_or(0.0, |(f, _, s)| self.rate(*s, f.beams.len()));
        let rate = |p: &Passed<'_>| self.rate(p.spacings[0], p.found.beams.len());
        let fastest =
            (0..self.passed.len()).filter(|i| rate(&self.passed[*i]) > won).max_by(|a, b| {
                // Of alike the first: fewer beams.
                rate(&self.passed[*a]).total_cmp(&rate(&self.passed[*b])).then(b.cmp(a))
            });
        let Some(fastest) = fastest else {
            for Passed { found, spacings, least, .. } in std::mem::take(&mut self.passed) {
                self.ended(&found, Some(spacings[0]), least);
            }
            return false;
        };
        let Passed { found, allowed_m, spacings, mut least } = self.passed.remove(fastest);
        let mut spacing_m = spacings[0];
        if !self.only_coarse {
            let asked = covered(self.bench, &found, &spacings, &self.cases, &self.fine);
            let Some(asked) = asked else { return true };
            (least, spacing_m) = asked;
            if least.weighed < self.fine.wanted() {
                self.ended(&found, None, least);
                return true;
            }
        }
        self.ended(&found, Some(spacing_m), least.clone());
        if self.rate(spacing_m, found.beams.len()) > won {
            let covered = Covered {
                class: least.class,
                of: if found.layout.mode == Mode::L { "of the area" } else { "of the outline" },
                worst: least.share,
                ordered: least.ordered,
            };
            self.won = Some((Found { covered, ..found }, allowed_m, spacing_m));
        }
        true
    }

    /// What became of a layout: the spacing at which it serves, or what it lacks.
    fn ended(&mut self, found: &Found<'_>, spacing_m: Option<f64>, least: Least) {
        let serves = spacing_m.is_some();
        let rule = if serves { "coverage".to_owned() } else { least.words() };
        let nearness = if serves { 1.0 + least.share } else { least.nearness() };
        self.note(found.layout, found.beams.len(), spacing_m, (rule, least.share, nearness));
        if self.closest.as_ref().is_none_or(|c| least.weighed > c.weighed) {
            self.closest = Some(least);
        }
    }
}

/// A layout that passed on the coarse places, with the spacings at which it may do so on the fine ones.
struct Passed<'a> {
    found: Found<'a>,
    allowed_m: f64,
    spacings: Vec<f64>,
    least: Least,
}

/// Beams of a layout and the widest spacing that keeps three pulses on the shortest flaw.
fn attempt<'a>(bench: &'a Bench<'_>, layout: Layout) -> Result<(Found<'a>, f64)> {
    let sketches = layout::sketches(bench, &layout)?;
    let overlap_m = beams::kept_overlap_m(bench, &sketches)?;
    let rounding_s = sketches.iter().map(|s| s.rounding_s).fold(0.0, f64::max);
    let mut built = layout::build(bench, &sketches, 0)?;
    beams::follow_own(&mut built);
    let (allowed_m, _) = allowed_spacing_m(bench, &built);
    let found = Found {
        layout,
        beams: built,
        overlap_m,
        rounding_s,
        covered: Covered::NOTHING,
        spacing_m: allowed_m,
        fields: None,
    };
    Ok((found, allowed_m))
}

/// The class that a layout covers least of what is ordered.
#[derive(Debug, Clone)]
struct Least {
    /// Its share with what less it has ordered than the class that has most, so that classes compare.
    weighed: f64,
    /// Which it is.
    class: &'static str,
    /// Its share and what is ordered of it.
    share: f64,
    ordered: f64,
    /// Whether it holds nominally.
    nominal: bool,
    /// What stops more.
    stops: String,
}

impl Least {
    /// As [`Weighed::nearness`].
    fn nearness(&self) -> f64 {
        if self.nominal {
            (1.0 + self.share - self.ordered).clamp(0.0, 0.999)
        } else {
            (self.share - self.ordered).min(-1e-9)
        }
    }

    fn words(&self) -> String {
        format!(
            "{}: {:.1} % at best, {:.1} % ordered; {}",
            self.class,
            self.share * 100.0,
            self.ordered * 100.0,
            self.stops
        )
    }
}

/// Targets of a class with their weights, what is ordered of it, and its name.
type AskedClass = (Vec<(Target, f64)>, f64, &'static str);

/// What one kind of beam is asked, place by place with weights.
struct Asked {
    /// The classes.
    classes: Vec<AskedClass>,
    /// Largest ordered share.
    ordered: f64,
}

impl Asked {
    /// Share that the coarse places must show.
    fn wanted(&self) -> f64 {
        (self.ordered + IN_HAND).min(1.0)
    }
}

fn asked(bench: &Bench<'_>, mode: Mode, (steps, half_face): (usize, usize)) -> Asked {
    let section = &bench.nominal.section;
    let half = section.half_extent_m();
    let flaws = &bench.order.flaws;
    let mut classes = Vec::new();
    match mode {
        Mode::S => {
            let ordered = flaws.crack.map_or(0.0, |c| c.coverage_percent / 100.0);
            // Half a face; by symmetry all are alike.
            let n = 8 * half_face;
            let around = Mouth::around(section, n);
            let half_face = around.into_iter().take(half_face + 1);
            classes.push((
                half_face.map(|(m, w)| (Target::Crack(m), w)).collect(),
                ordered,
                "cracks",
            ));
        }
        Mode::L => {
            let step = half / steps as f64;
            let points: Vec<Point> = (0..=steps)
                .flat_map(|i| (0..=steps).map(move |j| (i, j)))
                .map(|(i, j)| Point::new(i as f64 * step, j as f64 * step))
                .collect();
            for class in proof::volume_classes(bench.order, &bench.nominal) {
                let targets = points
                    .iter()
                    .filter(|p| outline::inside(section, **p) && class.asks(section, **p))
                    // Places on the axes belong to two quarters.
                    .map(|p| {
                        let share = |x: f64| if x == 0.0 { 0.5 } else { 1.0 };
                        (Target::Volume(class.flaw, *p), share(p.x) * share(p.y))
                    })
                    .collect();
                classes.push((targets, class.ordered, class_word(class.class)));
            }
        }
    }
    let ordered = classes.iter().map(|c| c.1).fold(0.0, f64::max);
    Asked { classes, ordered }
}

fn class_word(class: ProvedClass) -> &'static str {
    match class {
        ProvedClass::Inclusion => "inclusions",
        ProvedClass::Pipe => "pipes",
        ProvedClass::Crack => "cracks",
        ProvedClass::Disc => "discs",
    }
}

/// The widest of some pulse spacings (falling) at which the wanted coverage holds, or else the narrowest,
/// with the covered share and what stops more; `None` without spacings.
///
/// The share is the smallest over the classes, each with what less it has ordered than the most: by as
/// many shots as must agree, half-way between two pulses, and in the worst case.
fn covered(
    bench: &Bench<'_>,
    found: &Found<'_>,
    spacings_m: &[f64],
    cases: &[Conditions],
    asked: &Asked,
) -> Option<(Least, f64)> {
    let scope = Scope {
        probes: &bench.probes,
        beams: &found.beams,
        sensitivity: &bench.sensitivity,
        crack_length_m: bench.crack_length_m(),
    };
    let run = |cases: &[Conditions], targets: &[(Target, f64)], spacings: &[f64]| {
        let places: Vec<Target> = targets.iter().map(|t| t.0).collect();
        coverage::margins(&scope, &bench.nominal, cases, &places, spacings, &|| {})
    };
    let all = Least {
        weighed: 1.0,
        class: "flaws",
        share: 1.0,
        ordered: 1.0,
        nominal: true,
        stops: "nothing".to_owned(),
    };
    let mut left: Vec<(f64, Least)> = spacings_m.iter().map(|s| (*s, all.clone())).collect();
    // Nominal first, deviations only where it holds.
    for deviations in [&[], cases] {
        let nominal = !deviations.is_empty();
        for (targets, ordered, class) in &asked.classes {
            let spacings: Vec<f64> = left.iter().map(|l| l.0).collect();
            let seen = run(deviations, targets, &spacings);
            for (k, (_, least)) in left.iter_mut().enumerate() {
                let more = asked.ordered - ordered;
                let (share, stops) = share_of(bench, targets, &seen, k, deviations);
                if share + more < least.weighed {
                    let (weighed, ordered) = (share + more, *ordered);
                    *least = Least { weighed, class, share, ordered, nominal, stops };
                }
            }
            let last = left.last().cloned();
            left.retain(|l| l.1.weighed >= asked.wanted());
            if left.is_empty() {
                return last.map(|(spacing, least)| (least, spacing));
            }
        }
    }
    left.into_iter().next().map(|(spacing, least)| (least, spacing))
}

/// Share of the targets, weighed, that are covered at the k-th spacing, and what stops more: nominal
/// where there are no deviations, else in the worst case.
fn share_of(
    bench: &Bench<'_>,
    targets: &[(Target, f64)],
    seen: &[Vec<Seen>],
    k: usize,
    deviations: &[Conditions],
) -> (f64, String) {
    let whole: f64 = targets.iter().map(|t| t.1).sum();
    let share = |good: &dyn Fn(&Seen) -> bool| {
        let kept = targets.iter().zip(seen).filter(|(_, s)| good(&s[k])).map(|(t, _)| t.1);
        if whole > 0.0 { kept.fold(0.0, |sum, share| sum + share) / whole } else { 1.0 }
    };
    let doubted = share(&|s| s.doubted) * 100.0;
    let doubt = |words: String| {
        if doubted < 0.05 { words } else { format!("{words}; rays are doubted at {doubted:.1} %") }
    };
    if deviations.is_empty() {
        let agreed = share(&|s| s.shots >= bench.agreeing);
        let half_way = share(&|s| s.margin.nominal_db.is_some_and(|m| m >= 0.0));
        let least = (agreed, doubt("nominal, by as many shots as must agree".into()));
        return lesser(least, half_way, doubt("nominal, half-way between two pulses".into()));
    }
    let worst = share(&|s| s.margin.worst_db.is_some_and(|m| m >= 0.0));
    (worst, doubt(format!("worst case ({})", most_named(seen, k, deviations))))
}

fn lesser(one: (f64, String), share: f64, words: String) -> (f64, String) {
    if share < one.0 { (share, words) } else { one }
}

/// The deviation that takes most places.
fn most_named(all: &[Vec<Seen>], k: usize, cases: &[Conditions]) -> String {
    let mut counts = vec![0_usize; cases.len()];
    for seen in all.iter().map(|s| &s[k]).filter(|s| s.margin.worst_db.is_none_or(|m| m < 0.0)) {
        if let Some(k) = seen.margin.worst_case {
            counts[k] += 1;
        }
    }
    let most = counts.iter().enumerate().max_by_key(|(_, n)| **n).filter(|(_, n)| **n > 0);
    most.map_or("no deviation".into(), |(k, _)| cases[k].words.clone())
}

fn uncovered(mode: Mode, least: &Least) -> PlanError {
    let (what, cure) = match mode {
        Mode::L => (
            "flaws of the volume, share of the area",
            "order a deeper skin, a larger flaw or a smaller coverage; guide the bar better, or use \
             arrays of finer pitch",
        ),
        Mode::S => (
            "cracks, share of the outline",
            "order a smaller coverage (corners are not reached) or a deeper crack; guide the bar \
             better, or use arrays of finer pitch",
        ),
    };
    PlanError::rule(
        "coverage",
        format!(
            "{what}: {:.1} % at best, {:.1} % ordered; {}",
            least.share * 100.0,
            least.ordered * 100.0,
            least.stops
        ),
        cure,
    )
}
