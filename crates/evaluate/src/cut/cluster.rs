//! Sound stretches that a kerf can link, and the places where pieces may begin and end.
//!
//! Two stretches with at least two kerfs between them never hinder each other, so each cluster of
//! stretches nearer than that is planned by itself. Within a cluster the places of a best plan lie
//! at a corner of linear limits: each follows from a limit of a stretch by shortest or longest
//! lengths and kerfs, forwards or backwards. Only these places are tried, in exact micrometres.
//! Ordered lengths and kerfs are whole tenths of a millimetre, so that from each limit the places
//! lie on a raster of that step.
//!
//! A cluster of one stretch needs fewer: its pieces can be pushed towards the head end until one
//! kerf lies between each two, so that what does not follow from its start follows from its end.

use super::market::Market;

/// Raster of lengths and kerfs, µm.
const STEP: i64 = 100;

const START: u8 = 1;
const END: u8 = 2;

/// Sound stretches and the places to try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Cluster {
    /// The stretches, µm.
    pub stretches: Vec<(i64, i64)>,
    /// Where pieces may begin, rising.
    pub starts: Vec<i64>,
    /// Where pieces may end, rising.
    pub ends: Vec<i64>,
    /// Length of the bar, µm.
    pub length: i64,
}

/// The clusters of a bar from its sound stretches, head end first.
pub(super) fn clusters(sound: &[(i64, i64)], length: i64, market: &Market) -> Vec<Cluster> {
    let (kerf, least) = (market.kerf, market.least());
    let usable = sound.iter().filter_map(|&(from, to)| {
        // An end that must go takes a whole kerf.
        let from = if from == 0 { 0 } else { from.max(kerf) };
        let to = if to == length { to } else { to.min(length - kerf) };
        (to.saturating_sub(from) >= least).then_some((from, to))
    });
    let mut groups: Vec<Vec<(i64, i64)>> = Vec::new();
    for stretch in usable {
        match groups.last_mut() {
            Some(g) if g.last().is_some_and(|l| stretch.0 - l.1 < 2 * kerf) => g.push(stretch),
            _ => groups.push(vec![stretch]),
        }
    }
    groups.into_iter().map(|g| Cluster::new(g, length, market)).collect()
}

impl Cluster {
    fn new(stretches: Vec<(i64, i64)>, length: i64, market: &Market) -> Self {
        let mut lengths: Vec<i64> = market.windows.iter().flat_map(|w| [w.low, w.high]).collect();
        lengths.sort_unstable();
        lengths.dedup();
        let mut cluster = Self { stretches, starts: Vec::new(), ends: Vec::new(), length };
        let many = cluster.stretches.len() > 1;
        let (kerf, last) = (market.kerf, length - market.kerf);
        let mut found = Vec::new();
        for &(from, to) in &cluster.stretches {
            cluster.follow((from, START), true, &lengths, kerf, &mut found);
            cluster.follow((to, END), false, &lengths, kerf, &mut found);
            if to == length {
                cluster.follow((last, END), false, &lengths, kerf, &mut found);
            }
            if many {
                cluster.follow((to, END), true, &lengths, kerf, &mut found);
                cluster.follow((from, START), false, &lengths, kerf, &mut found);
                for forwards in [true, false] {
                    cluster.follow((kerf, START), forwards, &lengths, kerf, &mut found);
                    cluster.follow((last, END), forwards, &lengths, kerf, &mut found);
                }
            }
        }
        found.sort_unstable();
        found.dedup();
        let of = |kind: u8| found.iter().filter(move |f| f.1 & kind != 0).map(|f| f.0);
        let mut starts: Vec<i64> = of(START).filter(|&s| s == 0 || s >= kerf).collect();
        let mut ends: Vec<i64> = of(END).filter(|&e| e == length || e <= last).collect();
        starts.dedup();
        ends.dedup();
        (cluster.starts, cluster.ends) = (starts, ends);
        cluster
    }

    /// The stretch in which a piece may begin at a place.
    pub(super) fn holds_start(&self, at: i64) -> Option<(i64, i64)> {
        self.stretches.iter().copied().find(|s| s.0 <= at && at < s.1)
    }

    fn holds_end(&self, at: i64) -> Option<(i64, i64)> {
        self.stretches.iter().copied().find(|s| s.0 < at && at <= s.1)
    }

    /// Adds the places that follow from one, forwards or backwards.
    fn follow(
        &self,
        (anchor, kind): (i64, u8),
        forwards: bool,
        lengths: &[i64],
        kerf: i64,
        found: &mut Vec<(i64, u8)>,
    ) {
        let (Some(first), Some(last)) = (self.stretches.first(), self.stretches.last()) else {
            return;
        };
        let held = match kind {
            START => self.holds_start(anchor).is_some(),
            _ => self.holds_end(anchor).is_some(),
        };
        if !held {
            return;
        }
        let reach = if forwards { last.1 - anchor } else { anchor - first.0 };
        let steps = (reach / STEP) as usize;
        let place = |k: usize| anchor + sign(forwards) * k as i64 * STEP;
        let kerf_steps = (kerf / STEP) as usize;
        let links: &[usize] =
            if self.stretches.len() > 1 { &[kerf_steps, 2 * kerf_steps] } else { &[kerf_steps] };
        // Forwards a piece leads from its start to its end and a kerf from there to a start;
        // backwards the other way round.
        let (near, far) = if forwards { (START, END) } else { (END, START) };
        let mut flags = vec![0u8; steps + 1];
        flags[0] = kind;
        let mut k = 0;
        // Most of the raster stays empty.
        while let Some(skip) = flags[k..].iter().position(|f| *f != 0) {
            k += skip;
            if flags[k] & far != 0 {
                for link in links {
                    let to = k + link;
                    if to <= steps && self.holds(near, place(to)).is_some() {
                        flags[to] |= near;
                    }
                }
            }
            if flags[k] & near != 0
                && let Some((from, to)) = self.holds(near, place(k))
            {
                let room = if forwards { to - place(k) } else { place(k) - from };
                for length in lengths.iter().take_while(|l| **l <= room) {
                    flags[k + (length / STEP) as usize] |= far;
                }
            }
            found.push((place(k), flags[k]));
            k += 1;
        }
    }

    fn holds(&self, kind: u8, at: i64) -> Option<(i64, i64)> {
        if kind == START { self.holds_start(at) } else { self.holds_end(at) }
    }
}

const fn sign(forwards: bool) -> i64 {
    if forwards { 1 } else { -1 }
}
