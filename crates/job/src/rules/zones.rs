//! What follows from a flaw: zones of the bar, and in each zone classes by size.
//!
//! A zone says where and of which flaws it speaks: volume or surface, sections, depths, points or
//! extended flaws. Its classes follow each other by size from nothing to any size, so that every
//! indication falls into one class of one zone.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{error::Result, limits::Limits, proof::FlawClass};

/// A zone of the bar with its classes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Zone {
    /// Name, unique among the zones.
    pub name: String,
    /// Flaws it speaks of.
    pub flaws: FlawsOf,
    /// Only points or only extended flaws; absent: both.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extent: Option<Extent>,
    /// Sections it speaks of, diameter, side or thickness in mm: over the first, up to the second.
    /// Absent: all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub section_mm: Option<[f64; 2]>,
    /// Depth under the surface from which it reaches, in mm; absent: 0. Volume only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_depth_mm: Option<f64>,
    /// Depth to which it reaches, in mm; absent: to the middle. Volume only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_depth_mm: Option<f64>,
    /// Classes, the smallest flaws first.
    #[serde(rename = "class", default)]
    pub classes: Vec<Class>,
}

/// Flaws that a zone speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FlawsOf {
    /// Flaws of the volume, sized as equivalent disc.
    Volume,
    /// Cracks and other flaws of the surface, sized as equivalent crack depth.
    Surface,
}

impl FlawsOf {
    /// The flaw class in which echoes are told apart.
    #[must_use]
    pub fn class(self) -> FlawClass {
        match self {
            Self::Volume => FlawClass::Disc,
            Self::Surface => FlawClass::Crack,
        }
    }
}

/// Whether an indication is longer along the bar than a beam can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Extent {
    /// Not longer than the beam is wide at -6 dB.
    Point,
    /// Longer.
    Extended,
}

/// A class of flaws by size, and what follows from one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Class {
    /// Name, unique within the zone.
    pub name: String,
    /// Sizes over this, in mm; absent in the first class of a zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_mm: Option<f64>,
    /// Sizes up to this, in mm; absent in the last class of a zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub up_to_mm: Option<f64>,
    /// As `over_mm`, in percent of the section's diameter, side or thickness.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_percent_of_section: Option<f64>,
    /// As `up_to_mm`, in percent of the section's diameter, side or thickness.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub up_to_percent_of_section: Option<f64>,
    /// What follows from a flaw of this class.
    pub action: Action,
    /// Longest accepted flaw along the bar, in mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub longest_mm: Option<f64>,
    /// Most accepted flaws of this class within any metre of the bar.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_per_m: Option<u32>,
    /// Most accepted flaws of this class in a bar.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_per_bar: Option<u32>,
    /// Least distance along the bar between two flaws of this class, in mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_apart_mm: Option<f64>,
    /// What follows from flaws that keep the size but not one of these limits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beyond: Option<Action>,
}

/// What follows from a flaw.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// It is recorded and stays in the bar.
    Accept,
    /// Its stretch is cut out.
    Crop,
    /// The bar is held for a decision.
    Hold,
    /// The bar is rejected whole.
    Reject,
}

impl Action {
    /// In one word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::Crop => "crop",
            Self::Hold => "hold",
            Self::Reject => "reject",
        }
    }

    /// What must not fall with the size. Crop and hold weigh the same: which is the harder one is
    /// a matter of the mill.
    fn weight(self) -> u8 {
        match self {
            Self::Accept => 0,
            Self::Crop | Self::Hold => 1,
            Self::Reject => 2,
        }
    }
}

impl Class {
    fn has_limits(&self) -> bool {
        self.longest_mm.is_some()
            || self.most_per_m.is_some()
            || self.most_per_bar.is_some()
            || self.least_apart_mm.is_some()
    }

    /// Lower and upper bound, and whether they are percent of the section.
    pub(super) fn bounds(&self) -> (Option<f64>, Option<f64>, bool) {
        let percent =
            self.over_percent_of_section.is_some() || self.up_to_percent_of_section.is_some();
        if percent {
            (self.over_percent_of_section, self.up_to_percent_of_section, true)
        } else {
            (self.over_mm, self.up_to_mm, false)
        }
    }
}

/// Largest section and depth that a zone may speak of, in mm.
const LARGEST_MM: f64 = 1000.0;

