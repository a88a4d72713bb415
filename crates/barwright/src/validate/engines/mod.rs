//! The ray engine against the exact engine of round bars: the same beams, the same places.
//!
//! The exact engine stands on outside references of its own; what this tells is how far rays may be
//! trusted, and whether the ray engine says itself where they may not.

mod cases;
mod fields;
mod figures;
mod pictures;
mod table;

pub use figures::Figures;
pub use table::{markdown, text};

use barwright_wave::cylinder::CylinderBand;

/// A picture of one case.
#[derive(Debug, Clone)]
pub struct Picture {
    /// File name.
    pub file: String,
    /// SVG text.
    pub svg: String,
}

/// Everything a run yields.
#[derive(Debug, Clone, Default)]
pub struct Answer {
    /// Figures case by case.
    pub figures: Vec<Figures>,
    /// Pictures of some of them, if asked for.
    pub pictures: Vec<Picture>,
}

/// Number of cases of [`compare`].
pub fn count(diameters_mm: &[f64]) -> usize {
    cases::all(diameters_mm).len()
}

/// Compares the cases whose bars are among `diameters_mm` (all for an empty list). `progress` is
/// called after each.
///
/// # Errors
/// When a field cannot be computed at all.
pub fn compare(
    diameters_mm: &[f64],
    draw: bool,
    progress: impl Fn(),
) -> barwright_wave::Result<Answer> {
    let (fluid, solid) = (cases::fluid()?, cases::solid()?);
    let mut answer = Answer::default();
    let mut band: Option<CylinderBand> = None;
    for case in cases::all(diameters_mm) {
        let band = match band.take() {
            Some(kept) if kept.radius_m() == case.radius_m() => band.insert(kept),
            _ => band.insert(fields::band(case.radius_m(), &fluid, &solid)?),
        };
        let fields = fields::both(&case, band, &fluid, &solid)?;
        answer.figures.push(figures::of(&case, &fields));
        if draw && pictures::wanted(&case) {
            answer.pictures.push(pictures::draw(&case, &fields));
        }
        progress();
    }
    Ok(answer)
}
