//! The order: what to inspect and how fine a flaw must be found. Written by people, in TOML.

use barwright_wave::Solid;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    error::Result,
    lengths::{self, CutLength},
    limits::Limits,
    read,
    seal::Hash,
    technique::Section,
};

/// Format number of an order.
pub const FORMAT: u32 = 1;

/// An order document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Order {
    /// Format number, [`FORMAT`].
    pub format: u32,
    /// Who ordered what.
    pub order: Head,
    /// Shape and size of the section.
    pub section: SectionSpec,
    /// The steel.
    pub steel: Steel,
    /// The bars of the lot.
    pub bars: Bars,
    /// The flaws that must be found.
    pub flaws: Flaws,
    /// Lengths wanted from the bars.
    pub cut: Cut,
}

/// Who ordered what.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Order number.
    pub number: String,
    /// Customer.
    pub customer: String,
    /// Heat of the lot.
    pub heat: String,
    /// Name of the acceptance rules ordered; must equal the name inside the rules document.
    pub rules: String,
}

/// Shape and size of the section.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum SectionSpec {
    /// A round bar.
    Round(RoundSpec),
    /// A square bar.
    Square(SquareSpec),
    /// A flat block seen through one face.
    Flat(FlatSpec),
}

/// A round bar.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RoundSpec {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Deviation of the mean diameter, plus and minus, in mm.
    pub tolerance_mm: f64,
    /// Largest less smallest diameter of one section, in mm.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub ovality_mm: f64,
}

/// A square bar.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SquareSpec {
    /// Side in mm.
    pub side_mm: f64,
    /// Corner radius in mm.
    pub corner_radius_mm: f64,
    /// Deviation of the side, plus and minus, in mm.
    pub tolerance_mm: f64,
}

/// A flat block seen through one face.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FlatSpec {
    /// Thickness in mm.
    pub thickness_mm: f64,
    /// Deviation of the thickness, plus and minus, in mm.
    pub tolerance_mm: f64,
}

/// The steel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Steel {
    /// Grade as ordered.
    pub grade: String,
    /// Longitudinal velocity in m/s.
    pub longitudinal_m_s: f64,
    /// Shear velocity in m/s.
    pub shear_m_s: f64,
    /// Density in kg/m³.
    pub density_kg_m3: f64,
    /// Attenuation of longitudinal waves at the probe's frequency, dB per metre of path.
    pub attenuation_l_db_per_m: f64,
    /// Attenuation of shear waves at the probe's frequency, dB per metre of path.
    pub attenuation_s_db_per_m: f64,
    /// Deviation of both velocities within the lot, plus and minus, percent.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub velocity_tolerance_percent: f64,
    /// Diameter in mm of the disc whose echo is as high as the steel's grain noise at the probe's
    /// frequency, as measured on a sound bar; absent: the noise is not known to matter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grain_noise_disc_mm: Option<f64>,
}

/// The bars of the lot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Bars {
    /// How many.
    pub count: u32,
    /// Length of each in mm.
    pub length_mm: f64,
    /// Largest bow, mm in a metre of length.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub straightness_mm_per_m: f64,
}

/// The flaws that must be found, by class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Flaws {
    /// Flaws of the volume, as a disc that faces the beam.
    pub disc: DiscClass,
    /// Radial cracks at the surface. Absent: the skin is not part of the order.
    pub crack: Option<CrackClass>,
    /// Round inclusions of the volume. Absent: not part of the order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inclusion: Option<InclusionClass>,
    /// A pipe along the bar's centre. Absent: not part of the order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pipe: Option<PipeClass>,
    /// Shortest flaw, along the bar, that must be met by the ordered number of pulses, in mm.
    pub shortest_mm: f64,
}

/// Flaws of the volume.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DiscClass {
    /// Diameter of the disc in mm.
    pub diameter_mm: f64,
    /// Depth under the surface from which the class is asked for, in mm.
    pub skin_mm: f64,
    /// Share of the section below the skin that must be covered, percent of area.
    pub coverage_percent: f64,
    /// Angle by which the disc may be turned out of facing the beam, in degrees.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub tilt_deg: f64,
}

/// Round inclusions, met as an empty sphere below the disc's skin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InclusionClass {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Share of the section below the skin that must be covered, percent of area.
    pub coverage_percent: f64,
}

