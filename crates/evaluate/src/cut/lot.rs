//! The cut plan of a lot, with what it sells, loses and may lack.

use barwright_job::{
    Finding, Order, Topic,
    judgement::{CutPlan, Fate, Judgement, Piece, Verdict},
    lot_cut::{BarCut, LengthSold, Losses, LotCut, Standing},
    seal::Hash,
};

use super::{
    Unsound,
    market::{Market, value_m},
    ordered::{Planned, describe_ordered},
};
use crate::stretch::{Stretch, union, without};

/// A judged bar of a lot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LotBar<'a> {
    /// Its judgement.
    pub judgement: &'a Judgement,
    /// The judgement's hash.
    pub hash: &'a Hash,
}

/// The plan for all bars that keeps the most value within the open pieces of the order.
///
/// Released bars and bars to be cropped are planned, in the order given; held ones wait, rejected
/// ones are listed. Up to moderate sizes the plan is proven to be best; in any case `bound_m` and
/// `gap_percent` say what it may lack. Of equal values it has the fewest saw cuts, then the most
/// pieces of counted lengths. Where the order names no lengths, every bar keeps the plan of its
/// judgement.
#[must_use]
pub fn lot(order: &Order, bars: &[LotBar<'_>]) -> LotCut {
    let market = Market::new(&order.cut);
    let named = !order.cut.lengths.is_empty();
    let standings: Vec<Standing> = bars
        .iter()
        .map(|b| match b.judgement.verdict {
            Verdict::Release | Verdict::Crop => Standing::Planned,
            Verdict::Hold => Standing::Waiting,
            Verdict::Reject => Standing::Rejected,
        })
        .collect();
    let unsound: Vec<Vec<Unsound>> = bars.iter().map(|b| must_go(&b.judgement.cut)).collect();
    let planned: Vec<usize> =
        (0..bars.len()).filter(|i| standings[*i] == Standing::Planned).collect();
    let mut out = LotCut {
        order: order.order.number.clone(),
        heat: order.order.heat.clone(),
        bars: Vec::with_capacity(bars.len()),
        lengths: Vec::new(),
        planned_m: 0.0,
        kept_m: 0.0,
        lost_m: 0.0,
        losses: Losses::default(),
        value_m: 0.0,
        bound_m: 0.0,
        gap_percent: 0.0,
        findings: Vec::new(),
    };
    let mut plans: Vec<CutPlan> = vec![CutPlan::default(); bars.len()];
    let mut used_up = i64::MAX;
    if named {
        let asked: Vec<(f64, &[Unsound])> =
            planned.iter().map(|i| (bars[*i].judgement.length_m, unsound[*i].as_slice())).collect();
        let found = Planned::new(&asked, &market);
        for (i, kept) in planned.iter().zip(&found.kept) {
            let length_m = bars[*i].judgement.length_m;
            plans[*i] = describe_ordered(length_m, &unsound[*i], kept, &market, &order.cut);
        }
        out.lengths = sold(order, &plans);
        (out.value_m, out.bound_m) = (value_m(found.score), value_m(found.bound));
        if found.bound > found.score && found.bound > 0 {
            out.gap_percent = (found.bound - found.score) as f64 / found.bound as f64 * 100.0;
        }
        let counted = out.lengths.iter().filter_map(|l| l.still_open);
        used_up = counted
            .zip(&market.shortest)
            .filter_map(|(open, shortest)| (open == 0).then_some(*shortest))
            .min()
            .unwrap_or(i64::MAX);
    } else {
        for i in &planned {
            plans[*i] = bars[*i].judgement.cut.clone();
        }
    }
    for i in planned {
        let length_m = bars[i].judgement.length_m;
        out.planned_m += length_m;
        out.kept_m += plans[i].kept_m;
        out.lost_m += plans[i].lost_m;
        if named {
            lose(&mut out.losses, length_m, &mut plans[i], &unsound[i], used_up);
        } else {
            lose_whole(&mut out.losses, length_m, &plans[i]);
        }
    }
    if !named {
        (out.value_m, out.bound_m) = (out.kept_m, out.kept_m);
        if out.losses.flaw_m + out.losses.not_inspected_m + out.losses.end_m > 0.0 {
            out.findings.push(Finding::new(
                Topic::Assumed,
                "without ordered lengths a scrap piece of several causes counts wholly for the first of them",
            ));
        }
    }
    for ((bar, standing), cut) in bars.iter().zip(standings).zip(plans) {
        out.bars.push(BarCut {
            bar: bar.judgement.bar.clone(),
            length_m: bar.judgement.length_m,
            judgement: bar.hash.clone(),
            standing,
            value_m: cut.pieces.iter().map(|p| value(order, p)).sum(),
            cut,
        });
    }
    out
}

fn must_go(cut: &CutPlan) -> Vec<Unsound> {
    let of = |u: &barwright_job::judgement::MustGo| Unsound {
        from_m: u.from_m,
        to_m: u.to_m,
        reason: u.reason.clone(),
    };
    cut.unsound.iter().map(of).collect()
}

/// Value of a piece in metres of value 1.
fn value(order: &Order, piece: &Piece) -> f64 {
    if piece.fate != Fate::Keep {
        return 0.0;
    }
    let length = order.cut.lengths.iter().find(|l| Some(&l.name) == piece.sold_as.as_ref());
    // As it is counted: to thousandths.
    let per_m = length.map_or(1.0, |l| (l.value_per_m * 1e3).round() / 1e3);
    (piece.to_m - piece.from_m) * per_m
}

fn sold(order: &Order, plans: &[CutPlan]) -> Vec<LengthSold> {
    let of = |l: &barwright_job::lengths::CutLength| {
        let pieces: Vec<&Piece> = plans
            .iter()
            .flat_map(|p| &p.pieces)
            .filter(|p| p.sold_as.as_ref() == Some(&l.name))
            .collect();
        let count = u32::try_from(pieces.len()).unwrap_or(u32::MAX);
        LengthSold {
            name: l.name.clone(),
            ordered: l.words(),
            value_per_m: l.value_per_m,
            pieces: count,
            kept_m: pieces.iter().map(|p| p.to_m - p.from_m).sum(),
            open_pieces: l.open_pieces,
            still_open: l.open_pieces.map(|open| open.saturating_sub(count)),
        }
    };
    order.cut.lengths.iter().map(of).collect()
}

/// Why a stretch must go, in the order in which losses count.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Cause {
    Flaw,
    NotInspected,
    End,
}

