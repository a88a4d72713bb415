//! Judgements against the truth: what was found of each flaw, and what was called that is not there.
//!
//! An indication may stand for every flaw that lies within [`ALONG_M`] along the bar and [`ACROSS_M`] in the
//! section; it belongs to the nearest of them. A flaw to which nothing belongs, but for which the
//! indication of a neighbour may stand, is told with that neighbour: not missed, not told apart.

use barwright_job::judgement::{Indication, Judgement};
use barwright_job::proof::FlawClass;
use barwright_job::{Order, Sealed};
use barwright_twin::lots::{PAIR_ACROSS_MM, PAIR_ALONG_MM};
use barwright_twin::reflector::Kind;
use barwright_twin::truth::{TrueFlaw, Truth};
use barwright_wave::Point;
use serde::Serialize;
use std::f64::consts::{PI, TAU};

/// How far along the bar an indication may lie from a flaw and still stand for it, in metres: the axial
/// width of a beam.
pub const ALONG_M: f64 = 0.015;

/// How far across the section, in metres: the width of a beam where it is widest.
pub const ACROSS_M: f64 = 0.006;

/// One true flaw and what was made of it.
#[derive(Debug, Clone, Serialize)]
pub struct Compared {
    /// The bar.
    pub bar: String,
    /// The flaw in words.
    pub flaw: String,
    /// What it is.
    pub truth: TrueFlaw,
    /// What was seen of it; absent if nothing belongs to it.
    pub found: Option<Found>,
    /// Letter of a neighbour's indication that stands for it too, where nothing belongs to it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_with: Option<String>,
}

impl Compared {
    /// Whether it was called, by itself or with a neighbour.
    pub fn is_called(&self) -> bool {
        self.found.is_some() || self.told_with.is_some()
    }
}

/// What was seen of a flaw: of its indications the highest of its own class, or else the highest.
#[derive(Debug, Clone, Serialize)]
pub struct Found {
    /// Letters of the indications that belong to it, the one described here first.
    pub letters: Vec<String>,
    /// Whether the indication is of the flaw's own class.
    pub own_class: bool,
    /// Distance of the indication's middle from the flaw's, along the bar, in mm.
    pub along_mm: f64,
    /// Distance across the section in mm; for a crack, along a chord of the surface.
    pub across_mm: f64,
    /// Distance around the bar in degrees.
    pub around_deg: f64,
    /// Found length less true length in mm.
    pub length_error_mm: f64,
    /// Found size over true size in dB of echo height: 40 lg of the ratio of discs' diameters, 20 lg of that
    /// of cracks' depths; absent for a flaw without a size of its class.
    pub size_error_db: Option<f64>,
    /// Found size in mm.
    pub size_mm: f64,
    /// The size is a lower bound.
    pub at_least: bool,
    /// Largest height, as a fraction of full screen height.
    pub height_fsh: f64,
    /// How many beams saw it.
    pub beams: usize,
}

/// A call where nothing is.
#[derive(Debug, Clone, Serialize)]
pub struct FalseCall {
    /// The bar.
    pub bar: String,
    /// What was called.
    pub indication: Indication,
    /// The bar's flaw that lies nearest along the bar, in words, with its distance along and across.
    pub nearest: Option<String>,
    /// Whether a flaw of the bar lies at the same place along it, so that the call may be its ghost.
    pub beside_flaw: bool,
}

impl FalseCall {
    /// Bar and letter.
    pub fn name(&self) -> String {
        format!("bar {} {}", self.bar, self.indication.letter)
    }
}

/// All flaws, and the calls that belong to none.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Comparison {
    /// One entry for each true flaw.
    pub flaws: Vec<Compared>,
    /// Indications where nothing is.
    pub false_calls: Vec<FalseCall>,
    /// Length screened in metres.
    pub length_m: f64,
}

