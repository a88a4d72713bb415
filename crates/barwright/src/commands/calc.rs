//! `calc`: pocket calculations with units in the answer and the source named.

use std::fmt::Write as _;

use barwright_wave::estimate::{self, Aperture, Way};
use barwright_wave::{Fluid, Solid, interface, water};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// The trade's pocket calculations, with units and the source of each formula.
///
/// For a first idea of a technique; proofs compute the field instead. Every answer names its
/// formula, where it comes from and where it holds.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    question: Question,
}

/// Water and steel of a question.
#[derive(Debug, Clone, Copy, clap::Args)]
struct Media {
    /// Water temperature in °C.
    #[arg(long, default_value_t = 20.0)]
    water_c: f64,
    /// Longitudinal velocity of the steel in m/s.
    #[arg(long, default_value_t = 5920.0)]
    longitudinal_m_s: f64,
    /// Shear velocity of the steel in m/s.
    #[arg(long, default_value_t = 3255.0)]
    shear_m_s: f64,
    /// Density of the steel in kg/m³.
    #[arg(long, default_value_t = 7850.0)]
    density_kg_m3: f64,
}

impl Media {
    fn water(&self) -> Result<Fluid, Failure> {
        Ok(water::water(self.water_c)?)
    }

    fn steel(&self) -> Result<Solid, Failure> {
        Ok(Solid::new(self.longitudinal_m_s, self.shear_m_s, self.density_kg_m3)?)
    }
}

#[derive(Debug, Subcommand)]
enum Question {
    /// Sound velocity, density and absorption of water.
    Water {
        /// Temperature in °C, 0 to 95.
        #[arg(long)]
        temperature_c: f64,
        /// Frequency in MHz, for the absorption.
        #[arg(long, default_value_t = 5.0)]
        frequency_mhz: f64,
    },
    /// Refracted and critical angles from water into steel.
    Refraction {
        /// Incidence in degrees.
        #[arg(long, conflicts_with = "shear_deg", required_unless_present = "shear_deg")]
        incidence_deg: Option<f64>,
        /// Wanted shear angle in degrees; gives the incidence.
        #[arg(long)]
        shear_deg: Option<f64>,
        #[command(flatten)]
        media: Media,
    },
    /// Reflection and transmission of a plane wave from water into steel.
    Interface {
        /// Incidence in degrees.
        #[arg(long)]
        incidence_deg: f64,
        #[command(flatten)]
        media: Media,
    },
    /// Wavelengths in water and steel.
    Wavelength {
        /// Frequency in MHz.
        #[arg(long)]
        frequency_mhz: f64,
        #[command(flatten)]
        media: Media,
    },
    /// Near field and beam spread of a single aperture.
    Beam {
        /// Diameter, or side of a rectangle, in mm.
        #[arg(long)]
        size_mm: f64,
        /// Other side of a rectangle in mm; a disc if not given.
        #[arg(long)]
        other_mm: Option<f64>,
        /// Frequency in MHz.
        #[arg(long)]
        frequency_mhz: f64,
        /// Velocity of the material in m/s.
        #[arg(long)]
        velocity_m_s: f64,
    },
    /// Grating lobes of an array, and the largest pitch without them.
    Grating {
        /// Pitch in mm.
        #[arg(long)]
        pitch_mm: f64,
        /// Frequency in MHz.
        #[arg(long)]
        frequency_mhz: f64,
        /// Steering in degrees.
        #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
        steer_deg: f64,
        /// Velocity in front of the array in m/s.
        #[arg(long)]
        velocity_m_s: f64,
    },
    /// Effect of the electronics' delay step.
    Delay {
        /// Step in ns.
        #[arg(long)]
        step_ns: f64,
        /// Frequency in MHz.
        #[arg(long)]
        frequency_mhz: f64,
        /// Elements in the aperture.
        #[arg(long)]
        elements: usize,
    },
    /// Disc, side-drilled hole and back wall against each other, far field.
    Reflector {
        /// Diameter of a disc (flat-bottomed hole) in mm.
        #[arg(long, conflicts_with = "hole_mm", required_unless_present = "hole_mm")]
        disc_mm: Option<f64>,
        /// Diameter of a side-drilled hole in mm.
        #[arg(long)]
        hole_mm: Option<f64>,
        /// Path in the material in mm.
        #[arg(long)]
        path_mm: f64,
        /// Frequency in MHz.
        #[arg(long)]
        frequency_mhz: f64,
        /// Velocity of the material in m/s.
        #[arg(long, default_value_t = 5920.0)]
        velocity_m_s: f64,
    },
    /// Least water path that keeps the second surface echo behind the far wall.
    WaterPath {
        /// Diameter or side in mm.
        #[arg(long)]
        thickness_mm: f64,
        #[command(flatten)]
        media: Media,
    },
    /// Offset of a probe from the bar's axis for a refracted angle.
    Offset {
        /// Diameter of the bar in mm.
        #[arg(long)]
        diameter_mm: f64,
        /// Wanted shear angle in degrees.
        #[arg(long)]
        shear_deg: f64,
        #[command(flatten)]
        media: Media,
    },
    /// Way of the bar between two shots, or the speed for shots on a length.
    Spacing {
        /// Shots of one beam per second.
        #[arg(long)]
        shots_per_s: f64,
        /// Line speed in m/s.
        #[arg(long, conflicts_with = "length_mm", required_unless_present = "length_mm")]
        speed_m_s: Option<f64>,
        /// Length on which shots must fall, in mm (beam width, or beam width and flaw).
        #[arg(long)]
        length_mm: Option<f64>,
        /// Shots that must fall on that length.
        #[arg(long, default_value_t = 3)]
        shots: usize,
    },
}