/// A pipe: an empty, round channel along the bar near its centre, longer than a beam is wide.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PipeClass {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Distance from the centre within which it lies, in mm.
    pub within_mm: f64,
    /// Share of the places within that distance that must be covered, percent of area.
    pub coverage_percent: f64,
}

/// Radial cracks at the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrackClass {
    /// Depth of the crack in mm.
    pub depth_mm: f64,
    /// Share of the circumference that must be covered, percent.
    pub coverage_percent: f64,
}

/// Sizes of bars in mm that this program plans, proves and judges.
const SIZES_MM: std::ops::RangeInclusive<f64> = 10.0..=254.0;

/// Source: ASTM E494, table X3.1.
const KNOWN_STEELS: &str = "steel has about 5900 and 3230 m/s at 7700 kg/m³, stainless steel 347 5790 and \
    3100 m/s at 7910 kg/m³, 410 5900 and 3300 m/s at 7670 kg/m³";

/// A size that the program can work with, whatever the station.
fn size(l: &Limits<'_>, key: &str, size_mm: f64) -> Result<()> {
    if SIZES_MM.contains(&size_mm) {
        return Ok(());
    }
    let (least, most) = (SIZES_MM.start(), SIZES_MM.end());
    Err(l.impossible(
        key,
        format!("{size_mm} mm"),
        format!(
            "it must lie between {least} and {most} mm, the sizes that this program works with, whatever \
             the station"
        ),
    ))
}

/// Optional figures that are nought are not written, so that older orders keep their hash.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference")]
pub(crate) fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

/// Lengths wanted from the bars.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Cut {
    /// Shortest piece worth keeping, in mm.
    pub shortest_mm: f64,
    /// Steel lost by a saw cut, in mm.
    pub kerf_mm: f64,
    /// Lengths that pieces are sold by; empty: any length from the shortest on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lengths: Vec<CutLength>,
}

impl Order {
    /// Reads and checks an order.
    ///
    /// # Errors
    /// Malformed text, an unknown key, a later format, or a value that cannot be.
    pub fn from_toml(name: &str, text: &str) -> Result<Self> {
        let order: Self = read::toml(name, text)?;
        order.check(name).map_err(|e| read::at_line(e, text))?;
        Ok(order)
    }

