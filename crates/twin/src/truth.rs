//! The truth: what is in the bars, in SI, for comparison with what was judged.

use barwright_job::{Sealed, Technique, seal::Document};
use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::reflector::{Kind, Reflector};
use crate::scene::{Scene, SceneBar};
use crate::station::round_radius_m;

/// What is in the bars of a scene. Its sources are `scene` and `technique`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Seed of the scene.
    pub seed: u64,
    /// Noise after all gains, rms as a fraction of full screen height.
    pub noise_fsh: f64,
    /// The bars in their order.
    pub bars: Vec<TrueBar>,
}

impl Document for Truth {
    const KIND: &'static str = "truth";
    const FORMAT: u32 = 1;
}

/// What is in one bar.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueBar {
    /// Bar number within the lot.
    pub name: String,
    /// Its flaws along the bar.
    pub flaws: Vec<TrueFlaw>,
    /// Stretches without coupling.
    pub uncoupled: Vec<Uncoupled>,
    /// Where cycles are missing: place along the bar in metres, and how many.
    pub missed: Vec<(f64, u32)>,
}

/// A flaw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueFlaw {
    /// Its kind and size.
    pub kind: Kind,
    /// Distance of the reflecting place from the bar's axis in metres.
    pub radius_m: f64,
    /// Angle around the bar in rad.
    pub angle_rad: f64,
    /// Depth of the reflecting place under the nearest surface in metres.
    pub depth_m: f64,
    /// Start along the bar in metres from the head end.
    pub from_m: f64,
    /// End along the bar.
    pub to_m: f64,
}

/// A stretch without coupling.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Uncoupled {
    /// Probe, counted from 0; absent: all.
    pub probe: Option<u32>,
    /// Start along the bar in metres.
    pub from_m: f64,
    /// End along the bar.
    pub to_m: f64,
}

impl Truth {
    /// The truth of a scene whose bars are inspected with a technique, sealed.
    ///
    /// # Errors
    /// [`crate::TwinError::Section`] for a section that is not round;
    /// [`crate::TwinError::OutOfRange`] for a flaw that does not fit into it.
    pub fn of(scene: &Scene, technique: &Sealed<Technique>) -> Result<Sealed<Self>> {
        let radius_m = round_radius_m(&technique.body)?;
        let truth = Self {
            seed: scene.seed,
            noise_fsh: scene.station.noise_fsh_percent / 100.0,
            bars: scene.bars.iter().map(|bar| TrueBar::of(bar, radius_m)).collect::<Result<_>>()?,
        };
        Ok(Sealed::seal(truth, [("scene", scene.hash()), ("technique", technique.hash.clone())]))
    }
}

impl TrueBar {
    fn of(bar: &SceneBar, bar_radius_m: f64) -> Result<Self> {
        let mut flaws = bar
            .flaws
            .iter()
            .map(|flaw| {
                let r = Reflector::of_flaw(flaw, bar_radius_m)?;
                Ok(TrueFlaw {
                    kind: r.kind,
                    radius_m: r.radius_m,
                    angle_rad: r.angle_rad,
                    depth_m: bar_radius_m - r.radius_m,
                    from_m: r.from_m,
                    to_m: r.to_m,
                })
            })
            .collect::<Result<Vec<_>>>()?;
        flaws.sort_by(|a, b| a.from_m.total_cmp(&b.from_m));
        let uncoupled = bar.coupling_losses.iter().map(|loss| Uncoupled {
            probe: loss.probe,
            from_m: loss.from_mm / 1e3,
            to_m: loss.to_mm / 1e3,
        });
        Ok(Self {
            name: bar.name.clone(),
            flaws,
            uncoupled: uncoupled.collect(),
            missed: bar.missed_cycles.iter().map(|m| (m.at_mm / 1e3, m.cycles)).collect(),
        })
    }
}