/// An answer.
#[derive(Debug, Serialize)]
struct Answer {
    values: Vec<Value>,
    formula: &'static str,
    source: &'static str,
    holds: &'static str,
}

#[derive(Debug, Serialize)]
struct Value {
    name: String,
    value: f64,
    unit: &'static str,
}

fn value(name: impl Into<String>, value: f64, unit: &'static str) -> Value {
    Value { name: name.into(), value, unit }
}

/// Answers.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let answer = answer(&args.question)?;
    let width = answer.values.iter().map(|v| v.name.chars().count()).max().unwrap_or(0);
    let mut text = String::new();
    for v in &answer.values {
        let _ = writeln!(text, "{:width$}  {:>12.4} {}", v.name, v.value, v.unit);
    }
    let _ =
        writeln!(text, "\n{}\nsource: {}\nholds: {}", answer.formula, answer.source, answer.holds);
    bench.answer(&text, &answer)?;
    Ok(Outcome::Good)
}

/// dB of an amplitude ratio.
fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

fn answer(question: &Question) -> Result<Answer, Failure> {
    Ok(match *question {
        Question::Water { temperature_c, frequency_mhz } => Answer {
            values: vec![
                value("sound velocity", water::sound_velocity_m_s(temperature_c)?, "m/s"),
                value("density", water::density_kg_m3(temperature_c)?, "kg/m³"),
                value(
                    format!("absorption at {frequency_mhz} MHz, one way"),
                    estimate::water_absorption_np_m(frequency_mhz * 1e6)? * 20.0
                        / std::f64::consts::LN_10,
                    "dB/m (20 °C)",
                ),
            ],
            formula: "polynomials in the temperature; absorption 25.3e-15 f² Np/m",
            source: "velocity Marczak 1997; density Kell 1975; absorption Pinkerton 1949 (20 °C)",
            holds: "pure water at atmospheric pressure, 0 to 95 °C; absorption near 20 °C",
        },
        Question::Refraction { incidence_deg, shear_deg, media } => {
            refraction(incidence_deg, shear_deg, media)?
        }
        Question::Interface { incidence_deg, media } => plane_wave(incidence_deg, media)?,
        Question::Wavelength { frequency_mhz, media } => {
            let (fluid, steel, f) = (media.water()?, media.steel()?, frequency_mhz * 1e6);
            let mm = |c| Ok::<f64, Failure>(estimate::wavelength_m(c, f)? * 1e3);
            Answer {
                values: vec![
                    value("in water", mm(fluid.velocity_m_s)?, "mm"),
                    value("longitudinal in steel", mm(steel.longitudinal_m_s)?, "mm"),
                    value("shear in steel", mm(steel.shear_m_s)?, "mm"),
                ],
                formula: "λ = c / f",
                source: "closed form",
                holds: "always",
            }
        }
        Question::Beam { size_mm, other_mm, frequency_mhz, velocity_m_s } => {
            beam(size_mm, other_mm, frequency_mhz, velocity_m_s)?
        }
        Question::Grating { pitch_mm, frequency_mhz, steer_deg, velocity_m_s } => {
            let wavelength = estimate::wavelength_m(velocity_m_s, frequency_mhz * 1e6)?;
            let steer = steer_deg.to_radians();
            let mut values: Vec<Value> =
                estimate::grating_lobes(pitch_mm / 1e3, wavelength, steer)?
                    .iter()
                    .map(|l| {
                        value(
                            format!("grating lobe of order {}", l.order),
                            l.angle_rad.to_degrees(),
                            "deg",
                        )
                    })
                    .collect();
            values.push(value("grating lobes in real space", values.len() as f64, ""));
            values.push(value(
                "largest pitch without any",
                estimate::largest_lobe_free_pitch_m(wavelength, steer)? * 1e3,
                "mm",
            ));
            Answer {
                values,
                formula: "sin θ = sin θ steer - m λ / pitch; none if pitch ≤ λ / (1 + |sin θ steer|)",
                source: "Schmerr, Fundamentals of Ultrasonic Phased Arrays, 2015",
                holds: "long pulses and many elements; short pulses weaken the lobes",
            }
        }
        Question::Delay { step_ns, frequency_mhz, elements } => {
            let loss = estimate::delay_rounding(step_ns / 1e9, frequency_mhz * 1e6, elements)?;
            Answer {
                values: vec![
                    value("largest phase error", loss.largest_rad.to_degrees(), "deg"),
                    value("rms phase error", loss.rms_rad.to_degrees(), "deg"),
                    value("loss at the focus re exact delays", loss.loss_db, "dB"),
                    value("mean random side lobes re focus", loss.side_lobes_db, "dB"),
                ],
                formula: "π f q; 2π f q / √12; -20 log10 sinc(f q); rms² / N",
                source: "closed form for errors spread evenly over the step",
                holds: "a step is a resolution: jitter and offsets of the electronics come on top",
            }
        }
        Question::Reflector { disc_mm, hole_mm, path_mm, frequency_mhz, velocity_m_s } => {
            let wavelength = estimate::wavelength_m(velocity_m_s, frequency_mhz * 1e6)?;
            let path = path_mm / 1e3;
            let (disc, hole) = match (disc_mm, hole_mm) {
                (Some(disc), _) => {
                    (disc / 1e3, estimate::hole_equal_to_disc_m(disc / 1e3, wavelength, path)?)
                }
                (None, hole) => {
                    let hole = hole.unwrap_or(f64::NAN) / 1e3;
                    (estimate::disc_equal_to_hole_m(hole, wavelength, path)?, hole)
                }
            };
            Answer {
                values: vec![
                    value("disc diameter", disc * 1e3, "mm"),
                    value("side-drilled hole of equal echo", hole * 1e3, "mm"),
                    value(
                        "disc re back wall at the same path",
                        estimate::disc_over_backwall_db(disc, wavelength, path)?,
                        "dB",
                    ),
                ],
                formula: "d² = (λ/π) √(2 D s); disc over back wall π d² / (2 λ s)",
                source: "distance-gain-size laws, Krautkrämer 1990; hole against disc recalled from EN 583-2 (from memory)",
                holds: "far field; holes from about 1.5 wavelengths, paths over 0.7 near fields",
            }
        }
        Question::WaterPath { thickness_mm, media } => {
            let (fluid, steel) = (media.water()?, media.steel()?);
            let path = estimate::minimum_water_path_m(
                thickness_mm / 1e3,
                fluid.velocity_m_s,
                steel.longitudinal_m_s,
            )?;
            Answer {
                values: vec![value("least water path", path * 1e3, "mm")],
                formula: "W = D · c water / c longitudinal",
                source: "Hull and John, Non-Destructive Testing, 1988 (rule); closed form",
                holds: "normal incidence; add the surface echo's own length and the position tolerance",
            }
        }
        Question::Offset { diameter_mm, shear_deg, media } => {
            offset(diameter_mm, shear_deg, media)?
        }
        Question::Spacing { shots_per_s, speed_m_s, length_mm, shots } => {
            let values = match (speed_m_s, length_mm) {
                (Some(speed), _) => vec![value(
                    "way between two shots",
                    estimate::pulse_spacing_m(speed, shots_per_s)? * 1e3,
                    "mm",
                )],
                (None, length) => {
                    let length = length.unwrap_or(f64::NAN) / 1e3;
                    vec![value(
                        "highest line speed",
                        estimate::line_speed_m_s(length, shots_per_s, shots)?,
                        "m/s",
                    )]
                }
            };
            Answer {
                values,
                formula: "spacing = speed / shots per second",
                source: "closed form; three shots per beam width is common practice, no source",
                holds: "shots of one beam, evenly spaced",
            }
        }
    })
}