    fn check(&self, document: &str) -> Result<()> {
        let l = Limits { document };
        l.format("order", self.format, FORMAT)?;
        l.named("order.number", &self.order.number)?;
        l.named("order.customer", &self.order.customer)?;
        l.named("order.heat", &self.order.heat)?;
        l.named("order.rules", &self.order.rules)?;
        match self.section {
            SectionSpec::Round(r) => {
                size(&l, "section.round.diameter_mm", r.diameter_mm)?;
                l.within(
                    "section.round.tolerance_mm",
                    r.tolerance_mm,
                    0.0,
                    r.diameter_mm / 10.0,
                    "mm",
                )?;
                l.within(
                    "section.round.ovality_mm",
                    r.ovality_mm,
                    0.0,
                    r.diameter_mm / 10.0,
                    "mm",
                )?;
            }
            SectionSpec::Square(s) => {
                size(&l, "section.square.side_mm", s.side_mm)?;
                l.within(
                    "section.square.corner_radius_mm",
                    s.corner_radius_mm,
                    0.0,
                    s.side_mm / 2.0,
                    "mm",
                )?;
                l.within(
                    "section.square.tolerance_mm",
                    s.tolerance_mm,
                    0.0,
                    s.side_mm / 10.0,
                    "mm",
                )?;
            }
            SectionSpec::Flat(f) => {
                l.within("section.flat.thickness_mm", f.thickness_mm, 5.0, 500.0, "mm")?;
                l.within(
                    "section.flat.tolerance_mm",
                    f.tolerance_mm,
                    0.0,
                    f.thickness_mm / 10.0,
                    "mm",
                )?;
            }
        }
        l.named("steel.grade", &self.steel.grade)?;
        let (steel, known) = (&self.steel, KNOWN_STEELS);
        self.solid().map_err(|e| {
            let value = format!(
                "{} m/s longitudinal, {} m/s shear, {} kg/m³",
                steel.longitudinal_m_s, steel.shear_m_s, steel.density_kg_m3
            );
            l.impossible("steel", value, format!("{e}. For comparison: {known}"))
        })?;
        l.within(
            "steel.attenuation_l_db_per_m",
            self.steel.attenuation_l_db_per_m,
            0.0,
            2000.0,
            "dB/m",
        )?;
        l.within(
            "steel.attenuation_s_db_per_m",
            self.steel.attenuation_s_db_per_m,
            0.0,
            2000.0,
            "dB/m",
        )?;
        l.within(
            "steel.velocity_tolerance_percent",
            self.steel.velocity_tolerance_percent,
            0.0,
            10.0,
            "%",
        )?;
        if let Some(noise) = self.steel.grain_noise_disc_mm {
            l.within("steel.grain_noise_disc_mm", noise, 0.01, 20.0, "mm")?;
        }
        if self.bars.count == 0 {
            return Err(l.impossible("bars.count", 0, "at least one bar is needed"));
        }
        l.within("bars.length_mm", self.bars.length_mm, 10.0, 30_000.0, "mm")?;
        l.within("bars.straightness_mm_per_m", self.bars.straightness_mm_per_m, 0.0, 20.0, "mm/m")?;
        let half = self.section().half_extent_m() * 1e3;
        l.within("flaws.disc.diameter_mm", self.flaws.disc.diameter_mm, 0.1, half, "mm")?;
        l.within("flaws.disc.skin_mm", self.flaws.disc.skin_mm, 0.0, half * 0.9, "mm")?;
        l.within("flaws.disc.coverage_percent", self.flaws.disc.coverage_percent, 0.0, 100.0, "%")?;
        l.within("flaws.disc.tilt_deg", self.flaws.disc.tilt_deg, 0.0, 45.0, "°")?;
        if let Some(inclusion) = self.flaws.inclusion {
            let (size, share) = (inclusion.diameter_mm, inclusion.coverage_percent);
            l.within("flaws.inclusion.diameter_mm", size, 0.1, half, "mm")?;
            l.within("flaws.inclusion.coverage_percent", share, 0.0, 100.0, "%")?;
        }
        if let Some(pipe) = self.flaws.pipe {
            l.within("flaws.pipe.diameter_mm", pipe.diameter_mm, 0.1, half, "mm")?;
            l.within("flaws.pipe.within_mm", pipe.within_mm, 0.0, half / 2.0, "mm")?;
            l.within("flaws.pipe.coverage_percent", pipe.coverage_percent, 0.0, 100.0, "%")?;
        }
        if let Some(crack) = self.flaws.crack {
            l.within("flaws.crack.depth_mm", crack.depth_mm, 0.05, half, "mm")?;
            l.within("flaws.crack.coverage_percent", crack.coverage_percent, 0.0, 100.0, "%")?;
        }
        l.within("flaws.shortest_mm", self.flaws.shortest_mm, 0.1, self.bars.length_mm, "mm")?;
        l.within("cut.shortest_mm", self.cut.shortest_mm, 1.0, self.bars.length_mm, "mm")?;
        l.within("cut.kerf_mm", self.cut.kerf_mm, 0.0, 50.0, "mm")?;
        lengths::check(&l, &self.cut, &self.bars)
    }

    /// The section in SI.
    #[must_use]
    pub fn section(&self) -> Section {
        match self.section {
            SectionSpec::Round(r) => Section::Round { radius_m: r.diameter_mm / 2e3 },
            SectionSpec::Square(s) => Section::Square {
                side_m: s.side_mm / 1e3,
                corner_radius_m: s.corner_radius_mm / 1e3,
            },
            SectionSpec::Flat(f) => Section::Flat { thickness_m: f.thickness_mm / 1e3 },
        }
    }

    /// The steel as an elastic solid.
    ///
    /// # Errors
    /// The wave crate's reason when the velocities cannot belong together.
    pub fn solid(&self) -> barwright_wave::Result<Solid> {
        Solid::new(self.steel.longitudinal_m_s, self.steel.shear_m_s, self.steel.density_kg_m3)
    }

    /// Hash of the meaning of the order: of its canonical JSON, so that comments and layout of the
    /// written text do not matter.
    #[must_use]
    pub fn hash(&self) -> Hash {
        Hash::of_meaning(self)
    }
}
