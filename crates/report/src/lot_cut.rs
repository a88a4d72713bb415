//! The cut plan of a lot: one thin row a bar, to one scale. What is kept carries its length and the
//! letter of the ordered length; what goes is marked by its cause; bars that are not planned say so.

use barwright_job::{
    judgement::{CutPlan, Fate, Piece},
    lot_cut::{BarCut, LotCut, Standing},
};
use barwright_phrase::say;

use crate::{
    figures::{size, size_unit, way, way_m, way_unit},
    palette::Palette,
    ribbon::{saw_cut, step_of},
    svg::{Anchor, Hatch, Svg, Type, hatch, line_to, move_to, n},
    text,
};

/// Bars on one picture; a larger lot goes on with the next.
pub const BARS_A_PICTURE: usize = 100;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 92.0;
const RIGHT: f64 = 104.0;
const ROW: f64 = 19.0;
const BAR: f64 = 12.0;
const TOP: f64 = 84.0;

/// Number of pictures that a plan takes; at least one.
#[must_use]
pub fn pictures(plan: &LotCut) -> usize {
    plan.bars.len().div_ceil(BARS_A_PICTURE).max(1)
}

/// Picture `number`, counted from 0, of a lot's cut plan as SVG text, 960 pixels wide. A number
/// beyond the last shows the totals without bars.
#[must_use]
pub fn lot_cut(plan: &LotCut, number: usize, look: &Palette) -> String {
    let first = number.saturating_mul(BARS_A_PICTURE).min(plan.bars.len());
    let bars = &plan.bars[first..plan.bars.len().min(first + BARS_A_PICTURE)];
    let rows = ROW * bars.len().max(1) as f64;
    let height = TOP + rows + 76.0 + 17.0 * (plan.lengths.len() as f64 + 2.0);
    let mut svg = Svg::new(WIDTH, height, say!("Cut plan of order {}", plan.order), look);
    let longest = plan.bars.iter().map(|b| b.length_m).fold(0.0, f64::max);
    let scale = Scale { longest_m: if longest > 0.0 { longest } else { 1.0 } };
    head(&mut svg, plan, (number, first, bars.len()), look);
    if bars.is_empty() {
        let words = say!("no bar has been judged");
        svg.text((LEFT, TOP + 13.0), words, Type::new(12.0, &look.ink, Anchor::Start));
    }
    for (k, bar) in bars.iter().enumerate() {
        row(&mut svg, bar, plan, TOP + ROW * k as f64, &scale, look);
    }
    metres(&mut svg, TOP + rows, &scale, look);
    legend(&mut svg, TOP + rows + 44.0, look);
    lengths(&mut svg, plan, TOP + rows + 78.0, look);
    svg.finish()
}

struct Scale {
    longest_m: f64,
}

impl Scale {
    fn x(&self, z_m: f64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * (z_m / self.longest_m).clamp(0.0, 1.0)
    }

    fn stretch(&self, from_m: f64, to_m: f64) -> (f64, f64) {
        let (a, b) = (self.x(from_m), self.x(to_m));
        (a, (b - a).max(0.5))
    }
}

fn head(
    svg: &mut Svg,
    plan: &LotCut,
    (number, first, count): (usize, usize, usize),
    look: &Palette,
) {
    let title = say!("Cut plan of order {}, heat {}", plan.order, plan.heat);
    svg.text((12.0, 20.0), &title, Type::new(15.0, &look.ink, Anchor::Start).bold());
    let m = |v: f64| way(v, 2);
    let unit = way_unit();
    let share = if plan.planned_m > 0.0 { plan.kept_m / plan.planned_m } else { 0.0 };
    let mut bars =
        say!("{} bars planned, {} {unit}", plan.standing(Standing::Planned), m(plan.planned_m));
    for (standing, words) in
        [(Standing::Waiting, say!("held")), (Standing::Rejected, say!("rejected"))]
    {
        let count = plan.standing(standing);
        if count > 0 {
            bars += &say!("; {count} {words}, not planned");
        }
    }
    let kept = say!(
        "{bars}; kept {} {unit} ({} %), lost {} {unit}; {}",
        m(plan.kept_m),
        text::percent(share, 1),
        m(plan.lost_m),
        proven(plan),
    );
    svg.text((12.0, 39.0), &kept, Type::new(11.5, &look.ink, Anchor::Start));
    let of = pictures(plan);
    if of > 1 {
        let mut words = say!(
            "bars {} to {} of {}, picture {} of {of}",
            first + 1,
            first + count,
            plan.bars.len(),
            number + 1
        );
        if number + 1 < of {
            words += &say!("; it goes on with picture {}", number + 2);
        }
        svg.text((12.0, 57.0), &words, Type::new(11.5, &look.alert, Anchor::Start));
    }
    svg.text((LEFT - 8.0, TOP - 6.0), say!("bar"), Type::new(10.5, &look.soft, Anchor::End));
    let right = (WIDTH - 12.0, TOP - 6.0);
    svg.text(right, &say!("kept of {unit}"), Type::new(10.5, &look.soft, Anchor::End));
}

