//! The conditions under which beams are computed: nominal, or one tolerance at its end.

use barwright_job::{
    Order, Station,
    order::SectionSpec,
    station::Coupling,
    technique::{Media, PulseSpec, Section, Technique},
};
use barwright_wave::{Element, Point, Surface, pulse::Pulse, water};

use crate::error::{PlanError, Result};
use crate::square::face;

/// One state of bar and water. The technique (laws, gates, gains) does not change with it.
#[derive(Debug, Clone)]
pub struct Conditions {
    /// What deviates, in words.
    pub words: String,
    /// Where the bar's centre stands, in metres.
    pub centre: Point,
    /// Size of the section over its nominal size.
    pub scale: f64,
    /// Section at this size, about its own centre.
    pub section: Section,
    /// Surface through which sound enters, where the bar stands; the first face of a square.
    pub surface: Surface,
    /// Faces of a square section where the bar stands, from the one that looks up, counter-clockwise;
    /// empty for other sections.
    pub faces: Vec<Surface>,
    /// Turn of the bar about its own axis, counter-clockwise, in rad.
    pub turn_rad: f64,
    /// Water and steel.
    pub media: Media,
    /// The pulse.
    pub pulse: Pulse,
    /// Whether the middle element of each aperture is lost.
    pub lost_middle: bool,
}

impl Conditions {
    /// Everything as the technique has it.
    ///
    /// # Errors
    /// The wave crate's reason for a section or a pulse that is none.
    pub fn nominal(technique: &Technique) -> Result<Self> {
        Self::of(&technique.section, &technique.media, &technique.pulse)
    }

    /// Nominal conditions from their parts.
    ///
    /// # Errors
    /// As [`Self::nominal`].
    pub fn of(section: &Section, media: &Media, pulse: &PulseSpec) -> Result<Self> {
        let faces = face::faces(section, Point::default(), 0.0)?;
        let surface =
            faces.first().copied().or_else(|| section.surface()).ok_or_else(no_surface)?;
        Ok(Self {
            words: "nominal".into(),
            centre: Point::default(),
            scale: 1.0,
            section: *section,
            surface,
            faces,
            turn_rad: 0.0,
            media: *media,
            pulse: Pulse::new(pulse.centre_hz, pulse.bandwidth_rel)?,
            lost_middle: false,
        })
    }

    /// The same with the bar's centre elsewhere and its size scaled.
    fn moved(&self, words: String, centre: Point, scale: f64) -> Self {
        let mut c = self.clone();
        c.words = words;
        c.centre = centre;
        c.scale = scale;
        match self.section {
            Section::Round { radius_m } => {
                let radius_m = radius_m * scale;
                c.section = Section::Round { radius_m };
                c.surface = Surface::Round { centre, radius_m };
            }
            Section::Flat { thickness_m } => {
                c.section = Section::Flat { thickness_m: thickness_m * scale };
            }
            Section::Square { .. } => {}
        }
        c
    }

    /// Where a place of the nominal section stands under these conditions.
    #[must_use]
    pub fn place(&self, nominal: Point) -> Point {
        match self.section {
            Section::Flat { .. } => Point::new(nominal.x, nominal.y * self.scale),
            Section::Square { .. } => self.centre + (nominal * self.scale).rotated(self.turn_rad),
            Section::Round { .. } => self.centre + nominal * self.scale,
        }
    }

    /// The surface that elements look at: the face before them of a square, else the only one.
    #[must_use]
    pub fn surface_before(&self, elements: &[Element]) -> Surface {
        face::before(self, elements).unwrap_or(self.surface)
    }
}

/// The refusal of a section that lets no sound in.
fn no_surface() -> PlanError {
    PlanError::rule("section", "the section has no surface", "order a round or square section")
}

/// The deviations that a worst case is over: each tolerance at both ends, and one lost element.
///
/// # Errors
/// Those of [`Conditions::nominal`] and of water outside 0 to 95 °C.
pub fn tolerance_cases(
    order: &Order,
    station: &Station,
    nominal: &Conditions,
) -> Result<Vec<Conditions>> {
    let mut cases = Vec::new();
    let still = Point::default();
    if let SectionSpec::Round(round) = order.section {
        let off = station.line.centring_mm;
        if off > 0.0 {
            for (x, y, side) in [
                (1.0, 0.0, "to the right"),
                (-1.0, 0.0, "to the left"),
                (0.0, 1.0, "up"),
                (0.0, -1.0, "down"),
            ] {
                let centre = Point::new(x, y) * (off * 1e-3);
                cases.push(nominal.moved(format!("bar {off} mm {side}"), centre, 1.0));
            }
        }
        let tolerance = round.tolerance_mm;
        if tolerance > 0.0 {
            for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
                let scale = 1.0 + sign * tolerance / round.diameter_mm;
                cases.push(nominal.moved(format!("diameter {tolerance} mm {word}"), still, scale));
            }
        }
    }
    if let SectionSpec::Flat(flat) = order.section
        && flat.tolerance_mm > 0.0
    {
        for (sign, word) in [(1.0, "over"), (-1.0, "under")] {
            let scale = 1.0 + sign * flat.tolerance_mm / flat.thickness_mm;
            let words = format!("thickness {} mm {word}", flat.tolerance_mm);
            cases.push(nominal.moved(words, still, scale));
        }
    }
    if let Coupling::Water(w) = station.coupling
        && w.tolerance_k > 0.0
    {
        for (sign, word) in [(1.0, "warmer"), (-1.0, "colder")] {
            let mut c = nominal.clone();
            let t = (w.temperature_c + sign * w.tolerance_k).clamp(0.0, 95.0);
            c.media.water = Some(water::water(t)?);
            c.words = format!("water {} K {word}", w.tolerance_k);
            cases.push(c);
        }
    }
    let mut lost = nominal.clone();
    lost.words = "middle element of the aperture lost".into();
    lost.lost_middle = true;
    cases.push(lost);
    Ok(cases)
}
