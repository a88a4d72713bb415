//! The cut plan under the ribbon: pieces, saw cuts, what is kept and what is lost.

use barwright_job::judgement::{CutPlan, Fate};
use barwright_phrase::say;

use super::{ACROSS, Axis, LEFT};
use crate::{
    figures::{size, size_unit, sized},
    palette::Palette,
    svg::{Anchor, Svg, Type, n},
};

pub(super) fn cut_plan(svg: &mut Svg, cut: &CutPlan, axis: &Axis, look: &Palette) {
    let y = axis.top + ACROSS + 34.0;
    let h = 26.0;
    let unit = size_unit();
    svg.open("cut-plan");
    svg.text((LEFT - 8.0, y + 17.0), say!("cut plan"), Type::new(11.0, &look.ink, Anchor::End));
    for piece in cut.pieces.iter().filter(|p| axis.meets(p.from_m, p.to_m)) {
        let (x, w) = axis.stretch(piece.from_m, piece.to_m);
        let length = size(piece.to_m - piece.from_m, 0);
        match piece.fate {
            Fate::Keep => {
                let sold = piece.sold_as.as_ref();
                let sold = sold.map_or(String::new(), |name| say!(", sold as {name}"));
                svg.open_titled("keep", &say!("kept, {length} {unit}{sold}"));
                svg.rect((x, y, w, h), &look.tint, &look.accent, 1.2);
                let mid = x + w / 2.0;
                if w > 92.0 {
                    svg.text(
                        (mid, y + 17.5),
                        &say!("kept {length} {unit}"),
                        Type::new(12.0, &look.ink, Anchor::Middle),
                    );
                } else if w > 34.0 {
                    svg.text((mid, y + 17.5), &length, Type::new(11.0, &look.ink, Anchor::Middle));
                }
            }
            Fate::Scrap => {
                svg.open_titled("scrap", &say!("scrap, {length} {unit}: {}", piece.reason));
                svg.rect((x, y, w, h), &look.card, &look.soft, 0.9);
                if w > 2.0 {
                    svg.line((x, y), (x + w, y + h), &look.soft, 0.8).line(
                        (x, y + h),
                        (x + w, y),
                        &look.soft,
                        0.8,
                    );
                }
            }
        }
        svg.close();
    }
    // A saw cut lies between neighbouring pieces: a notch under the gap.
    for pair in cut.pieces.windows(2) {
        if let [a, b] = pair
            && axis.meets(a.to_m, b.from_m)
        {
            let x = (axis.x(a.to_m) + axis.x(b.from_m)) / 2.0;
            saw_cut(svg, (x, y + h + 1.0), 3.5, look);
        }
    }
    svg.text(
        (LEFT, y + h + 24.0),
        &say!(
            "kept {}, lost {}; ▲ saw cut; crossed: scrap; hatched: not inspected",
            sized(cut.kept_m, 0),
            sized(cut.lost_m, 0)
        ),
        Type::new(11.0, &look.soft, Anchor::Start),
    )
    .close();
}

/// A saw cut: a notch whose tip is at a place.
pub(crate) fn saw_cut(svg: &mut Svg, (x, y): (f64, f64), half: f64, look: &Palette) {
    let (left, right, foot) = (n(x - half), n(x + half), n(y + 2.0 * half));
    let d = format!("M{} {}L{left} {foot}L{right} {foot}Z", n(x), n(y));
    svg.path(&d, &look.ink, "none", 0.0);
}