/// The cause behind the words that the judgement uses.
fn cause(reason: &str) -> Cause {
    if reason.starts_with("end") {
        Cause::End
    } else if reason.starts_with("not inspected") {
        Cause::NotInspected
    } else {
        Cause::Flaw
    }
}

/// Adds a bar's losses by cause, and says in the plan which scrap would make a length of which no
/// piece is open; `used_up` is the shortest of these, in µm.
fn lose(losses: &mut Losses, length_m: f64, plan: &mut CutPlan, unsound: &[Unsound], used_up: i64) {
    let of = |wanted: &[Cause]| {
        let stretches = unsound.iter().filter(|u| wanted.contains(&cause(&u.reason)));
        union(stretches.map(|u| Stretch::new(u.from_m, u.to_m)).collect())
    };
    let flaw = of(&[Cause::Flaw]);
    let worse = of(&[Cause::Flaw, Cause::NotInspected]);
    let all = of(&[Cause::Flaw, Cause::NotInspected, Cause::End]);
    let length = |left: &[Stretch]| left.iter().fold(0.0, |sum, s| sum + s.length_m());
    let mut scrapped = 0.0;
    for piece in plan.pieces.iter_mut().filter(|p| p.fate == Fate::Scrap) {
        let whole = Stretch::new(piece.from_m, piece.to_m);
        let sound = without(whole, &all);
        let (a, b) = (length(&without(whole, &flaw)), length(&without(whole, &worse)));
        losses.flaw_m += whole.length_m() - a;
        losses.not_inspected_m += a - b;
        losses.end_m += b - length(&sound);
        scrapped += whole.length_m();
        for run in sound {
            // Half a micrometre: places were rounded to whole ones.
            if run.length_m() * 1e6 + 0.5 >= used_up as f64 {
                losses.count_exhausted_m += run.length_m();
                if !piece.reason.contains("no piece open") {
                    piece.reason.push_str(", no piece open");
                }
            } else {
                losses.remnant_m += run.length_m();
            }
        }
    }
    losses.kerf_m += length_m - plan.kept_m - scrapped;
}

/// The same where only the words of each scrap piece are at hand.
fn lose_whole(losses: &mut Losses, length_m: f64, plan: &CutPlan) {
    let mut scrapped = 0.0;
    for piece in plan.pieces.iter().filter(|p| p.fate == Fate::Scrap) {
        let long = piece.to_m - piece.from_m;
        scrapped += long;
        let causes: Vec<Cause> =
            piece.reason.split("; ").filter(|w| *w != "remnant").map(cause).collect();
        let slot = if causes.contains(&Cause::Flaw) {
            &mut losses.flaw_m
        } else if causes.contains(&Cause::NotInspected) {
            &mut losses.not_inspected_m
        } else if causes.contains(&Cause::End) {
            &mut losses.end_m
        } else {
            &mut losses.remnant_m
        };
        *slot += long;
    }
    losses.kerf_m += length_m - plan.kept_m - scrapped;
}
