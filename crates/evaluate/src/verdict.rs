//! The rules applied: what must be cut out, what holds or rejects the bar, and why.

use barwright_job::{
    Finding, Order, Rules, Topic,
    judgement::{CutPlan, GhostPath, Reason, Verdict},
    proof::FlawClass,
    rules::{GapAction, tables::Table, zones::Action},
    screened::{LossCause, Lost, ScreenedBar},
};

use crate::{
    back_wall::Loss,
    cut::{self, Unsound},
    measure::Measured,
    ruling::{ghost_reason, rule},
    stretch::{Stretch, union, without},
};

/// How the finding begins that a held bar has no cut plan.
pub(crate) const NO_CUT_PLAN: &str = "no cut plan while the bar is held";

/// Verdict, reasons, cut plan and findings of a bar.
pub(crate) struct Outcome {
    pub verdict: Verdict,
    pub reasons: Vec<Reason>,
    pub cut: CutPlan,
    pub findings: Vec<Finding>,
}

/// What was seen of a bar, as the rules need it.
pub(crate) struct Seen<'a> {
    pub screened: &'a ScreenedBar,
    /// What was measured, along the bar.
    pub measured: &'a [Measured],
    /// Groups of echoes beyond those measured.
    pub unmeasured: usize,
    /// Where the back wall is lost.
    pub losses: &'a [Loss],
    /// Whether the bar was screened with a level.
    pub levelled: bool,
}

/// What of a bar must go, and what that follows from.
#[derive(Default)]
struct Case {
    reasons: Vec<Reason>,
    /// Stretches of flaws.
    flaws: Vec<Unsound>,
    cropped: bool,
    reject: bool,
    hold: bool,
}

impl Case {
    fn take(&mut self, action: Action) {
        self.cropped |= action == Action::Crop;
        self.hold |= action == Action::Hold;
        self.reject |= action == Action::Reject;
    }

    fn say(&mut self, clause: &str, statement: String) {
        self.reasons.push(Reason { clause: clause.into(), statement, indications: Vec::new() });
    }
}

/// Applies the rules to all flaws.
fn flaws(seen: &Seen<'_>, rules: &Rules, tables: &[Table]) -> Case {
    let mut case = Case::default();
    let mut rulings = rule(seen.measured, rules, tables);
    // What decides comes first.
    rulings.sort_by_key(|r| std::cmp::Reverse(r.action));
    for ruling in rulings {
        case.take(ruling.action);
        if ruling.action >= Action::Crop {
            let of = |f: &dyn Fn(&Measured) -> f64| -> Vec<f64> {
                ruling.members.iter().map(|&m| f(&seen.measured[m])).collect()
            };
            let from = of(&|m| m.indication.from_m - m.margin_m);
            let to = of(&|m| m.indication.to_m + m.margin_m);
            let letters: Vec<&str> = ruling
                .members
                .iter()
                .map(|&m| seen.measured[m].indication.letter.as_str())
                .collect();
            case.flaws.push(Unsound {
                from_m: from.into_iter().fold(f64::MAX, f64::min),
                to_m: to.into_iter().fold(f64::MIN, f64::max),
                reason: format!("indication {}", letters.join(", ")),
            });
        }
        case.reasons.extend(ruling.reasons);
    }
    case.reasons.extend(seen.measured.iter().filter_map(|m| ghost_reason(&m.indication)));
    let second = |m: &&Measured| {
        m.indication.ghost.as_ref().is_some_and(|g| g.path == GhostPath::SecondSurface)
    };
    if let Some(m) = seen.measured.iter().find(second) {
        case.hold = true;
        case.reasons.push(Reason {
            clause: "not_inspected".into(),
            statement:
                "the second surface echo stands in the gate: what lies there was not inspected"
                    .into(),
            indications: vec![m.indication.letter.clone()],
        });
    }
    if let Some(limit) = rules.back_wall {
        for loss in seen.losses {
            case.take(limit.action);
            case.flaws.push(Unsound {
                from_m: loss.from_m,
                to_m: loss.to_m,
                reason: "back wall lost".into(),
            });
            let statement = format!(
                "back wall {:.1} dB below its usual height between {:.0} and {:.0} mm, accepted are {:.1} dB",
                loss.loss_db,
                loss.from_m * 1e3,
                loss.to_m * 1e3,
                limit.most_loss_db
            );
            case.say("back_wall.most_loss_db", statement);
        }
    }
    if seen.unmeasured > 0 {
        let many = rules.too_many.unwrap_or_default();
        case.take(many.action);
        let statement = format!(
            "too many indications: {} in this bar, {} are judged one by one",
            seen.measured.len() + seen.unmeasured,
            many.most
        );
        case.say("too_many.most", statement);
    }
    case
}

/// The ends: what the station does not inspect, and what the rules take off whatever was seen.
pub(crate) fn ends(screened: &ScreenedBar, rules: &Rules) -> Vec<Unsound> {
    let length_m = screened.length_m;
    let lost = screened.lost.iter().filter(|l| l.cause == LossCause::End).map(not_inspected);
    let mut all: Vec<Unsound> = lost.collect();
    let Some(ends) = rules.ends else {
        return all;
    };
    let by_rule =
        [(0.0, ends.head_mm / 1e3, "head"), (length_m - ends.tail_mm / 1e3, length_m, "tail")];
    all.extend(by_rule.into_iter().filter(|(from_m, to_m, _)| to_m > from_m).map(
        |(from_m, to_m, end)| Unsound { from_m, to_m, reason: format!("end, {end} by rule") },
    ));
    all
}

