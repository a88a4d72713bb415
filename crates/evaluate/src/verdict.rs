//! The rules applied: what must be cut out, what holds or rejects the bar, and why.

use barwright_job::{
    Finding, Order, Rules, Topic,
    judgement::{CutPlan, Indication, Reason, Verdict},
    proof::FlawClass,
    rules::GapAction,
    screened::{LossCause, Lost, ScreenedBar},
};

use crate::{
    cut::{self, Unsound},
    indications::Measured,
    stretch::{Stretch, union, without},
};

/// Verdict, reasons, cut plan and findings of a bar.
pub(crate) struct Outcome {
    pub verdict: Verdict,
    pub reasons: Vec<Reason>,
    pub cut: CutPlan,
    pub findings: Vec<Finding>,
}

/// Applies the rules. `levelled` tells whether the bar was screened with a level.
pub(crate) fn judge(
    screened: &ScreenedBar,
    measured: &[Measured],
    rules: &Rules,
    order: &Order,
    levelled: bool,
) -> Outcome {
    let length_m = screened.length_m;
    let mut reasons = Vec::new();
    let mut flaws: Vec<Unsound> = Vec::new();
    let (mut reject, mut hold) = (false, false);
    for m in measured {
        let ruling = rule(&m.indication, rules);
        reject |= ruling.reject;
        hold |= ruling.hold;
        if ruling.cut {
            flaws.push(Unsound {
                from_m: m.indication.from_m - m.margin_m,
                to_m: m.indication.to_m + m.margin_m,
                reason: format!("indication {}", m.indication.letter),
            });
        }
        reasons.extend(ruling.reasons);
    }
    let (ends, between): (Vec<&Lost>, Vec<&Lost>) =
        screened.lost.iter().partition(|l| l.cause == LossCause::End);
    let mut unsound = flaws.clone();
    unsound.extend(ends.iter().map(|l| not_inspected(l)));
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
    if !levelled {
        hold = true;
        reasons.push(Reason {
            clause: "level".into(),
            statement: "screened without a level: no size can be relied on".into(),
            indications: Vec::new(),
        });
    }
    let full = plan(length_m, &unsound, order);
    let cropped = measured.iter().any(|m| rule(&m.indication, rules).cut) || !between.is_empty();
    let nothing = |reasons: &mut Vec<Reason>| {
        reasons.push(Reason {
            clause: "cut.shortest_mm".into(),
            statement: format!("no piece of {:.0} mm or longer is left", order.cut.shortest_mm),
            indications: Vec::new(),
        });
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
                    "no cut plan while the bar is held; {:.3} m could be kept if what was not inspected is cut out",
                    full.kept_m
                ),
            ));
            CutPlan::default()
        }
    };
    Outcome { verdict, reasons, cut, findings }
}

fn plan(length_m: f64, unsound: &[Unsound], order: &Order) -> CutPlan {
    cut::plan_ordered(length_m, unsound, &order.cut)
}

/// What the rules say of one indication.
#[derive(Default)]
struct Ruling {
    cut: bool,
    reject: bool,
    hold: bool,
    reasons: Vec<Reason>,
}

fn rule(i: &Indication, rules: &Rules) -> Ruling {
    let mut out = Ruling::default();
    let size_mm = i.size_m * 1e3;
    let length_mm = (i.to_m - i.from_m) * 1e3;
    let bound = if i.clipped { "at least " } else { "" };
    let mut say = |clause: &str, statement: String| {
        out.reasons.push(Reason {
            clause: clause.into(),
            statement,
            indications: vec![i.letter.clone()],
        });
    };
    let (clause, limit_mm, what) = match i.class {
        FlawClass::Disc => {
            ("volume.largest_disc_mm", rules.volume.largest_disc_mm, "equivalent disc")
        }
        FlawClass::Crack => {
            ("surface.deepest_mm", rules.surface.deepest_mm, "equivalent crack depth")
        }
    };
    let over = size_mm > limit_mm;
    let verb = if over { "allowed are" } else { "within" };
    say(clause, format!("{what} {bound}{size_mm:.2} mm, {verb} {limit_mm:.2} mm"));
    let mut cut = over;
    let hold = i.clipped && !over;
    if hold {
        say(clause, "the echo was clipped, so that it may be larger than allowed".into());
    }
    let mut reject = false;
    match i.class {
        FlawClass::Disc if length_mm > rules.volume.longest_mm => {
            cut = true;
            say(
                "volume.longest_mm",
                format!("length {length_mm:.0} mm, allowed are {:.0} mm", rules.volume.longest_mm),
            );
        }
        FlawClass::Crack if size_mm > rules.surface.reject_bar_mm => {
            reject = true;
            say(
                "surface.reject_bar_mm",
                format!(
                    "equivalent crack depth {bound}{size_mm:.2} mm, the bar is rejected above {:.2} mm",
                    rules.surface.reject_bar_mm
                ),
            );
        }
        _ => {}
    }
    Ruling { cut, reject, hold, reasons: out.reasons }
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