/// Checks zones: values, then that they leave nothing out and say nothing twice.
pub(super) fn check(l: &Limits<'_>, zones: &[Zone]) -> Result<()> {
    for (i, zone) in zones.iter().enumerate() {
        let key = |name: &str| format!("zone[{i}].{name}");
        l.named(&key("name"), &zone.name)?;
        if zones[..i].iter().any(|z| z.name == zone.name) {
            return Err(l.impossible(&key("name"), &zone.name, "another zone has this name"));
        }
        if let Some([over, up_to]) = zone.section_mm {
            l.within(&key("section_mm"), over, 0.0, LARGEST_MM, "mm")?;
            l.within(&key("section_mm"), up_to, over, LARGEST_MM, "mm")?;
            if over >= up_to {
                let expected = "over the first, up to the second: the second must be larger";
                return Err(l.impossible(
                    &key("section_mm"),
                    format!("[{over}, {up_to}]"),
                    expected,
                ));
            }
        }
        if zone.flaws == FlawsOf::Surface {
            for (name, depth) in
                [("from_depth_mm", zone.from_depth_mm), ("to_depth_mm", zone.to_depth_mm)]
            {
                if let Some(depth) = depth {
                    let expected = "flaws of the surface have no depth at which they lie";
                    return Err(l.impossible(&key(name), format!("{depth} mm"), expected));
                }
            }
        }
        let from = zone.from_depth_mm.unwrap_or(0.0);
        l.within(&key("from_depth_mm"), from, 0.0, LARGEST_MM, "mm")?;
        if let Some(to) = zone.to_depth_mm {
            l.within(&key("to_depth_mm"), to, from, LARGEST_MM, "mm")?;
        }
        classes(l, i, zone)?;
    }
    tiled(l, zones)
}

fn classes(l: &Limits<'_>, i: usize, zone: &Zone) -> Result<()> {
    let Some(last) = zone.classes.len().checked_sub(1) else {
        return Err(l.impossible(
            &format!("zone[{i}].class"),
            "empty",
            "a zone has at least one class",
        ));
    };
    let mut reached: Option<f64> = None;
    let mut in_percent = None;
    let mut weight = 0;
    for (k, class) in zone.classes.iter().enumerate() {
        let key = |name: &str| format!("zone[{i}].class[{k}].{name}");
        l.named(&key("name"), &class.name)?;
        if zone.classes[..k].iter().any(|c| c.name == class.name) {
            return Err(l.impossible(&key("name"), &class.name, "another class has this name"));
        }
        let (over, up_to, percent) = class.bounds();
        let unit = if percent { "% of the section" } else { "mm" };
        let (over_key, up_to_key) = if percent {
            (key("over_percent_of_section"), key("up_to_percent_of_section"))
        } else {
            (key("over_mm"), key("up_to_mm"))
        };
        if percent && (class.over_mm.is_some() || class.up_to_mm.is_some()) {
            let expected = "one class has either mm or percent of the section, not both";
            return Err(l.impossible(&over_key, "percent beside mm", expected));
        }
        if (over.is_some() || up_to.is_some()) && *in_percent.get_or_insert(percent) != percent {
            let expected = "classes of one zone share one unit, else none can say that they meet";
            return Err(l.impossible(&over_key, format!("in {unit}"), expected));
        }
        match (reached, over) {
            (None, None) => {}
            (None, Some(0.0)) => {}
            (None, Some(v)) => {
                let expected =
                    format!("the smallest class begins at 0; flaws up to {v} {unit} have no class");
                return Err(l.impossible(&over_key, format!("{v} {unit}"), expected));
            }
            (Some(r), Some(v)) if v == r => {}
            (Some(r), Some(v)) => {
                let what = if v > r { "a gap" } else { "an overlap" };
                let expected = format!(
                    "the class before it ends at {r} {unit}: {what} of {:.3} {unit}",
                    (v - r).abs()
                );
                return Err(l.impossible(&over_key, format!("{v} {unit}"), expected));
            }
            (Some(r), None) => {
                let expected =
                    format!("say where it begins: the class before it ends at {r} {unit}");
                return Err(l.impossible(&over_key, "absent", expected));
            }
        }
        match up_to {
            Some(v) if k == last => {
                let expected = format!(
                    "the last class has no upper bound; flaws over {v} {unit} have no class"
                );
                return Err(l.impossible(&up_to_key, format!("{v} {unit}"), expected));
            }
            Some(v) => {
                let low = reached.unwrap_or(0.0);
                let top = if percent { 100.0 } else { LARGEST_MM };
                l.within(&up_to_key, v, low, top, unit)?;
                if v <= low {
                    let expected = format!("it must be larger than {low}, where the class begins");
                    return Err(l.impossible(&up_to_key, format!("{v} {unit}"), expected));
                }
                reached = Some(v);
            }
            None if k < last => {
                let expected = "only the last class has no upper bound";
                return Err(l.impossible(&up_to_key, "absent", expected));
            }
            None => {}
        }
        if class.action.weight() < weight {
            let expected = "a larger flaw cannot have a milder consequence than a smaller one";
            return Err(l.impossible(&key("action"), class.action.word(), expected));
        }
        weight = class.action.weight();
        limits(l, &key, class)?;
    }
    Ok(())
}