/// Applies the rules, as `tables` has them for this section.
pub(crate) fn judge(seen: &Seen<'_>, rules: &Rules, tables: &[Table], order: &Order) -> Outcome {
    let screened = seen.screened;
    let length_m = screened.length_m;
    let Case { mut reasons, flaws, mut cropped, reject, mut hold } = flaws(seen, rules, tables);
    let (ends, between): (Vec<&Lost>, Vec<&Lost>) =
        screened.lost.iter().partition(|l| l.cause == LossCause::End);
    let mut unsound = flaws.clone();
    unsound.extend(self::ends(screened, rules));
    if let Some(reason) = ends_reason(&ends) {
        reasons.push(reason);
    }
    // What goes anyway need not be inspected.
    let gone = union(unsound.iter().map(|u| Stretch::new(u.from_m, u.to_m)).collect());
    let flaws_only = plan(length_m, &unsound, order);
    for lost in &between {
        let left: f64 =
            without(Stretch::new(lost.from_m, lost.to_m), &gone).iter().map(|s| s.length_m()).sum();
        unsound.push(not_inspected(lost));
        if left > 0.0 {
            hold |= rules.not_inspected.action == GapAction::Hold;
            reasons.push(gap_reason(lost, rules.not_inspected.action));
        }
    }
    if let Some(why) = &screened.broken_off {
        hold = true;
        reasons.push(Reason {
            clause: "not_inspected".into(),
            statement: format!("the screening broke off, the bar is held for another pass: {why}"),
            indications: Vec::new(),
        });
    }
    if !seen.levelled {
        hold = true;
        reasons.push(Reason {
            clause: "level".into(),
            statement: "screened without a level: no size can be relied on".into(),
            indications: Vec::new(),
        });
    }
    let full = plan(length_m, &unsound, order);
    cropped |= !between.is_empty();
    let nothing = |reasons: &mut Vec<Reason>| {
        let (clause, statement) = if order.cut.lengths.is_empty() {
            let shortest = order.cut.shortest_mm;
            ("cut.shortest_mm", format!("no piece of {shortest:.0} mm or longer is left"))
        } else {
            ("cut.lengths", "no ordered length fits into what is left".into())
        };
        reasons.push(Reason { clause: clause.into(), statement, indications: Vec::new() });
        Verdict::Reject
    };
    let verdict = if reject {
        Verdict::Reject
    } else if flaws_only.kept_m == 0.0 && !flaws.is_empty() {
        nothing(&mut reasons)
    } else if hold {
        Verdict::Hold
    } else if full.kept_m == 0.0 {
        nothing(&mut reasons)
    } else if cropped {
        Verdict::Crop
    } else {
        Verdict::Release
    };
    let mut findings = Vec::new();
    let cut = match verdict {
        Verdict::Release | Verdict::Crop => full,
        Verdict::Reject => {
            let whole = Unsound { from_m: 0.0, to_m: length_m, reason: "bar rejected".into() };
            plan(length_m, &[whole], order)
        }
        Verdict::Hold => {
            findings.push(Finding::new(
                Topic::Assumed,
                format!(
                    "{NO_CUT_PLAN}; {:.3} m could be kept if what was not inspected is cut out",
                    full.kept_m
                ),
            ));
            CutPlan::default()
        }
    };
    Outcome { verdict, reasons, cut, findings }
}

pub(crate) fn plan(length_m: f64, unsound: &[Unsound], order: &Order) -> CutPlan {
    cut::plan_ordered(length_m, unsound, &order.cut)
}

fn not_inspected(lost: &Lost) -> Unsound {
    Unsound {
        from_m: lost.from_m,
        to_m: lost.to_m,
        reason: match lost.cause {
            LossCause::End => "end, not inspected".into(),
            _ => "not inspected".into(),
        },
    }
}

fn ends_reason(ends: &[&Lost]) -> Option<Reason> {
    let longest = ends
        .iter()
        .map(|l| l.to_m - l.from_m)
        .fold(None, |m: Option<f64>, l| Some(m.map_or(l, |m| m.max(l))))?;
    Some(Reason {
        clause: "not_inspected".into(),
        statement: format!("{:.0} mm at each end are not inspected and are cut off", longest * 1e3),
        indications: Vec::new(),
    })
}

fn gap_reason(lost: &Lost, action: GapAction) -> Reason {
    let class = match lost.class {
        FlawClass::Disc => "the volume",
        FlawClass::Crack => "the surface",
    };
    let why = lost.cause.words();
    let what = match action {
        GapAction::Hold => "the bar is held for another pass",
        GapAction::Crop => "the stretch is cut out",
    };
    Reason {
        clause: "not_inspected.action".into(),
        statement: format!(
            "{class} not inspected between {:.0} and {:.0} mm ({why}): {what}",
            lost.from_m * 1e3,
            lost.to_m * 1e3
        ),
        indications: Vec::new(),
    }
}
