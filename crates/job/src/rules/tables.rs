//! The rules as they hold for bars of one section, in SI: what a judge reads.

use super::{
    Rules,
    zones::{Action, Class, Extent},
};
use crate::{
    error::{DocumentError, Result},
    proof::FlawClass,
};

/// Classes for flaws of one kind, extent and depth.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// Flaw class whose gates see them.
    pub class: FlawClass,
    /// Only points or only extended flaws; absent: both.
    pub extent: Option<Extent>,
    /// Depth from which it holds, in metres.
    pub from_m: f64,
    /// Depth to which it holds, in metres; infinite for the deepest.
    pub to_m: f64,
    /// Classes by size, the smallest first; they meet, the last has no upper bound.
    pub bands: Vec<Band>,
}

/// A class of flaws by size.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Where the rules say so.
    pub clause: String,
    /// Sizes over this, in metres.
    pub over_m: f64,
    /// Sizes up to this, in metres; infinite in the last one.
    pub up_to_m: f64,
    /// What follows.
    pub action: Action,
    /// What else flaws of this size must keep.
    pub limits: Vec<Limit>,
}

/// What flaws of a class must keep besides their size.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Where the rules say so.
    pub clause: String,
    /// What is limited, and how far.
    pub what: Limited,
    /// What follows from flaws beyond.
    pub beyond: Action,
}

/// A limit with its figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limited {
    /// Length along the bar in metres.
    Length(f64),
    /// Number within any metre.
    PerMetre(u32),
    /// Number in a bar.
    PerBar(u32),
    /// Distance along the bar between two, in metres.
    Apart(f64),
}

impl Rules {
    /// The tables for bars of a diameter, side or thickness in metres.
    ///
    /// # Errors
    /// [`DocumentError::Impossible`] where the rules speak of other sections only.
    pub fn tables(&self, section_m: f64) -> Result<Vec<Table>> {
        if self.zones.is_empty() {
            return Ok(self.plain_tables());
        }
        let section_mm = section_m * 1e3;
        let tables: Vec<Table> = self
            .zones
            .iter()
            .filter(|z| z.speaks_of(section_mm))
            .map(|z| Table {
                class: z.flaws.class(),
                extent: z.extent,
                from_m: z.from_depth_mm.unwrap_or(0.0) / 1e3,
                to_m: z.to_depth_mm.map_or(f64::INFINITY, |d| d / 1e3),
                bands: z.classes.iter().map(|c| band(&z.name, c, section_m)).collect(),
            })
            .collect();
        let missing =
            self.zones.iter().find(|z| !tables.iter().any(|t| t.class == z.flaws.class()));
        if let Some(zone) = missing {
            return Err(DocumentError::Impossible {
                document: format!("rules {} {}", self.rules.name, self.rules.version),
                key: "zone.section_mm".into(),
                value: format!("not {section_mm} mm in any zone like \"{}\"", zone.name),
                expected: "the rules must speak of the section that is judged".into(),
            });
        }
        Ok(tables)
    }

    /// The tables of rules without zones: one limit for the volume, two for the surface.
    fn plain_tables(&self) -> Vec<Table> {
        let whole =
            |class, bands| Table { class, extent: None, from_m: 0.0, to_m: f64::INFINITY, bands };
        let band = |clause: &str, over_mm: f64, up_to_mm: f64, action| Band {
            clause: clause.into(),
            over_m: over_mm / 1e3,
            up_to_m: up_to_mm / 1e3,
            action,
            limits: Vec::new(),
        };
        let mut out = Vec::new();
        if let Some(v) = self.volume {
            let clause = "volume.largest_disc_mm";
            let long = Limit {
                clause: "volume.longest_mm".into(),
                what: Limited::Length(v.longest_mm / 1e3),
                beyond: Action::Crop,
            };
            let mut bands = vec![
                band(clause, 0.0, v.largest_disc_mm, Action::Accept),
                band(clause, v.largest_disc_mm, f64::INFINITY, Action::Crop),
            ];
            bands.iter_mut().for_each(|b| b.limits.push(long.clone()));
            out.push(whole(FlawClass::Disc, bands));
        }
        if let Some(s) = self.surface {
            out.push(whole(
                FlawClass::Crack,
                vec![
                    band("surface.deepest_mm", 0.0, s.deepest_mm, Action::Accept),
                    band("surface.deepest_mm", s.deepest_mm, s.reject_bar_mm, Action::Crop),
                    band("surface.reject_bar_mm", s.reject_bar_mm, f64::INFINITY, Action::Reject),
                ],
            ));
        }
        out
    }
}

fn band(zone: &str, class: &Class, section_m: f64) -> Band {
    let clause = format!("{zone}: {}", class.name);
    let (over, up_to, percent) = class.bounds();
    let metres = |v: f64| if percent { v / 100.0 * section_m } else { v / 1e3 };
    let beyond = class.beyond.unwrap_or(Action::Hold);
    let limit = |key: &str, what| Limit { clause: format!("{clause}, {key}"), what, beyond };
    let limits = [
        class.longest_mm.map(|v| limit("longest_mm", Limited::Length(v / 1e3))),
        class.most_per_m.map(|n| limit("most_per_m", Limited::PerMetre(n))),
        class.most_per_bar.map(|n| limit("most_per_bar", Limited::PerBar(n))),
        class.least_apart_mm.map(|v| limit("least_apart_mm", Limited::Apart(v / 1e3))),
    ];
    Band {
        over_m: over.map_or(0.0, metres),
        up_to_m: up_to.map_or(f64::INFINITY, metres),
        action: class.action,
        limits: limits.into_iter().flatten().collect(),
        clause,
    }
}
