//! What a technique covers when water, temperature, bar or centring are otherwise: what is asked by
//! a form, and the answer. Computed, never kept.

use barwright_phrase::say;
use std::{
    f64::consts::{FRAC_PI_2, PI},
    time::Instant,
};

use barwright_job::{
    Order, Station, Technique, proof::ClassProof, station::Coupling, technique::Section,
};
use barwright_plan::{PlanError, WhatIf, what_if};
use barwright_wave::Point;
use serde::Deserialize;

/// A change as a form sends it: texts, so that a wrong one can be answered.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct Asked {
    water_path_mm: String,
    temperature_c: String,
    diameter_mm: String,
    off_centre_mm: String,
    towards: String,
    /// Whether only the answer is wanted, to be put into a page that stands.
    pub part: Option<String>,
}

/// One thing that can be otherwise: a slider.
#[derive(Debug, Clone, PartialEq)]
pub struct Slider {
    /// Its name in a form.
    pub key: &'static str,
    /// In words.
    pub name: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// Smallest value, largest value, step.
    pub range: [f64; 3],
    /// As planned.
    pub planned: f64,
    /// As asked.
    pub asked: f64,
    /// Why what was sent cannot be used.
    pub wrong: Option<String>,
}

impl Slider {
    /// Decimals of its values.
    #[must_use]
    pub fn decimals(&self) -> usize {
        if self.range[2] < 0.1 { 2 } else { usize::from(self.range[2] < 1.0) }
    }

    fn asked(mut self, text: &str) -> Self {
        if text.trim().is_empty() {
            return self;
        }
        let [least, most, _] = self.range;
        match text.trim().parse::<f64>() {
            Ok(value) if (least..=most).contains(&value) => self.asked = value,
            Ok(_) => {
                let places = self.decimals();
                self.wrong = Some(say!("choose {least:.places$} to {most:.places$} {}", self.unit));
            }
            Err(_) => self.wrong = Some(say!("this is not a number").into()),
        }
        self
    }
}

/// A change that is asked about: the five sliders.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Water path, temperature, diameter, distance off centre, towards which hour.
    pub sliders: [Slider; 5],
}

/// What the technique covers then.
#[derive(Debug, Clone)]
pub struct Tried {
    /// By class: nominal and worst are the same, because it is one state.
    pub classes: Vec<ClassProof>,
    /// How long it took, in s.
    pub took_s: f64,
}

impl Change {
    /// A change of a technique as a form sent it; what was not sent is as planned. None where the
    /// section is not round or the bars do not stand in water.
    #[must_use]
    pub fn of(technique: &Technique, station: &Station, asked: &Asked) -> Option<Self> {
        let Section::Round { radius_m } = technique.section else {
            return None;
        };
        let Coupling::Water(water) = &station.coupling else {
            return None;
        };
        let slider = |key, name, unit, range, planned: f64, text: &str| {
            Slider { key, name, unit, range, planned, asked: planned, wrong: None }.asked(text)
        };
        let diameter_mm = 2e3 * radius_m;
        // A twentieth either way, in steps that people read.
        let reach_mm = (diameter_mm * 0.5).round() / 10.0;
        let range = [diameter_mm - reach_mm, diameter_mm + reach_mm, 0.05];
        Some(Self {
            sliders: [
                slider(
                    "water_path_mm",
                    say!("probes further out by"),
                    "mm",
                    [-2.0, 2.0, 0.1],
                    0.0,
                    &asked.water_path_mm,
                ),
                slider(
                    "temperature_c",
                    say!("water at"),
                    "°C",
                    [5.0, 45.0, 0.5],
                    water.temperature_c,
                    &asked.temperature_c,
                ),
                slider("diameter_mm", "diameter", "mm", range, diameter_mm, &asked.diameter_mm),
                slider(
                    "off_centre_mm",
                    say!("bar off centre by"),
                    "mm",
                    [0.0, 2.0, 0.05],
                    0.0,
                    &asked.off_centre_mm,
                ),
                slider("towards", "towards", "o'clock", [1.0, 12.0, 1.0], 12.0, &asked.towards),
            ],
        })
    }

    /// Whether everything sent can be used.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.sliders.iter().all(|slider| slider.wrong.is_none())
    }

    /// Whether anything is otherwise than planned.
    #[must_use]
    pub fn is_any(&self) -> bool {
        // The hour alone moves nothing.
        self.sliders[..4].iter().any(|slider| slider.asked != slider.planned)
    }

    fn what(&self) -> WhatIf {
        let [water_path, temperature, diameter, off_centre, towards] = &self.sliders;
        let other = |slider: &Slider| (slider.asked != slider.planned).then_some(slider.asked);
        WhatIf {
            water_path_m: water_path.asked * 1e-3,
            temperature_c: other(temperature),
            diameter_m: other(diameter).map(|mm| mm * 1e-3),
            centre: Point::polar(off_centre.asked * 1e-3, FRAC_PI_2 - towards.asked * PI / 6.0),
        }
    }
}

/// Computes what the technique covers then.
///
/// # Errors
/// As [`what_if`].
pub fn answer(order: &Order, technique: &Technique, change: &Change) -> Result<Tried, PlanError> {
    let begin = Instant::now();
    let classes = what_if(order, technique, &change.what())?;
    Ok(Tried { classes, took_s: begin.elapsed().as_secs_f64() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slider(text: &str) -> Slider {
        Slider {
            key: "water_path_mm",
            name: "",
            unit: "mm",
            range: [-2.0, 2.0, 0.1],
            planned: 0.0,
            asked: 0.0,
            wrong: None,
        }
        .asked(text)
    }

    // Own rule: whatever is sent is answered at its place, and never computed with where it is wrong.
    #[test]
    fn what_cannot_be_used_is_said_and_the_planned_value_stays() {
        assert_eq!(slider(" 1.5 ").asked, 1.5);
        assert_eq!(slider("").asked, 0.0);
        for wrong in ["2.1", "-9", "NaN", "inf", "1e400", "x", "1,5", "<b>"] {
            let s = slider(wrong);
            assert!(s.wrong.is_some() && s.asked == 0.0, "{wrong}: {s:?}");
        }
    }
}
