//! Heights of all beams before and after levelling, beam beside beam, against the accepted band.

use barwright_job::{
    level::{BeamLevel, BeamState, Level},
    technique::{Beam, Technique},
};
use barwright_phrase::say;
use barwright_wave::Mode;

use crate::{
    palette::Palette,
    ring::{cross, diamond},
    svg::{Anchor, Svg, Type, line_to, move_to},
    text,
};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = 14.0;
/// Height of a row's plot, what stands above it, and what stands below.
const PLOT: f64 = 150.0;
const ABOVE: f64 = 30.0;
const BELOW: f64 = 28.0;
/// Most beams in a row: six pixels each keep two marks apart.
const MOST: usize = 116;
/// Highest height drawn, as a fraction of full screen height; more ends in an arrow.
const TOP_FSH: f64 = 1.2;

/// What is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Heights<'a> {
    /// The technique of the beams.
    pub technique: &'a Technique,
    /// The level.
    pub level: &'a Level,
    /// Height to which every beam is brought, as a fraction of full screen height: beams that expect
    /// another one are drawn in proportion, so that all are held against one band.
    pub target_fsh: f64,
    /// Accepted band, as fractions of full screen height.
    pub band_fsh: [f64; 2],
}

/// How a beam stands with the gain it was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    Inside,
    Outside,
    Clipped,
    Missing,
}

/// One beam's marks.
struct Mark<'a> {
    beam: &'a Beam,
    level: &'a BeamLevel,
    before_fsh: Option<f64>,
    after_fsh: Option<f64>,
    standing: Standing,
}