/// How good the plan is, in words.
#[must_use]
pub fn proven(plan: &LotCut) -> String {
    if plan.gap_percent > 0.0 {
        let gap = text::missing_percent(plan.gap_percent / 100.0, 3);
        say!("the best plan is worth at most {gap} % more")
    } else if plan.lengths.is_empty() {
        say!("each bar keeps the plan of its judgement").to_owned()
    } else {
        say!("no plan is worth more").to_owned()
    }
}

fn row(svg: &mut Svg, bar: &BarCut, plan: &LotCut, y: f64, scale: &Scale, look: &Palette) {
    svg.open("bar-row");
    let name = Type::new(10.5, &look.ink, Anchor::End);
    svg.text((LEFT - 8.0, y + 10.0), &short(&bar.bar, 14), name);
    let (x, w) = scale.stretch(0.0, bar.length_m);
    if bar.standing != Standing::Planned {
        let words = match bar.standing {
            Standing::Waiting => say!("held: waits, not planned"),
            _ => say!("rejected: not planned"),
        };
        let d = format!("M{} {}h{}v{BAR}h-{}Z", n(x), n(y), n(w), n(w));
        svg.open("not-planned").dashed(&d, &look.alert, 1.0, "5 3");
        svg.text((x + w / 2.0, y + 9.8), words, Type::new(10.5, &look.alert, Anchor::Middle));
        svg.close().close();
        return;
    }
    for piece in &bar.cut.pieces {
        match piece.fate {
            Fate::Keep => keep(svg, piece, plan, y, scale, look),
            Fate::Scrap => scrap(svg, piece, &bar.cut, y, scale, look),
        }
    }
    let gaps = bar.cut.pieces.windows(2).filter_map(|p| match p {
        [a, b] if b.from_m > a.to_m => Some((a.to_m + b.from_m) / 2.0),
        _ => None,
    });
    // A kerf at an end of the bar has a piece on one side only.
    let head = bar.cut.pieces.first().filter(|p| p.from_m > 0.0).map(|p| p.from_m / 2.0);
    let tail = bar.cut.pieces.last().filter(|p| bar.length_m - p.to_m > 2e-6);
    let tail = tail.map(|p| (p.to_m + bar.length_m) / 2.0);
    for at in gaps.chain(head).chain(tail) {
        let x = scale.x(at);
        svg.line((x, y - 1.0), (x, y + BAR + 1.0), &look.ink, 0.9);
        saw_cut(svg, (x, y + BAR), 2.2, look);
    }
    let kept = say!("{} of {}", way(bar.cut.kept_m, 2), way(bar.length_m, 2));
    svg.text((WIDTH - 12.0, y + 10.0), &kept, Type::new(10.5, &look.ink, Anchor::End));
    svg.close();
}

/// Letter of an ordered length.
fn letter(plan: &LotCut, piece: &Piece) -> Option<char> {
    let name = piece.sold_as.as_ref()?;
    let at = plan.lengths.iter().position(|l| l.name == *name)?;
    Some(letter_of(at))
}

fn letter_of(at: usize) -> char {
    char::from(b'a' + (at % 26) as u8)
}