/// Compares the judgements of a lot with the truth.
pub fn compare(truth: &Truth, judgements: &[Sealed<Judgement>]) -> Comparison {
    let mut all = Comparison::default();
    for judgement in judgements {
        let j = &judgement.body;
        let here = truth.bars.iter().find(|b| b.name == j.bar);
        let one = compare_bar(here.map_or(&[], |b| &b.flaws), j);
        all.flaws.extend(one.flaws);
        all.false_calls.extend(one.false_calls);
        all.length_m += one.length_m;
    }
    all
}

/// Compares one bar's judgement with its flaws.
pub fn compare_bar(here: &[TrueFlaw], judgement: &Judgement) -> Comparison {
    let mut mine: Vec<Vec<&Indication>> = vec![Vec::new(); here.len()];
    let mut false_calls = Vec::new();
    // What the judge itself lists as a ghost calls nothing, true or false.
    let calls = || judgement.indications.iter().filter(|i| i.ghost.is_none());
    for indication in calls() {
        let nearest = here
            .iter()
            .enumerate()
            .filter(|(_, flaw)| stands_for(indication, flaw))
            .min_by(|a, b| distance(indication, a.1).total_cmp(&distance(indication, b.1)));
        match nearest {
            Some((i, _)) => mine[i].push(indication),
            None => false_calls.push(FalseCall {
                bar: judgement.bar.clone(),
                indication: indication.clone(),
                nearest: nearest_words(here, indication),
                beside_flaw: here.iter().any(|f| is_level_with(indication, f)),
            }),
        }
    }
    let flaws = here.iter().zip(mine).map(|(flaw, mut seen)| {
        let own = |i: &Indication| i.class == class(flaw);
        seen.sort_by(|a, b| own(b).cmp(&own(a)).then(b.height_fsh.total_cmp(&a.height_fsh)));
        let found = seen.first().map(|best| found(best, &seen, flaw));
        let of_another = calls().find(|i| stands_for(i, flaw));
        Compared {
            bar: judgement.bar.clone(),
            flaw: words(flaw),
            truth: *flaw,
            told_with: of_another.filter(|_| found.is_none()).map(|i| i.letter.clone()),
            found,
        }
    });
    Comparison { flaws: flaws.collect(), false_calls, length_m: judgement.length_m }
}

/// Whether a flaw is at or above the ordered size of its class, turned and as long as ordered, and where the
/// order asks for it.
pub fn is_ordered(flaw: &TrueFlaw, order: &Order) -> bool {
    let asked = &order.flaws;
    // Sizes come from mm, as the order's do: a nanometre is rounding.
    let reaches = |m: f64, mm: f64| m * 1e3 >= mm - 1e-6;
    match flaw.kind {
        Kind::Disc { diameter_m, tilt_rad, .. } => {
            tilt_rad.abs().to_degrees() <= asked.disc.tilt_deg + 1e-6
                && reaches(diameter_m, asked.disc.diameter_mm)
                && reaches(flaw.depth_m, asked.disc.skin_mm)
        }
        Kind::Crack { depth_m } => asked.crack.is_some_and(|c| {
            reaches(depth_m, c.depth_mm) && reaches(flaw.to_m - flaw.from_m, asked.shortest_mm)
        }),
        Kind::Hole { diameter_m } => reaches(diameter_m, asked.disc.diameter_mm),
    }
}

/// Class in whose gates a flaw is looked for.
pub fn class(flaw: &TrueFlaw) -> FlawClass {
    match flaw.kind {
        Kind::Disc { .. } | Kind::Hole { .. } => FlawClass::Disc,
        Kind::Crack { .. } => FlawClass::Crack,
    }
}

/// Where a flaw reflects, in the section.
pub fn place(flaw: &TrueFlaw) -> Point {
    Point::polar(flaw.radius_m, flaw.angle_rad)
}