fn limits(l: &Limits<'_>, key: &impl Fn(&str) -> String, class: &Class) -> Result<()> {
    for (name, value) in
        [("longest_mm", class.longest_mm), ("least_apart_mm", class.least_apart_mm)]
    {
        if let Some(v) = value {
            l.within(&key(name), v, 0.1, 30_000.0, "mm")?;
        }
    }
    match class.beyond {
        None if class.has_limits() => {
            let expected = "say what follows from flaws beyond the limits of this class";
            Err(l.impossible(&key("beyond"), "absent", expected))
        }
        Some(a) if !class.has_limits() => {
            let expected = "the class has no limit (longest_mm, most_per_m, most_per_bar, least_apart_mm) to be beyond";
            Err(l.impossible(&key("beyond"), a.word(), expected))
        }
        Some(a) if a.weight() <= class.action.weight() && class.action != Action::Accept => {
            let expected =
                format!("it must be harder than the action of the class, {}", class.action.word());
            Err(l.impossible(&key("beyond"), a.word(), expected))
        }
        Some(Action::Accept) => {
            let expected = "a limit without consequence is none";
            Err(l.impossible(&key("beyond"), "accept", expected))
        }
        _ => Ok(()),
    }
}

/// Demands that the depths of every section and extent are covered once, where flaws of a kind are
/// spoken of at all.
fn tiled(l: &Limits<'_>, zones: &[Zone]) -> Result<()> {
    for flaws in [FlawsOf::Volume, FlawsOf::Surface] {
        let of: Vec<(usize, &Zone)> =
            zones.iter().enumerate().filter(|(_, z)| z.flaws == flaws).collect();
        for section in sections(&of) {
            for extent in [Extent::Point, Extent::Extended] {
                let mut here: Vec<(usize, &Zone)> = of
                    .iter()
                    .copied()
                    .filter(|(_, z)| z.speaks_of(section) && z.extent.is_none_or(|e| e == extent))
                    .collect();
                here.sort_by(|a, b| {
                    a.1.from_depth_mm.unwrap_or(0.0).total_cmp(&b.1.from_depth_mm.unwrap_or(0.0))
                });
                meet(l, &here, &of, section, extent)?;
            }
        }
    }
    Ok(())
}

impl Zone {
    /// Whether it speaks of a section of a diameter, side or thickness in mm.
    pub(super) fn speaks_of(&self, section_mm: f64) -> bool {
        self.section_mm.is_none_or(|[over, up_to]| over < section_mm && section_mm <= up_to)
    }
}

/// One section out of every stretch of sections within which the same zones speak. Sections of which
/// no zone speaks are left out: such bars are refused when they are judged.
fn sections(zones: &[(usize, &Zone)]) -> Vec<f64> {
    let mut ends: Vec<f64> = zones.iter().filter_map(|(_, z)| z.section_mm).flatten().collect();
    if zones.iter().any(|(_, z)| z.section_mm.is_none()) {
        ends.extend([0.0, LARGEST_MM]);
    }
    ends.sort_by(f64::total_cmp);
    ends.dedup();
    ends.windows(2)
        .map(|w| 0.5 * (w[0] + w[1]))
        .filter(|s| zones.iter().any(|(_, z)| z.speaks_of(*s)))
        .collect()
}

/// Demands that zones, ordered by depth, meet without gap or overlap from the surface to the middle.
fn meet(
    l: &Limits<'_>,
    here: &[(usize, &Zone)],
    of: &[(usize, &Zone)],
    section: f64,
    extent: Extent,
) -> Result<()> {
    let whom = match extent {
        Extent::Point => "point",
        Extent::Extended => "extended",
    };
    let Some(&(first, zone)) = here.first() else {
        let i = of.iter().find(|(_, z)| z.speaks_of(section)).map_or(0, |z| z.0);
        let expected = format!(
            "no zone speaks of {whom} flaws in a section of {section} mm, of others one does"
        );
        return Err(l.impossible(&format!("zone[{i}].extent"), "given", expected));
    };
    let start = zone.from_depth_mm.unwrap_or(0.0);
    if start > 0.0 {
        let expected = format!("no zone speaks of {whom} flaws from 0 to {start} mm of depth");
        return Err(l.impossible(
            &format!("zone[{first}].from_depth_mm"),
            format!("{start} mm"),
            expected,
        ));
    }
    for pair in here.windows(2) {
        let ((_, above), (i, below)) = (pair[0], pair[1]);
        let from = below.from_depth_mm.unwrap_or(0.0);
        let what = match above.to_depth_mm {
            None => "an overlap".into(),
            Some(to) if to > from => format!("an overlap of {:.3} mm", to - from),
            Some(to) if to < from => format!("a gap of {:.3} mm", from - to),
            Some(_) => continue,
        };
        let expected = format!(
            "zone \"{}\" ends {}: {what} for {whom} flaws in a section of {section} mm",
            above.name,
            above.to_depth_mm.map_or_else(|| "at the middle".into(), |d| format!("at {d} mm")),
        );
        let key = if below.from_depth_mm.is_some() { "from_depth_mm" } else { "name" };
        return Err(l.impossible(&format!("zone[{i}].{key}"), format!("{from} mm"), expected));
    }
    match here.last() {
        Some(&(i, z)) if z.to_depth_mm.is_some() => {
            let to = z.to_depth_mm.unwrap_or_default();
            let expected = format!(
                "no zone speaks of {whom} flaws deeper than {to} mm; leave it out of the deepest zone"
            );
            Err(l.impossible(&format!("zone[{i}].to_depth_mm"), format!("{to} mm"), expected))
        }
        _ => Ok(()),
    }
}