fn keep(svg: &mut Svg, piece: &Piece, plan: &LotCut, y: f64, scale: &Scale, look: &Palette) {
    let (x, w) = scale.stretch(piece.from_m, piece.to_m);
    let length = size(piece.to_m - piece.from_m, 0);
    let unit = size_unit();
    let base = piece.multiple.map_or(String::new(), |n| say!(", {n} base pieces"));
    let sold = piece.sold_as.as_ref().map_or(String::new(), |name| say!(", sold as {name}"));
    svg.open_titled("keep", &say!("kept, {length} {unit}{sold}{base}"));
    svg.rect((x, y, w, BAR), &look.tint, &look.accent, 1.0);
    let letter = letter(plan, piece).map_or(String::new(), |l| format!("{l} "));
    let words = match piece.multiple {
        Some(n) => say!("{letter}{length} = {n} pcs"),
        None => format!("{letter}{length}"),
    };
    // About 5.6 pixels a character at this size, and some air.
    let fits = |words: &str| words.chars().count() as f64 * 5.6 + 5.0 < w;
    let plain = format!("{letter}{length}");
    if let Some(words) = [words, plain, length, letter].into_iter().find(|w| fits(w)) {
        let mid = (x + w / 2.0, y + 9.6);
        svg.text(mid, words.trim(), Type::new(10.0, &look.ink, Anchor::Middle));
    }
    svg.close();
}

/// Why steel is scrapped, as the picture tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Why {
    Flaw,
    NotInspected,
    End,
    Remnant,
    NoneOpen,
}

impl Why {
    const ALL: [Self; 5] =
        [Self::Flaw, Self::NotInspected, Self::End, Self::Remnant, Self::NoneOpen];

    fn words(self) -> &'static str {
        match self {
            Self::Flaw => say!("flaw"),
            Self::NotInspected => say!("not inspected"),
            Self::End => say!("end"),
            Self::Remnant => say!("remnant"),
            Self::NoneOpen => say!("no piece open"),
        }
    }

    fn of(reason: &str) -> Self {
        if reason.starts_with("end") {
            Self::End
        } else if reason.starts_with("not inspected") {
            Self::NotInspected
        } else if reason.starts_with("remnant") {
            if reason.contains("no piece open") { Self::NoneOpen } else { Self::Remnant }
        } else {
            Self::Flaw
        }
    }

    /// Fills a rectangle: crossed, rising, falling, empty, dotted.
    fn fill(self, svg: &mut Svg, (x, y, w, h): (f64, f64, f64, f64), look: &Palette) {
        let mut d = String::new();
        match self {
            // A narrow flaw is filled, so that it is not lost.
            Self::Flaw if w < 4.0 => {
                svg.rect((x, y, w.max(1.6), h), &look.alert, "none", 0.0);
            }
            Self::Flaw => {
                hatch((x, y, w, h), 4.0, Hatch::Rising, &mut d);
                hatch((x, y, w, h), 4.0, Hatch::Falling, &mut d);
                svg.rect((x, y, w, h), &look.card, "none", 0.0);
                svg.path(&d, "none", &look.alert, 0.9);
            }
            Self::NotInspected | Self::End => {
                let way = if self == Self::End { Hatch::Falling } else { Hatch::Rising };
                hatch((x, y, w, h), 4.0, way, &mut d);
                svg.rect((x, y, w, h), &look.card, "none", 0.0);
                svg.path(&d, "none", &look.ink, 0.7);
            }
            Self::Remnant => {
                svg.rect((x, y, w, h), &look.steel, "none", 0.0);
            }
            Self::NoneOpen => {
                svg.rect((x, y, w, h), &look.steel, "none", 0.0);
                move_to(&mut d, (x, y + h / 2.0));
                line_to(&mut d, (x + w, y + h / 2.0));
                svg.dashed(&d, &look.ink, 1.4, "2 3");
            }
        }
    }
}

fn scrap(svg: &mut Svg, piece: &Piece, cut: &CutPlan, y: f64, scale: &Scale, look: &Palette) {
    let length = size(piece.to_m - piece.from_m, 0);
    let unit = size_unit();
    svg.open_titled("scrap", &say!("scrap, {length} {unit}: {}", piece.reason));
    let mut fill = |from_m: f64, to_m: f64, why: Why| {
        let (x, w) = scale.stretch(from_m, to_m);
        why.fill(svg, (x, y, w, BAR), look);
    };
    let whys = piece.reason.split("; ").map(Why::of);
    if cut.unsound.is_empty() {
        let first = Why::ALL.into_iter().find(|why| whys.clone().any(|w| w == *why));
        fill(piece.from_m, piece.to_m, first.unwrap_or(Why::Remnant));
    } else {
        let rest =
            if whys.clone().any(|w| w == Why::NoneOpen) { Why::NoneOpen } else { Why::Remnant };
        fill(piece.from_m, piece.to_m, rest);
        // The gravest cause is drawn last, over the others.
        for why in [Why::End, Why::NotInspected, Why::Flaw] {
            for u in cut.unsound.iter().filter(|u| Why::of(&u.reason) == why) {
                let (from, to) = (u.from_m.max(piece.from_m), u.to_m.min(piece.to_m));
                if to > from {
                    fill(from, to, why);
                }
            }
        }
    }
    let (x, w) = scale.stretch(piece.from_m, piece.to_m);
    svg.rect((x, y, w, BAR), "none", &look.soft, 0.7).close();
}