fn refraction(
    incidence_deg: Option<f64>,
    shear_deg: Option<f64>,
    media: Media,
) -> Result<Answer, Failure> {
    let (fluid, steel) = (media.water()?, media.steel()?);
    let c = fluid.velocity_m_s;
    let incidence = match (incidence_deg, shear_deg) {
        (Some(deg), _) => deg.to_radians(),
        (None, deg) => estimate::incidence_for_refraction_rad(
            deg.unwrap_or(f64::NAN).to_radians(),
            c,
            steel.shear_m_s,
        )?,
    };
    let critical = interface::critical_angles(&fluid, &steel);
    let mut values = vec![value("incidence", incidence.to_degrees(), "deg")];
    for (name, velocity) in [("longitudinal", steel.longitudinal_m_s), ("shear", steel.shear_m_s)] {
        // Beyond its critical angle a wave has no angle; it is left out of the list.
        if let Some(angle) = interface::refracted(c, velocity, incidence) {
            values.push(value(format!("refracted {name}"), angle.to_degrees(), "deg"));
        }
    }
    for (name, angle) in
        [("longitudinal", critical.longitudinal_rad), ("shear", critical.shear_rad)]
    {
        if let Some(angle) = angle {
            values.push(value(format!("critical incidence {name}"), angle.to_degrees(), "deg"));
        }
    }
    Ok(Answer {
        values,
        formula: "sin α / c water = sin β / c steel",
        source: "Snell's law",
        holds: "plane waves; a wave beyond its critical angle is not listed",
    })
}

