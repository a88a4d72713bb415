//! The peaks of a bar beam by beam along it: what lies about a group of echoes.

use std::collections::BTreeMap;

use barwright_job::{
    Rules, Technique,
    screened::{Echo, EchoMark},
    technique::GateKind,
};
use barwright_wave::Point;

use crate::{
    indications::{Group, alarm_fsh},
    place::{link_m, place_of},
};

/// Length along the bar over which a flaw's echoes under the alarm are looked for, in m.
const LONG_M: f64 = 0.05;

/// Heights of each beam and gate along the bar, for the 6 dB drop.
pub(crate) struct Profiles<'a> {
    pub echoes: &'a [Echo],
    lists: BTreeMap<(u32, u8), Vec<usize>>,
}

impl<'a> Profiles<'a> {
    pub fn new(echoes: &'a [Echo]) -> Self {
        let mut lists: BTreeMap<(u32, u8), Vec<usize>> = BTreeMap::new();
        for (i, e) in echoes.iter().enumerate() {
            lists.entry((e.beam, e.gate)).or_default().push(i);
        }
        for list in lists.values_mut() {
            list.sort_by(|&a, &b| echoes[a].z_m.total_cmp(&echoes[b].z_m));
        }
        Self { echoes, lists }
    }

    /// The group's echoes and, for a flaw of the volume that is not long, those under the alarm but of at
    /// least a height that come from about its place.
    pub fn about(
        &self,
        technique: &Technique,
        rules: &Rules,
        group: &Group,
        kind: GateKind,
        place: Point,
        least_fsh: f64,
    ) -> Vec<&'a Echo> {
        let members: Vec<&Echo> = group.members.iter().map(|&m| &self.echoes[m]).collect();
        let reach = 1.5 * technique.pulse_spacing_m;
        let low = members.iter().map(|e| e.z_m).fold(f64::MAX, f64::min) - reach;
        let high = members.iter().map(|e| e.z_m).fold(f64::MIN, f64::max) + reach;
        let mut all = members;
        if kind != GateKind::Volume || high - low > LONG_M {
            return all;
        }
        let link = link_m(technique, kind);
        for (&(beam, gate), list) in &self.lists {
            let gate = technique.beams.get(beam as usize).and_then(|b| b.gates.get(gate as usize));
            let Some(gate) = gate.filter(|g| g.kind == kind) else {
                continue;
            };
            let alarm = alarm_fsh(rules, gate.threshold_fsh);
            let first = list.partition_point(|&i| self.echoes[i].z_m < low);
            let here = list[first..].iter().map(|&i| &self.echoes[i]);
            all.extend(here.take_while(|e| e.z_m <= high).filter(|e| {
                let height = f64::from(e.height_fsh);
                e.mark == EchoMark::Sound
                    && (least_fsh..alarm).contains(&height)
                    && place_of(technique, kind, e).distance(place) <= link
            }));
        }
        all
    }

    /// Heights of one beam's gate over a stretch and one shot beyond it on either side. Echoes
    /// over the alarm that belong to other groups count as silence.
    pub fn heights(
        &self,
        key: (u32, u8),
        stretch: (f64, f64),
        own: &[usize],
        alarm: f64,
    ) -> Vec<(f64, f64)> {
        let Some(list) = self.lists.get(&key) else {
            return Vec::new();
        };
        let first = list.partition_point(|&i| self.echoes[i].z_m < stretch.0);
        let last = list.partition_point(|&i| self.echoes[i].z_m <= stretch.1);
        list[first.saturating_sub(2)..(last + 2).min(list.len())]
            .iter()
            .map(|&i| {
                let h = f64::from(self.echoes[i].height_fsh);
                let foreign = h >= alarm && own.binary_search(&i).is_err();
                (self.echoes[i].z_m, if foreign { 0.0 } else { h })
            })
            .collect()
    }
}