fn metres(svg: &mut Svg, y: f64, scale: &Scale, look: &Palette) {
    // In the reader's unit along a bar.
    let longest = scale.longest_m / way_m();
    let step = step_of(longest, 14.0);
    let decimals = if step >= 1.0 { 0 } else { 1 + usize::from(step < 0.1) };
    svg.open("metres");
    let mut k = 0.0;
    while k * step <= longest + 1e-9 {
        let x = scale.x(k * step * way_m());
        let words = text::number(k * step, decimals);
        svg.line((x, y), (x, y + 4.0), &look.soft, 0.8);
        svg.text((x, y + 16.0), &words, Type::new(10.5, &look.ink, Anchor::Middle));
        k += 1.0;
    }
    let words = say!("{} from head", way_unit());
    svg.text((LEFT - 16.0, y + 16.0), &words, Type::new(10.5, &look.soft, Anchor::End)).close();
}

fn legend(svg: &mut Svg, y: f64, look: &Palette) {
    svg.open("legend");
    let ink = |size| Type::new(size, &look.ink, Anchor::Start);
    let mut x = 40.0;
    svg.rect((x, y - 10.0, 30.0, BAR), &look.tint, &look.accent, 1.0);
    svg.text((x + 36.0, y), &say!("kept, {}", size_unit()), ink(11.0));
    x += 108.0;
    for why in Why::ALL {
        why.fill(svg, (x, y - 10.0, 30.0, BAR), look);
        svg.rect((x, y - 10.0, 30.0, BAR), "none", &look.soft, 0.7);
        let words = match why {
            Why::Flaw => say!("flaw (narrow: filled)"),
            other => other.words(),
        };
        svg.text((x + 36.0, y), words, ink(11.0));
        x += 54.0 + 6.0 * words.len() as f64;
    }
    svg.line((x + 6.0, y - 11.0), (x + 6.0, y + 3.0), &look.ink, 0.9);
    saw_cut(svg, (x + 6.0, y + 2.0), 2.2, look);
    svg.text((x + 14.0, y), say!("saw cut"), ink(11.0)).close();
}

/// What each ordered length gets, and what takes the rest.
fn lengths(svg: &mut Svg, plan: &LotCut, y: f64, look: &Palette) {
    svg.open("lengths");
    let mut y = y;
    for (i, l) in plan.lengths.iter().enumerate() {
        let pieces = match (l.open_pieces, l.still_open) {
            (Some(open), Some(0)) => say!("{} pieces, all {open} that were open", l.pieces),
            (Some(open), Some(still)) => {
                say!("{} pieces of {open} open, {still} stay open", l.pieces)
            }
            _ => say!("{} pieces", l.pieces),
        };
        let words = say!(
            "{}  {} ({}), value {} a metre: {pieces}, {} {}",
            letter_of(i),
            short(&l.name, 40),
            l.ordered,
            l.value_per_m,
            way(l.kept_m, 2),
            way_unit()
        );
        svg.text((LEFT, y), &words, Type::new(11.0, &look.ink, Anchor::Start));
        y += 17.0;
    }
    let rows = plan.losses.rows();
    let lost: Vec<String> = rows
        .iter()
        .filter(|r| r.1 > 5e-4)
        .map(|(cause, m)| format!("{cause} {} {}", way(*m, 3), way_unit()))
        .collect();
    if !lost.is_empty() {
        let words = say!("lost to: {}", lost.join(", "));
        svg.text((LEFT, y), &words, Type::new(11.0, &look.soft, Anchor::Start));
    }
    svg.close();
}

/// A name that fits; the full one stands in the table behind.
fn short(name: &str, most: usize) -> String {
    if name.chars().count() <= most {
        return name.to_owned();
    }
    let cut: String = name.chars().take(most - 1).collect();
    format!("{cut}…")
}
