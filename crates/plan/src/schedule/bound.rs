//! A period that no order of these beams can beat.

use super::groups::Together;
use super::lags::Between;
use super::priced::priced;

/// A lower bound of the period and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Bound {
    /// The bound in s.
    pub period_s: f64,
    /// What it rests on, in words.
    pub words: String,
    /// Place among the kinds of the one whose beams take longest one after another; none without beams.
    pub slowest: Option<usize>,
}

impl Bound {
    /// The bound, or the one of [`priced()`] where that is higher. `reached_s`: the period of an order.
    #[must_use]
    pub fn sharpened(
        self,
        together: &Together<'_>,
        between: &Between,
        base_s: f64,
        reached_s: f64,
    ) -> Self {
        let own = self.slowest.filter(|_| self.period_s < reached_s);
        let own = own.and_then(|k| Some((k, priced(together, between, k, base_s, reached_s)?)));
        match own {
            Some((kind, period_s)) if period_s > self.period_s => {
                let beams = together.kinds().get(kind).map_or(0, |k| together.clique(k).len());
                let words = format!(
                    "{beams} beams that fire one after another, with what the beams of other kinds \
                     need between them"
                );
                Self { period_s, words, ..self }
            }
            _ => self,
        }
    }
}

/// The largest of these, for a shortest wait `base_s` (record and electronics) and a shortest period
/// `data_s` (data rate):
///
/// 1. every kind needs at least as many firings as its largest clique found (beams of which no two
///    fire together) or as apertures and channels ask; each takes `base_s`;
/// 2. the members of a clique fire one after another: the sum, over them, of the shortest allowed
///    wait to any other member. Firings of other kinds that must go between count where the gaps do
///    not hold them: a gap with r of them lasts (r + 1) `base_s` at least;
/// 3. the same for all beams of one probe, of any kind;
/// 4. the shortest wait of each beam to itself;
/// 5. `data_s`.
#[must_use]
pub fn bound(together: &Together<'_>, between: &Between, base_s: f64, data_s: f64) -> Bound {
    let kinds = together.kinds();
    let firings: Vec<usize> = kinds.iter().map(|k| together.least(k)).collect();
    let all: usize = firings.iter().sum();
    let mut best = Bound { period_s: data_s, words: "data rate".into(), slowest: None };
    let mut slowest: Option<(usize, f64)> = None;
    let mut offer = |period_s: f64, words: String| {
        if period_s > best.period_s {
            best = Bound { period_s, words, slowest: None };
        }
    };
    offer(all as f64 * base_s, format!("{all} firings at least, one every {:.2} µs", base_s * 1e6));
    for (k, (kind, own)) in kinds.iter().zip(&firings).enumerate() {
        let clique = together.clique(kind);
        let gaps = gaps(between, &clique, base_s);
        let alone_s = gaps.iter().sum::<f64>();
        if slowest.is_none_or(|(_, s)| alone_s > s) {
            slowest = Some((k, alone_s));
        }
        offer(
            filled(gaps, all - own, base_s),
            format!(
                "{} beams that fire one after another with their shortest waits, {} other firings \
                 between them",
                clique.len(),
                all - own
            ),
        );
        for i in kind {
            offer(between.lags(*i, *i).next(base_s), "late echoes of one beam in itself".into());
        }
    }
    for own in together.by_probe() {
        offer(
            gaps(between, &own, base_s).iter().sum(),
            format!("{} beams of one probe with their shortest waits", own.len()),
        );
    }
    best.slowest = slowest.map(|(k, _)| k);
    best
}

/// Shortest wait of each member of a clique to any other.
fn gaps(between: &Between, clique: &[usize], base_s: f64) -> Vec<f64> {
    let alone = clique.len() == 1;
    clique
        .iter()
        .map(|a| {
            clique
                .iter()
                .filter(|b| alone || *b != a)
                .map(|b| between.lags(*a, *b).next(base_s))
                .fold(f64::INFINITY, f64::min)
        })
        .collect()
}

/// Sum of gaps after others were put where they cost least. The cost of one more in a gap never
/// falls with the number there, so taking the cheapest each time is best.
fn filled(mut gaps: Vec<f64>, others: usize, base_s: f64) -> f64 {
    let mut held = vec![1.0; gaps.len()];
    for _ in 0..others {
        let costs = gaps.iter().zip(&held).map(|(gap, n)| ((n + 1.0) * base_s - gap).max(0.0));
        if let Some((i, _)) = costs.enumerate().min_by(|a, b| a.1.total_cmp(&b.1)) {
            held[i] += 1.0;
            gaps[i] = gaps[i].max(held[i] * base_s);
        }
    }
    gaps.iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: closed form. Two gaps of 2.5 hold one other each for nothing; the third makes one gap
    // three waits long. 1e-12: rounding.
    #[test]
    fn gaps_hold_what_fits_for_nothing() {
        assert!((filled(vec![2.5, 2.5], 0, 1.0) - 5.0).abs() < 1e-12);
        assert!((filled(vec![2.5, 2.5], 2, 1.0) - 5.0).abs() < 1e-12);
        assert!((filled(vec![2.5, 2.5], 3, 1.0) - 5.5).abs() < 1e-12);
    }
}