/// Whether two flaws lie as near as those of a pair: same class, at most 40 mm of steel between them along the
/// bar and 12 mm across.
pub fn is_pair(a: &TrueFlaw, b: &TrueFlaw) -> bool {
    // Places of a scene are rounded to a tenth of a mm and of a degree.
    const ROUNDED_MM: f64 = 0.3;
    let gap_mm = (a.from_m.max(b.from_m) - a.to_m.min(b.to_m)) * 1e3;
    class(a) == class(b)
        && gap_mm <= PAIR_ALONG_MM[1] + ROUNDED_MM
        && place(a).distance(place(b)) * 1e3 <= PAIR_ACROSS_MM[1] + ROUNDED_MM
}

fn stands_for(indication: &Indication, flaw: &TrueFlaw) -> bool {
    is_level_with(indication, flaw) && across_m(indication, flaw) <= ACROSS_M
}

/// Whether an indication lies where the flaw does along the bar.
fn is_level_with(indication: &Indication, flaw: &TrueFlaw) -> bool {
    indication.from_m <= flaw.to_m + ALONG_M && indication.to_m >= flaw.from_m - ALONG_M
}

/// How far an indication lies from a flaw, both ways measured by what is let pass: from its middle to the
/// flaw's stretch, and across.
fn distance(indication: &Indication, flaw: &TrueFlaw) -> f64 {
    let middle = indication.from_m.midpoint(indication.to_m);
    let along = (flaw.from_m - middle).max(middle - flaw.to_m).max(0.0) / ALONG_M;
    along.hypot(across_m(indication, flaw) / ACROSS_M)
}

fn across_m(indication: &Indication, flaw: &TrueFlaw) -> f64 {
    indication.place.distance(place(flaw))
}

fn around_rad(indication: &Indication, flaw: &TrueFlaw) -> f64 {
    let turn = (indication.place.angle() - flaw.angle_rad).rem_euclid(TAU);
    if turn > PI { TAU - turn } else { turn }
}

fn nearest_words(here: &[TrueFlaw], indication: &Indication) -> Option<String> {
    let gap = |f: &TrueFlaw| (f.from_m - indication.to_m).max(indication.from_m - f.to_m).max(0.0);
    let flaw = here.iter().min_by(|a, b| {
        gap(a).total_cmp(&gap(b)).then(across_m(indication, a).total_cmp(&across_m(indication, b)))
    })?;
    Some(format!(
        "{}, {:.1} mm off along, {:.1} mm across",
        words(flaw),
        gap(flaw) * 1e3,
        across_m(indication, flaw) * 1e3
    ))
}

fn found(best: &Indication, seen: &[&Indication], flaw: &TrueFlaw) -> Found {
    let size_error_db = match (flaw.kind, best.class) {
        (Kind::Disc { diameter_m, .. }, FlawClass::Disc) => {
            Some(40.0 * (best.size_m / diameter_m).log10())
        }
        (Kind::Crack { depth_m }, FlawClass::Crack) => Some(20.0 * (best.size_m / depth_m).log10()),
        // A long void has no disc that it equals; a size of the other class says nothing.
        _ => None,
    };
    let middles = best.from_m.midpoint(best.to_m) - flaw.from_m.midpoint(flaw.to_m);
    Found {
        letters: seen.iter().map(|i| i.letter.clone()).collect(),
        own_class: best.class == class(flaw),
        along_mm: middles.abs() * 1e3,
        across_mm: across_m(best, flaw) * 1e3,
        around_deg: around_rad(best, flaw).to_degrees(),
        length_error_mm: ((best.to_m - best.from_m) - (flaw.to_m - flaw.from_m)) * 1e3,
        size_error_db,
        size_mm: best.size_m * 1e3,
        at_least: best.clipped,
        height_fsh: best.height_fsh,
        beams: best.beams.len(),
    }
}

