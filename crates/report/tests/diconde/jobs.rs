//! Objects of the invented job, with and without what its ledger could hold.

use barwright_job::{
    Sealed, Technique,
    judgement::{Judgement, Verdict},
    level::Level,
    screened::{Echo, EchoMark, ScreenedBar},
};
use barwright_report::{
    ReportError,
    diconde::{Approved, BarObject, Entered, ObjectInput, PeakMap, Piece, Recorded, bar_object},
    papers::{BarInput, Standing},
};

use crate::support;

/// 2026-11-25T07:02:11Z.
const CHECKED_US: i64 = 1_795_590_131_000_000;

pub struct Job {
    pub technique: Sealed<Technique>,
    pub level: Sealed<Level>,
}

#[derive(Clone, Copy)]
pub struct Case<'a> {
    pub verdict: Verdict,
    pub standing: Standing<'a>,
    pub opening: Option<bool>,
    pub closing: Option<bool>,
    pub indications: usize,
    pub name: &'a str,
    pub author: &'a str,
    /// Whether the ledger says who and when, and the station is at hand.
    pub ledger: bool,
    pub peaks: bool,
}

impl Case<'_> {
    pub fn released(verdict: Verdict) -> Self {
        Self {
            verdict,
            standing: Standing::Released,
            opening: Some(true),
            closing: Some(true),
            indications: 0,
            name: "7",
            author: "I1",
            ledger: true,
            peaks: true,
        }
    }
}

impl Job {
    pub fn new() -> Self {
        let technique = support::technique();
        let level = support::level(&technique);
        Self { technique, level }
    }

    pub fn documents(&self, case: &Case<'_>) -> (Sealed<ScreenedBar>, Sealed<Judgement>) {
        support::bar(&self.technique, &self.level, case.name, case.verdict, case.indications)
    }

    pub fn object(&self, case: &Case<'_>) -> Result<BarObject, ReportError> {
        self.with(case, bar_object)
    }

    /// Hands the input of a case to somebody.
    pub fn with<T>(&self, case: &Case<'_>, take: impl FnOnce(&ObjectInput<'_>) -> T) -> T {
        let (screened, judgement) = self.documents(case);
        let check =
            |good: Option<bool>| good.map(|g| support::check(&self.technique, &self.level, g));
        let (opening, closing) = (check(case.opening), check(case.closing));
        let not_validated = ["Equivalent sizes near the surface are not validated.".to_owned()];
        let issue = support::issue(&not_validated);
        let (order, rules, station) = (support::order(), support::rules(), support::station());
        let entered = |entry, hours: i64| Entered {
            entry,
            time_us: CHECKED_US + hours * 3_600_000_000,
            author: case.author,
        };
        let some = |e| case.ledger.then_some(e);
        let approvals = [Approved { entered: entered(3, -40), person: "L3", role: "level 3" }];
        let equipment = [
            Piece {
                serial: "08-1234",
                place: "1",
                what: Some("probe"),
                calibration: Some(("C-77", "2027-03-31".parse().unwrap())),
            },
            Piece { serial: "E 5", place: "rack", what: Some("electronics"), calibration: None },
        ];
        let mut map = PeakMap::new(&self.technique.body, screened.body.length_m).unwrap();
        map.take(&echoes(&self.technique.body));
        take(&ObjectInput {
            bar: BarInput {
                issue,
                order: &order,
                rules: &rules,
                technique: &self.technique,
                level: &self.level,
                screened: &screened,
                judgement: &judgement,
                standing: case.standing,
                opening: opening.as_ref().map(support::entry),
                closing: closing.as_ref().map(support::entry),
            },
            recorded: Recorded {
                ledger: "line 2",
                head: entered(118, 2),
                head_hash: issue.ledger.unwrap().hash,
                line: if case.ledger { "Line 2" } else { "" },
                level: some(entered(9, -2)),
                opening: some(entered(12, 0)).filter(|_| case.opening.is_some()),
                closing: some(entered(30, 1)).filter(|_| case.closing.is_some()),
                screened: some(entered(14, 0)),
                judgement: some(entered(20, 1)),
                first_judgement: None,
                approvals: if case.ledger { &approvals } else { &[] },
                equipment: if case.ledger { &equipment } else { &[] },
                operator: case.ledger.then_some(case.author),
            },
            station: case.ledger.then_some(&station),
            peaks: if case.peaks { Ok(&map) } else { Err("there is no table of echoes") },
        })
    }
}

/// A shot of every beam every 3.1 mm, with one peak higher than the rest.
fn echoes(technique: &Technique) -> Vec<Echo> {
    let mut all = Vec::new();
    for beam in &technique.beams {
        for shot in 0..968 {
            let z_m = f64::from(shot) * 0.0031;
            let height_fsh = if beam.id == 6 && shot == 200 { 0.93 } else { 0.05 };
            all.push(Echo {
                beam: beam.id,
                gate: 1,
                z_m,
                turn_rad: 0.0,
                height_fsh,
                after_surface_s: 5e-6,
                mark: EchoMark::Sound,
            });
        }
    }
    all
}

/// A technique that is not the job's.
pub fn other_technique() -> Sealed<Technique> {
    let mut body = support::technique().body;
    body.name.push_str(", changed");
    Sealed::seal(body, [("order", support::order().hash())])
}
