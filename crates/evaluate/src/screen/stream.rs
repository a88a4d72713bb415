//! The first reading of a bar: shots to peaks, as they come.

use barwright_capture::{CaptureKind, Header, KeptAscan, Peaks, ShotRun, Signal};
use barwright_job::{Finding, Rules, Sealed, Technique, Topic, level::Level};

use super::{
    alarm::{Alarm, AlarmWatch},
    keep::{Keeper, MOST_KEPT, Retention},
};
use crate::{
    coupling::alarms,
    error::{EvaluateError, Result},
    reading::{demand_capture, demand_level},
    scan::Scan,
};

/// What a run of shots gave.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Seen {
    /// Peaks of every shot and gate, to be handed to a [`super::Review`] in the same order.
    pub peaks: Peaks,
    /// A-scans to keep.
    pub kept: Vec<KeptAscan>,
    /// Alarms that the run completed.
    pub alarms: Vec<Alarm>,
}

/// A bar while it runs. It keeps a few kilobytes for each beam, however long the bar.
#[derive(Debug, Clone)]
pub struct Stream {
    rules: Rules,
    header: Header,
    scan: Scan,
    alarms: AlarmWatch,
    keeper: Keeper,
    /// Beams whose last shot was not coupled: only the first of a run is kept.
    uncoupled: Vec<bool>,
}

impl Stream {
    /// Starts a bar. Only a still capture may be screened without a level.
    ///
    /// # Errors
    /// [`EvaluateError::OtherOrigin`] for a capture or level of another technique or a capture
    /// taken with another level, [`EvaluateError::WrongCapture`] for a capture of the reference
    /// bar, and for one whose record or gains do not fit.
    pub fn new(
        technique: &Sealed<Technique>,
        level: Option<&Sealed<Level>>,
        rules: &Rules,
        header: &Header,
        signal: Signal,
        retention: Retention,
    ) -> Result<Self> {
        demand(technique, level, header)?;
        let body = &technique.body;
        Ok(Self {
            rules: rules.clone(),
            header: header.clone(),
            scan: Scan::new(body, signal),
            alarms: AlarmWatch::new(body, rules),
            keeper: Keeper::new(retention, body.beams.len(), header.record.first_sample_s),
            uncoupled: vec![false; body.beams.len()],
        })
    }

    /// Reads a run of shots; how a bar is cut into runs does not matter.
    ///
    /// # Errors
    /// [`EvaluateError::Shots`] when the run does not hold together; nothing of it then counts.
    pub fn read(&mut self, shots: &ShotRun<'_>) -> Result<Seen> {
        let peaks = self.scan.read(shots)?;
        let technique = self.scan.technique();
        let alarms_now = self.alarms.watch(technique, &self.rules, &peaks);
        let end_m = technique.unguided_end_m;
        let mut wanted = Vec::with_capacity(peaks.lines.len());
        for (line, echoes) in peaks.shots() {
            let alarm = alarms(technique, line, echoes);
            // Coupling at the ends is lost by nature and tells nothing.
            let guided = (end_m..=self.header.length_m - end_m).contains(&line.z_m);
            let first_lost = guided && !line.coupled && !self.uncoupled[line.beam as usize];
            self.uncoupled[line.beam as usize] = guided && !line.coupled;
            wanted.push(alarm || first_lost);
        }
        let kept = self.keeper.keep(shots, |i| wanted[i]);
        Ok(Seen { peaks, kept, alarms: alarms_now })
    }

    /// Number of beams whose last shot found no coupling between the bar's ends.
    #[must_use]
    pub fn uncoupled_beams(&self) -> usize {
        self.uncoupled.iter().filter(|&&u| u).count()
    }

    /// What was noticed besides the peaks.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let missed = self.keeper.missed;
        let text = format!(
            "{MOST_KEPT} A-scans around alarms and lost coupling are kept, not {missed} more; their peaks are"
        );
        if missed > 0 { vec![Finding::new(Topic::Assumed, text)] } else { Vec::new() }
    }
}

/// Demands that a header's bar can be screened with a technique and level.
pub(super) fn demand(
    technique: &Sealed<Technique>,
    level: Option<&Sealed<Level>>,
    header: &Header,
) -> Result<()> {
    let wanted = "a bar of the order at line speed, or still";
    let kinds = [CaptureKind::Production, CaptureKind::Still];
    demand_capture("screening", &kinds, wanted, technique, header)?;
    match level {
        Some(level) => {
            level.demand("level", "technique", &technique.hash)?;
            let gains: Vec<f64> = level.body.beams.iter().map(|b| b.gain_db).collect();
            demand_level(header, &level.hash, &gains)?;
        }
        None if header.kind != CaptureKind::Still => {
            return Err(EvaluateError::WrongCapture {
                judge: "screening without a level",
                found: header.kind,
                wanted: "a still capture",
            });
        }
        None => {}
    }
    Ok(())
}
