//! Alarms while the bar runs: as soon as enough neighbouring shots or beams agree.

use std::collections::VecDeque;

use barwright_capture::Peaks;
use barwright_job::{Rules, Technique, proof::FlawClass, screened::EchoMark, technique::GateKind};
use barwright_wave::Point;
use serde::Serialize;

use crate::{
    accounting::class_of,
    indications::alarm_fsh,
    place::{link_m, place},
};

/// Most echoes over the alarm that are held for comparison; a bar that shows more at one place
/// alarms anyway.
const MOST_HELD: usize = 256;

/// A place where enough echoes agree that a flaw of the ordered kind is likely. What it is and how
/// large is for the judgement at the bar's end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Alarm {
    /// Flaw class whose gate saw it.
    pub class: FlawClass,
    /// The shot that completed it, counted from the bar's first.
    pub shot: u64,
    /// Its beam.
    pub beam: u32,
    /// Place along the bar, metres from the head end.
    pub z_m: f64,
    /// Place in the section, in the bar's own frame, in metres.
    pub place: Point,
    /// Highest echo so far, as a fraction of full screen height.
    pub height_fsh: f32,
    /// Time since the capture began at which that shot was fired, in seconds.
    pub time_s: f64,
}

/// An echo over the alarm.
#[derive(Debug, Clone, Copy)]
struct Spot {
    class: FlawClass,
    z_m: f64,
    place: Point,
    height_fsh: f32,
    called: bool,
}

/// Watches the peaks of a bar for places where the rules' persistence is met.
///
/// Echoes are neighbours within the same reach that joins them to indications. A place is called
/// once; while echoes keep joining it, it stays called.
#[derive(Debug, Clone)]
pub(crate) struct AlarmWatch {
    persistence: usize,
    reach_z_m: f64,
    /// Reach in the section for volume and crack gates.
    reach_m: [f64; 2],
    held: VecDeque<Spot>,
}

impl AlarmWatch {
    pub fn new(technique: &Technique, rules: &Rules) -> Self {
        Self {
            persistence: rules.alarm.persistence as usize,
            reach_z_m: 1.5 * technique.pulse_spacing_m,
            reach_m: [GateKind::Volume, GateKind::Crack].map(|k| link_m(technique, k)),
            held: VecDeque::new(),
        }
    }

    /// The alarms that a run of shots completes.
    pub fn watch(&mut self, technique: &Technique, rules: &Rules, peaks: &Peaks) -> Vec<Alarm> {
        let mut out = Vec::new();
        for (line, echoes) in peaks.shots().filter(|(l, _)| l.coupled) {
            let beam = &technique.beams[line.beam as usize];
            for (e, gate) in echoes.iter().zip(&beam.gates) {
                let Some(class) = class_of(gate.kind) else {
                    continue;
                };
                let over = f64::from(e.height_fsh) >= alarm_fsh(rules, gate.threshold_fsh);
                if !over || e.mark == EchoMark::CouplingLost {
                    continue;
                }
                let spot = Spot {
                    class,
                    z_m: e.z_m,
                    place: place(
                        &technique.section,
                        beam,
                        gate.kind,
                        e.after_surface_s,
                        f64::from(e.turn_rad),
                    ),
                    height_fsh: e.height_fsh,
                    called: false,
                };
                if let Some(height_fsh) = self.join(spot) {
                    out.push(Alarm {
                        class,
                        shot: line.shot,
                        beam: line.beam,
                        z_m: line.z_m,
                        place: spot.place,
                        height_fsh,
                        time_s: line.time_s,
                    });
                }
            }
        }
        out
    }

    /// Joins an echo to those held; the highest height if it completes a place not yet called.
    fn join(&mut self, mut spot: Spot) -> Option<f32> {
        self.held.retain(|s| (s.z_m - spot.z_m).abs() <= 2.0 * self.reach_z_m);
        let reach_m = self.reach_m[usize::from(spot.class == FlawClass::Crack)];
        let near = |s: &Spot| {
            s.class == spot.class
                && (s.z_m - spot.z_m).abs() <= self.reach_z_m
                && s.place.distance(spot.place) <= reach_m
        };
        let neighbours: Vec<usize> =
            (0..self.held.len()).filter(|&i| near(&self.held[i])).collect();
        let called = neighbours.iter().any(|&i| self.held[i].called);
        let complete = neighbours.len() + 1 >= self.persistence;
        let highest =
            neighbours.iter().map(|&i| self.held[i].height_fsh).fold(spot.height_fsh, f32::max);
        spot.called = called || complete;
        for i in neighbours {
            self.held[i].called |= spot.called;
        }
        if self.held.len() == MOST_HELD {
            self.held.pop_front();
        }
        self.held.push_back(spot);
        (complete && !called).then_some(highest)
    }
}