/// Heights before and after as SVG text, 760 pixels wide: longitudinal beams first, then shear beams, by
/// probe. A ring is the height read, a disc the height at the new gain inside the band, a filled diamond
/// outside it, an arrow a clipped echo, a cross no echo. What is shown after is computed from the
/// change of gain; the next capture must show it.
#[must_use]
pub fn heights(all: &Heights<'_>, look: &Palette) -> String {
    let rows: Vec<(Mode, Vec<Mark<'_>>)> = [Mode::L, Mode::S]
        .into_iter()
        .flat_map(|mode| {
            let mut marks = all.marks(mode);
            let mut parts = Vec::new();
            // Rows of like length.
            let count = marks.len().div_ceil(MOST).max(1);
            let length = marks.len().div_ceil(count).max(1);
            while !marks.is_empty() {
                let rest = marks.split_off(length.min(marks.len()));
                parts.push((mode, std::mem::replace(&mut marks, rest)));
            }
            parts
        })
        .collect();
    let row = ABOVE + PLOT + BELOW;
    let height = row * rows.len() as f64 + 44.0;
    let mut svg = Svg::new(WIDTH, height, say!("Heights before and after levelling"), look);
    for (i, (mode, marks)) in rows.iter().enumerate() {
        all.row(&mut svg, *mode, marks, row * i as f64 + ABOVE, look);
    }
    let marks: Vec<&Mark<'_>> = rows.iter().flat_map(|r| &r.1).collect();
    legend(&mut svg, &marks, all.band_fsh, row * rows.len() as f64 + 14.0, look);
    svg.finish()
}

impl<'a> Heights<'a> {
    fn marks(&self, mode: Mode) -> Vec<Mark<'a>> {
        let mut out: Vec<Mark<'a>> = self
            .level
            .beams
            .iter()
            .filter_map(|level| {
                let beam = self.technique.beams.get(usize::try_from(level.beam).ok()?)?;
                let scaled = |h: f64| {
                    if level.expected_fsh > 0.0 {
                        h / level.expected_fsh * self.target_fsh
                    } else {
                        h
                    }
                };
                let after_fsh = level.height_after_fsh().map(scaled);
                let [low, high] = self.band_fsh;
                let standing = match (level.state, after_fsh) {
                    (BeamState::Clipped, _) => Standing::Clipped,
                    (_, None) => Standing::Missing,
                    // A gain step's rounding at the band's edge is no state.
                    (_, Some(h)) if (low - 5e-4..=high + 5e-4).contains(&h) => Standing::Inside,
                    _ => Standing::Outside,
                };
                let before_fsh = level.height_fsh.map(scaled);
                (beam.mode == mode).then_some(Mark { beam, level, before_fsh, after_fsh, standing })
            })
            .collect();
        out.sort_by_key(|m| m.beam.probe);
        out
    }

    fn row(&self, svg: &mut Svg, mode: Mode, marks: &[Mark<'_>], top: f64, look: &Palette) {
        let bottom = top + PLOT;
        let y = |h: f64| bottom - PLOT * h.clamp(0.0, TOP_FSH) / TOP_FSH;
        let step = (WIDTH - LEFT - RIGHT) / marks.len().max(1) as f64;
        let x = |i: usize| LEFT + step * (i as f64 + 0.5);
        let name = match mode {
            Mode::L => say!("longitudinal"),
            Mode::S => say!("shear"),
        };
        svg.text(
            (LEFT, top - 12.0),
            &say!("{} {name} beams, % of full screen", marks.len()),
            Type::new(12.0, &look.ink, Anchor::Start).bold(),
        );
        let [low, high] = self.band_fsh;
        svg.open("band").rect(
            (LEFT, y(high), WIDTH - LEFT - RIGHT, y(low) - y(high)),
            &look.tint,
            &look.accent,
            0.6,
        );
        svg.close();
        svg.open("heights-scale");
        let mut at = vec![0.0, 0.4, low, high, TOP_FSH];
        at.retain(|h| h.is_finite());
        for h in at {
            svg.line((LEFT, y(h)), (WIDTH - RIGHT, y(h)), &look.rule, 0.5).text(
                (LEFT - 6.0, y(h) + 3.6),
                &text::number(h * 100.0, 0),
                Type::new(10.5, &look.soft, Anchor::End),
            );
        }
        svg.close();
        self.probes(svg, marks, (top, bottom), step, look);
        for (i, m) in marks.iter().enumerate() {
            svg.open_titled("height", &m.words());
            m.draw(svg, x(i), &y, look);
            svg.close();
        }
    }

    fn probes(
        &self,
        svg: &mut Svg,
        marks: &[Mark<'_>],
        (top, bottom): (f64, f64),
        step: f64,
        look: &Palette,
    ) {
        svg.open("probes");
        let mut first = 0;
        for run in marks.chunk_by(|a, b| a.beam.probe == b.beam.probe) {
            let (from, to) = (LEFT + step * first as f64, LEFT + step * (first + run.len()) as f64);
            if first > 0 {
                svg.line((from, top), (from, bottom + 6.0), &look.rule, 0.8);
            }
            let probe = run.first().map_or(0, |m| m.beam.probe + 1);
            svg.text(
                ((from + to) / 2.0, bottom + 16.0),
                &format!("P{probe}"),
                Type::new(11.0, &look.ink, Anchor::Middle),
            );
            first += run.len();
        }
        svg.close();
    }
}

impl Mark<'_> {
    fn draw(&self, svg: &mut Svg, x: f64, y: &impl Fn(f64) -> f64, look: &Palette) {
        if let (Some(a), Some(b)) = (self.before_fsh, self.after_fsh) {
            svg.line((x, y(a)), (x, y(b)), &look.soft, 0.9);
        }
        if let Some(h) = self.before_fsh {
            let paint = if self.standing == Standing::Clipped { &look.alert } else { &look.soft };
            if h > TOP_FSH || self.standing == Standing::Clipped {
                arrow(svg, (x, y(TOP_FSH)), paint);
            } else {
                svg.circle((x, y(h)), 1.9, &look.card, &look.soft, 0.9);
            }
        }
        match (self.standing, self.after_fsh) {
            (Standing::Inside, Some(h)) => {
                svg.circle((x, y(h)), 2.1, &look.accent, "none", 0.0);
            }
            (Standing::Outside, Some(h)) if h > TOP_FSH => arrow(svg, (x, y(TOP_FSH)), &look.alert),
            (Standing::Outside, Some(h)) => diamond(svg, (x, y(h)), 3.4, &look.alert, &look.alert),
            (Standing::Missing, _) => cross(svg, (x, y(0.0) - 5.0), look),
            _ => {}
        }
    }

    fn words(&self) -> String {
        let percent = |h: Option<f64>| {
            h.map_or(say!("nothing").to_owned(), |h| format!("{} %", text::number(h * 100.0, 1)))
        };
        let mode = match self.beam.mode {
            Mode::L => "L",
            Mode::S => "S",
        };
        let read = if self.standing == Standing::Clipped {
            say!("at least {}", percent(self.before_fsh))
        } else {
            percent(self.before_fsh)
        };
        let after = match self.after_fsh {
            Some(_) => say!(
                ", {} at the new gain ({} dB)",
                percent(self.after_fsh),
                text::signed(self.level.change_db, 1)
            ),
            None => String::new(),
        };
        say!(
            "beam {} {mode}, probe {}: read {read}{after}, {}",
            self.beam.id,
            self.beam.probe + 1,
            text::beam_state(self.level.state)
        )
    }
}

/// An arrow upwards with its tip at a point.
fn arrow(svg: &mut Svg, (x, y): (f64, f64), paint: &str) {
    let mut d = String::new();
    move_to(&mut d, (x, y - 4.0));
    line_to(&mut d, (x + 3.2, y + 3.0));
    line_to(&mut d, (x - 3.2, y + 3.0));
    d.push('Z');
    svg.path(&d, paint, "none", 0.0);
}

fn legend(svg: &mut Svg, marks: &[&Mark<'_>], band: [f64; 2], y: f64, look: &Palette) {
    let count = |s: Standing| marks.iter().filter(|m| m.standing == s).count();
    let style = Type::new(11.0, &look.ink, Anchor::Start);
    let at = |k: f64| (LEFT + 4.0 + 176.0 * k, y - 4.0);
    let word = |(x, y): (f64, f64)| (x + 9.0, y + 4.0);
    svg.open("legend").circle(at(0.0), 1.9, &look.card, &look.soft, 0.9);
    svg.text(word(at(0.0)), say!("read before"), style);
    svg.circle(at(1.0), 2.1, &look.accent, "none", 0.0).text(
        word(at(1.0)),
        &say!("after: inside ({})", count(Standing::Inside)),
        style,
    );
    diamond(svg, at(2.0), 3.4, &look.alert, &look.alert);
    svg.text(word(at(2.0)), &say!("after: outside ({})", count(Standing::Outside)), style);
    arrow(svg, at(3.0), &look.alert);
    let over = say!("clipped ({})", count(Standing::Clipped));
    svg.text(word(at(3.0)), &over, style);
    cross(svg, (LEFT + 4.0 + 622.0, y - 4.0), look);
    let none = say!("no echo ({})", count(Standing::Missing));
    svg.text((LEFT + 4.0 + 631.0, y), &none, style);
    svg.text(
        (LEFT, y + 20.0),
        &say!(
            "Shaded: accepted, {} to {} %. After: the height read, at the new gain; the next capture must show it.",
            text::number(band[0] * 100.0, 0),
            text::number(band[1] * 100.0, 0)
        ),
        Type::new(11.0, &look.soft, Anchor::Start),
    )
    .close();
}