fn plane_wave(incidence_deg: f64, media: Media) -> Result<Answer, Failure> {
    let (fluid, steel) = (media.water()?, media.steel()?);
    let w = interface::plane_wave(&fluid, &steel, incidence_deg.to_radians())?;
    let mut values = vec![
        value("reflected pressure |R|", w.reflected.norm(), ""),
        value("transmitted longitudinal |T_L|", w.transmitted_l.norm(), ""),
        value("transmitted shear |T_S|", w.transmitted_s.norm(), ""),
    ];
    for (name, energy) in ["reflected", "longitudinal", "shear"].iter().zip(w.energy) {
        values.push(value(format!("energy {name}"), energy * 100.0, "%"));
        if energy > 0.0 {
            values.push(value(format!("energy {name} re incident"), db(energy.sqrt()), "dB"));
        }
    }
    Ok(Answer {
        values,
        formula: "fluid over elastic half-space; P_L = -(λ+2μ) div u, P_S = μ (curl u)_z, over incident pressure",
        source: "Krautkrämer 1990, appendix; Schmerr 2016, plane waves at an interface",
        holds: "plane waves on a flat interface; beyond a critical angle the modulus is that of the evanescent wave",
    })
}

fn beam(
    size_mm: f64,
    other_mm: Option<f64>,
    frequency_mhz: f64,
    velocity_m_s: f64,
) -> Result<Answer, Failure> {
    let wavelength = estimate::wavelength_m(velocity_m_s, frequency_mhz * 1e6)?;
    let size = size_mm / 1e3;
    let (shape, long, aspect) = match other_mm {
        None => (Aperture::Circular, size, 1.0),
        Some(other) => {
            let other = other / 1e3;
            (Aperture::Rectangular, size.max(other), size.min(other) / size.max(other))
        }
    };
    let mut values = vec![
        value("wavelength", wavelength * 1e3, "mm"),
        value("near field", estimate::near_field_m(shape, long, aspect, wavelength)? * 1e3, "mm"),
    ];
    for (way, name) in [(Way::PulseEcho, "echo"), (Way::OneWay, "field")] {
        for drop in [6.0, 20.0] {
            let angle = estimate::beam_half_angle_rad(shape, way, drop, size, wavelength)?;
            values.push(value(
                format!("half angle, {name} -{drop} dB re axis"),
                angle.to_degrees(),
                "deg",
            ));
        }
    }
    Ok(Answer {
        values,
        formula: "N = k D² / (4 λ); sin θ = k λ / D",
        source: "Krautkrämer 1990; constants from the directivity of disc and strip",
        holds: "far field of an unfocused aperture in one material",
    })
}

fn offset(diameter_mm: f64, shear_deg: f64, media: Media) -> Result<Answer, Failure> {
    let (fluid, steel) = (media.water()?, media.steel()?);
    let radius = diameter_mm / 2e3;
    let at = estimate::probe_offset_m(
        radius,
        shear_deg.to_radians(),
        fluid.velocity_m_s,
        steel.shear_m_s,
    )?;
    let mut values = vec![
        value("offset from the axis", at * 1e3, "mm"),
        value("offset over radius", at / radius, ""),
        value(
            "closest approach of the ray to the axis",
            radius * shear_deg.to_radians().sin() * 1e3,
            "mm",
        ),
    ];
    if let Some(window) = estimate::shear_only_offsets(radius, &fluid, &steel)? {
        values.push(value("shear only from", window.from_m * 1e3, "mm"));
        values.push(value("shear only to", window.to_m * 1e3, "mm"));
    }
    Ok(Answer {
        values,
        formula: "offset = R sin α, sin α = (c water / c shear) sin β",
        source: "Snell's law on a circle",
        holds: "a narrow beam parallel to the probe's axis",
    })
}