/// A flaw in words.
pub fn words(flaw: &TrueFlaw) -> String {
    let long_mm = (flaw.to_m - flaw.from_m) * 1e3;
    match flaw.kind {
        Kind::Disc { diameter_m, tilt_rad, .. } => {
            let tilt = if tilt_rad == 0.0 {
                String::new()
            } else {
                format!(" tilted {:.0}°", tilt_rad.to_degrees())
            };
            format!("disc {:.2} mm{tilt}, {:.1} mm deep", diameter_m * 1e3, flaw.depth_m * 1e3)
        }
        Kind::Hole { diameter_m } => {
            format!("centre pipe {:.2} mm, {long_mm:.0} mm long", diameter_m * 1e3)
        }
        Kind::Crack { depth_m } => {
            format!("crack {:.2} mm deep, {long_mm:.0} mm long", depth_m * 1e3)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use barwright_job::judgement::{CutPlan, Verdict};

    fn disc(diameter_mm: f64, radius_mm: f64, angle_deg: f64, z_mm: f64) -> TrueFlaw {
        TrueFlaw {
            kind: Kind::Disc { diameter_m: diameter_mm / 1e3, tilt_rad: 0.0, outward_only: false },
            radius_m: radius_mm / 1e3,
            angle_rad: angle_deg.to_radians(),
            depth_m: (21.0 - radius_mm) / 1e3,
            from_m: (z_mm - diameter_mm / 2.0) / 1e3,
            to_m: (z_mm + diameter_mm / 2.0) / 1e3,
        }
    }

    fn crack(depth_mm: f64, angle_deg: f64, from_mm: f64, to_mm: f64) -> TrueFlaw {
        TrueFlaw {
            kind: Kind::Crack { depth_m: depth_mm / 1e3 },
            radius_m: 0.021,
            angle_rad: angle_deg.to_radians(),
            depth_m: 0.0,
            from_m: from_mm / 1e3,
            to_m: to_mm / 1e3,
        }
    }

    fn indication(
        letter: &str,
        class: FlawClass,
        at: Point,
        z_mm: [f64; 2],
        size_mm: f64,
    ) -> Indication {
        Indication {
            letter: letter.into(),
            class,
            kind: String::new(),
            place: at,
            place_uncertainty_m: 0.0,
            depth_m: 0.0,
            from_m: z_mm[0] / 1e3,
            to_m: z_mm[1] / 1e3,
            height_fsh: size_mm,
            clipped: false,
            size_m: size_mm / 1e3,
            size_uncertainty_db: 0.0,
            beams: vec![1, 2],
            echoes: 4,
            sized_by: None,
            extent: None,
            length_uncertainty_m: None,
            across_m: None,
            modes: vec![],
            kind_reasons: vec![],
            ghost: None,
        }
    }

    fn told(flaws: &[TrueFlaw], indications: Vec<Indication>) -> Comparison {
        let judgement = Judgement {
            bar: "7".into(),
            heat: String::new(),
            length_m: 3.0,
            indications,
            verdict: Verdict::Hold,
            reasons: Vec::new(),
            cut: CutPlan::default(),
            findings: Vec::new(),
            decisions: Vec::new(),
        };
        compare_bar(flaws, &judgement)
    }

    // Truth: closed form, by hand.
    #[test]
    fn errors_of_place_length_and_size_are_those_by_hand() {
        let at = Point::polar(10.4e-3, 30f64.to_radians());
        let c = told(
            &[disc(1.2, 10.0, 30.0, 500.0)],
            vec![indication("A", FlawClass::Disc, at, [501.0, 503.0], 2.4)],
        );
        let f = c.flaws[0].found.as_ref().expect("found");
        assert!((f.across_mm - 0.4).abs() < 1e-9 && (f.along_mm - 2.0).abs() < 1e-9);
        assert!((f.length_error_mm - 0.8).abs() < 1e-9);
        // Twice the diameter is 12.04 dB of echo height.
        assert!((f.size_error_db.expect("a size") - 12.0412).abs() < 1e-4);
        assert!(c.false_calls.is_empty());

        // Across the mark: from 359 to 2 degrees are 3, not 357.
        let at = Point::polar(21e-3, 2f64.to_radians());
        let c = told(
            &[crack(0.3, 359.0, 500.0, 520.0)],
            vec![indication("A", FlawClass::Crack, at, [498.0, 524.0], 0.15)],
        );
        let f = c.flaws[0].found.as_ref().expect("found");
        assert!((f.around_deg - 3.0).abs() < 1e-9 && (f.length_error_mm - 6.0).abs() < 1e-9);
        assert!((f.size_error_db.expect("a size") + 6.0206).abs() < 1e-4);
    }

    // Truth: by hand. Each call goes to the nearest flaw; one call for two flaws tells them together; what
    // lies near none is false.
    #[test]
    fn calls_belong_to_the_nearest_flaw_or_to_none() {
        let two = [disc(1.2, 10.0, 0.0, 500.0), disc(1.2, 10.0, 0.0, 512.0)];
        assert!(is_pair(&two[0], &two[1]));
        let at = Point::polar(10e-3, 0.0);
        let call = |letter, z| indication(letter, FlawClass::Disc, at, [z, z], 1.2);
        let c = told(&two, vec![call("A", 501.0), call("B", 511.0)]);
        let letters = |i: usize| c.flaws[i].found.as_ref().expect("found").letters.clone();
        assert_eq!((letters(0), letters(1)), (vec!["A".to_owned()], vec!["B".to_owned()]));

        let c = told(&two, vec![call("A", 501.0)]);
        assert!(c.flaws[0].found.is_some() && c.flaws[0].told_with.is_none());
        assert!(c.flaws[1].found.is_none());
        assert_eq!(c.flaws[1].told_with.as_deref(), Some("A"));

        let away = indication("C", FlawClass::Disc, Point::polar(3e-3, 0.0), [500.0, 500.0], 1.2);
        let c = told(&two, vec![away]);
        assert_eq!(c.false_calls.len(), 1);
        assert_eq!(c.false_calls[0].name(), "bar 7 C");
        assert!(c.false_calls[0].beside_flaw);
        let far = indication("D", FlawClass::Disc, Point::polar(10e-3, 0.0), [900.0, 900.0], 1.2);
        assert!(!told(&two, vec![far]).false_calls[0].beside_flaw);
        assert!(c.flaws.iter().all(|f| f.found.is_none() && f.told_with.is_none()));
    }

    // Truth: by hand. A higher call of the other class does not describe the flaw.
    #[test]
    fn a_flaw_is_described_by_a_call_of_its_class() {
        let at = Point::polar(21e-3, 0.0);
        let c = told(
            &[crack(0.3, 0.0, 500.0, 520.0)],
            vec![
                indication("A", FlawClass::Disc, at, [500.0, 520.0], 5.0),
                indication("B", FlawClass::Crack, at, [500.0, 520.0], 0.3),
            ],
        );
        let f = c.flaws[0].found.as_ref().expect("found");
        assert_eq!(f.letters, ["B", "A"]);
        assert!(f.own_class && f.size_error_db.expect("a size").abs() < 1e-9);
    }

    // Truth: by hand, the order of the demo: disc 1.2 mm below 4 mm, crack 0.3 mm deep and 10 mm long.
    #[test]
    fn what_the_order_asks_for_is_told_from_what_it_does_not() {
        let text = include_str!("../../../examples/order-round-42.toml");
        let order = Order::from_toml("order", text).expect("the demo's order");
        let ordered = |f: &TrueFlaw| is_ordered(f, &order);
        assert!(ordered(&disc(1.2, 17.0, 0.0, 500.0)) && !ordered(&disc(1.19, 17.0, 0.0, 500.0)));
        assert!(!ordered(&disc(1.2, 17.1, 0.0, 500.0)));
        let mut turned = disc(1.2, 10.0, 0.0, 500.0);
        turned.kind = Kind::Disc { diameter_m: 1.2e-3, tilt_rad: 0.02, outward_only: false };
        assert!(!ordered(&turned));
        assert!(
            ordered(&crack(0.3, 0.0, 500.0, 510.0)) && !ordered(&crack(0.3, 0.0, 500.0, 509.0))
        );
        assert!(!ordered(&crack(0.29, 0.0, 500.0, 530.0)));
    }
}
