//! The cut plan of the lot.

use barwright_job::{
    judgement::Piece,
    lot_cut::{BarCut, LengthSold, LotCut},
};
use barwright_phrase::say;

use super::{
    Listed, Made, Rows, Why,
    cell::{mm, word},
    made, need, number, text, whole,
};
use crate::lot::Lot;

pub(super) const ALL: [Listed; 4] = [
    Listed {
        name: "cut_bars",
        row: "bar of the cut plan",
        title: || say!("Bars of the cut plan"),
        make: bars,
    },
    Listed {
        name: "cut_pieces",
        row: "piece of the cut plan",
        title: || say!("Pieces of the cut plan"),
        make: pieces,
    },
    Listed {
        name: "cut_lengths",
        row: "ordered length",
        title: || say!("What each ordered length gets"),
        make: lengths,
    },
    Listed {
        name: "cut_losses",
        row: "cause of loss",
        title: || say!("What takes the length that is not sold"),
        make: losses,
    },
];

fn plan(lot: &Lot) -> Result<&LotCut, Why> {
    need(&lot.cut_plan, "cut plan of the lot").map(|sealed| &sealed.body)
}

fn bars(lot: &Lot) -> Made {
    let rows: Rows<&BarCut> = plan(lot).map(|p| p.bars.iter().collect());
    made(
        rows,
        [
            text("bar", "bar number within the lot", |b| (&b.bar).into()),
            text("standing", "planned, waiting or rejected", |b| word(b.standing)),
            number("length_mm", "mm", "length", |b| mm(b.length_m)),
            number("kept_mm", "mm", "length sold", |b| mm(b.cut.kept_m)),
            number("lost_mm", "mm", "length not sold", |b| mm(b.cut.lost_m)),
            number("value_m", "m of value 1", "value of what is sold of it", |b| b.value_m.into()),
            text("judgement_document", "hash of its judgement", |b| b.judgement.0.as_str().into()),
        ],
    )
}

fn pieces(lot: &Lot) -> Made {
    let rows: Rows<(&str, usize, &Piece)> = plan(lot).map(|p| {
        let of = |b| {
            let b: &BarCut = b;
            b.cut.pieces.iter().enumerate().map(|(k, piece)| (b.bar.as_str(), k, piece))
        };
        p.bars.iter().flat_map(of).collect()
    });
    made(
        rows,
        [
            text("bar", "bar number within the lot", |(bar, ..)| (*bar).into()),
            whole("piece", "number of the piece along the bar, from 1", |(_, k, _)| (k + 1).into()),
            number("from_mm", "mm", "start from the head end", |(.., p)| mm(p.from_m)),
            number("to_mm", "mm", "end from the head end", |(.., p)| mm(p.to_m)),
            text("fate", "what becomes of it: keep, scrap", |(.., p)| word(p.fate)),
            text("reason", "why, for what is not kept", |(.., p)| (&p.reason).into()),
            text("sold_as", "ordered length it is sold as; empty where any is sold", |(.., p)| {
                p.sold_as.as_deref().into()
            }),
            whole("multiple", "base pieces in it, for a multiple length", |(.., p)| {
                p.multiple.into()
            }),
        ],
    )
}

fn lengths(lot: &Lot) -> Made {
    let rows: Rows<&LengthSold> = plan(lot).map(|p| p.lengths.iter().collect());
    made(
        rows,
        [
            text("length", "name of the ordered length", |l| (&l.name).into()),
            text("ordered", "what is ordered, in words", |l| (&l.ordered).into()),
            number("value_per_m", "1/m", "relative value of a metre", |l| l.value_per_m.into()),
            whole("pieces", "pieces planned", |l| l.pieces.into()),
            number("kept_mm", "mm", "their length", |l| mm(l.kept_m)),
            whole("open_pieces", "pieces that were open; empty where any number is sold", |l| {
                l.open_pieces.into()
            }),
            whole("still_open", "pieces that stay open", |l| l.still_open.into()),
        ],
    )
}

fn losses(lot: &Lot) -> Made {
    let rows: Rows<(&str, f64)> = plan(lot).map(|p| p.losses.rows().to_vec());
    made(
        rows,
        [
            text(
                "cause",
                "flaw, not inspected, end, kerf, remnant or count exhausted",
                |(cause, _)| (*cause).into(),
            ),
            number("lost_mm", "mm", "length that it takes, all planned bars together", |(_, m)| {
                mm(*m)
            }),
        ],
    )
}
