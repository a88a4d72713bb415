//! Sentencing: indications, verdict and cut plan of a screened bar.

use std::collections::BTreeSet;

use barwright_job::{
    DocumentError, Finding, Order, Rules, Sealed, Technique, Topic,
    judgement::Judgement,
    screened::{Echo, ScreenedBar},
};

use crate::{
    back_wall,
    error::{EvaluateError, Result},
    ghosts,
    indications::{Group, Grouped, group},
    measure::{Measured, measure},
    profiles::Profiles,
    reading::is_flaw_gate,
    sizing::Sizing,
    verdict::{Seen, judge},
};

/// Judges a screened bar by its echoes.
///
/// # Errors
/// [`EvaluateError::Document`] when technique, order and rules do not belong together or to the
/// bar, [`EvaluateError::OtherEchoes`] when the echoes are not those counted at screening.
pub fn sentence(
    screened: &Sealed<ScreenedBar>,
    echoes: &[Echo],
    technique: &Sealed<Technique>,
    rules: &Rules,
    order: &Order,
) -> Result<Sealed<Judgement>> {
    if order.order.rules != rules.rules.name {
        return Err(DocumentError::Mismatch {
            document: format!("order {}", order.order.number),
            role: "rules".into(),
            found: order.order.rules.clone(),
            wanted: rules.rules.name.clone(),
        }
        .into());
    }
    sentence_by(screened, echoes, technique, rules, order)
}

/// Judges a screened bar by rules that need not be those of its order: what the bar would be under
/// them.
///
/// # Errors
/// As [`sentence()`], but for the name of the rules.
pub fn sentence_by(
    screened: &Sealed<ScreenedBar>,
    echoes: &[Echo],
    technique: &Sealed<Technique>,
    rules: &Rules,
    order: &Order,
) -> Result<Sealed<Judgement>> {
    screened.demand("screened bar", "technique", &technique.hash)?;
    technique.demand("technique", "order", &order.hash())?;
    let tables = rules.tables(section_m(&technique.body))?;
    demand_echoes(&technique.body, echoes, screened.body.echoes_over_threshold)?;
    let mut grouped = group(&technique.body, rules, echoes);
    let most = rules.too_many.unwrap_or_default().most as usize;
    let unmeasured = keep_highest(&mut grouped.confirmed, echoes, most);
    let profiles = Profiles::new(echoes);
    // Without media and pulse that mean something, sizes are those of the highest echo.
    let sizing = Sizing::new(&technique.body, order.flaws.shortest_mm / 1e3);
    let mut measured: Vec<Measured> = grouped
        .confirmed
        .iter()
        .filter_map(|g| {
            let noise_fsh = screened.body.noise_fsh;
            measure(&technique.body, rules, &profiles, g, noise_fsh, sizing.as_ref())
        })
        .collect();
    measured.sort_by(|a, b| a.indication.from_m.total_cmp(&b.indication.from_m));
    for (i, m) in measured.iter_mut().enumerate() {
        m.indication.letter = letters(i);
    }
    ghosts::mark(&technique.body, echoes, &mut measured);
    let losses = rules.back_wall.map_or_else(Vec::new, |b| {
        back_wall::losses(&technique.body, echoes, b.most_loss_db, b.over_mm / 1e3)
    });
    let seen = Seen {
        screened: &screened.body,
        measured: &measured,
        unmeasured,
        losses: &losses,
        levelled: screened.made_from.contains_key("level"),
    };
    let outcome = judge(&seen, rules, &tables, order);
    let mut findings = screened.body.findings.clone();
    findings.extend(single_findings(&grouped, echoes, rules));
    findings.extend(clipped_findings(&measured));
    findings.extend(ghost_findings(&measured));
    findings.extend(many_finding(unmeasured, most));
    findings.extend(outcome.findings);
    let body = Judgement {
        bar: screened.body.bar.clone(),
        heat: screened.body.heat.clone(),
        length_m: screened.body.length_m,
        indications: measured.into_iter().map(|m| m.indication).collect(),
        verdict: outcome.verdict,
        reasons: outcome.reasons,
        cut: outcome.cut,
        findings,
        decisions: Vec::new(),
    };
    Ok(Sealed::seal(
        body,
        [
            ("screened", screened.hash.clone()),
            ("technique", technique.hash.clone()),
            ("rules", rules.hash()),
            ("order", order.hash()),
        ],
    ))
}

/// Diameter, side or thickness in metres.
fn section_m(technique: &Technique) -> f64 {
    2.0 * technique.section.half_extent_m()
}

/// Keeps the groups with the highest echoes, in their order along the bar; returns how many go.
fn keep_highest(groups: &mut Vec<Group>, echoes: &[Echo], most: usize) -> usize {
    let beyond = groups.len().saturating_sub(most);
    if beyond > 0 {
        let peak = |g: &Group| g.members.first().map_or(0.0, |&m| echoes[m].height_fsh);
        let mut order: Vec<usize> = (0..groups.len()).collect();
        order.sort_by(|&a, &b| peak(&groups[b]).total_cmp(&peak(&groups[a])).then(a.cmp(&b)));
        let keep: BTreeSet<usize> = order.into_iter().take(most).collect();
        let mut place = 0..groups.len();
        groups.retain(|_| place.next().is_some_and(|i| keep.contains(&i)));
    }
    beyond
}

fn many_finding(unmeasured: usize, most: usize) -> Option<Finding> {
    (unmeasured > 0).then(|| {
        Finding::new(
            Topic::TooMany,
            format!(
                "too many indications: the {most} highest are listed, {unmeasured} more are not; the station or the bar is in disorder"
            ),
        )
    })
}

/// One finding for each indication that another one explains.
fn ghost_findings(measured: &[Measured]) -> Vec<Finding> {
    measured
        .iter()
        .filter_map(|m| {
            let i = &m.indication;
            let ghost = i.ghost.as_ref()?;
            let of = if ghost.of.is_empty() {
                String::new()
            } else {
                format!(" from indication {}", ghost.of)
            };
            let message = format!(
                "indication {} is no flaw of its own: {}{of}",
                i.letter,
                ghost.path.words()
            );
            let finding = Finding::new(Topic::Ghost, message);
            Some(finding.beams(i.beams.iter().copied()).stretch(i.from_m, i.to_m))
        })
        .collect()
}

fn demand_echoes(technique: &Technique, echoes: &[Echo], wanted: u64) -> Result<()> {
    let gate = |e: &Echo| {
        let beam = technique.beams.get(e.beam as usize)?;
        beam.gates.get(e.gate as usize)
    };
    let found = echoes
        .iter()
        .filter(|e| {
            gate(e)
                .is_some_and(|g| is_flaw_gate(g.kind) && f64::from(e.height_fsh) >= g.threshold_fsh)
        })
        .count() as u64;
    if found != wanted || echoes.iter().any(|e| gate(e).is_none()) {
        return Err(EvaluateError::OtherEchoes { found, wanted });
    }
    Ok(())
}

/// Letters of the n-th indication: A to Z, AA, AB, ...
fn letters(n: usize) -> String {
    let mut out = Vec::new();
    let mut n = n + 1;
    while n > 0 {
        n -= 1;
        out.push(b'A' + (n % 26) as u8);
        n /= 26;
    }
    out.iter().rev().map(|&b| char::from(b)).collect()
}

/// One finding for all echoes over the alarm that no neighbour confirmed.
fn single_findings(grouped: &Grouped, echoes: &[Echo], rules: &Rules) -> Option<Finding> {
    let highest = grouped
        .single
        .iter()
        .filter_map(|g| g.members.first())
        .map(|&m| &echoes[m])
        .max_by(|a, b| a.height_fsh.total_cmp(&b.height_fsh))?;
    let mut beams: Vec<u32> =
        grouped.single.iter().flat_map(|g| &g.members).map(|&m| echoes[m].beam).collect();
    beams.sort_unstable();
    beams.dedup();
    Some(
        Finding::new(
            Topic::FalseCall,
            format!(
                "{} echoes over the alarm were not confirmed by {} neighbouring shots and are no indication; the highest reads {:.0} % FSH at {:.0} mm",
                grouped.single.len(),
                rules.alarm.persistence,
                f64::from(highest.height_fsh) * 100.0,
                highest.z_m * 1e3
            ),
        )
        .beams(beams),
    )
}

fn clipped_findings(measured: &[Measured]) -> Vec<Finding> {
    measured
        .iter()
        .map(|m| &m.indication)
        .filter(|i| i.clipped)
        .map(|i| {
            Finding::new(
                Topic::Clipped,
                format!(
                    "indication {} was at full scale: height and size are lower bounds",
                    i.letter
                ),
            )
            .beams(i.beams.iter().copied())
            .stretch(i.from_m, i.to_m)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn letters_go_on_after_z() {
        let told: Vec<String> = [0, 25, 26, 51, 52, 701, 702].map(super::letters).to_vec();
        assert_eq!(told, ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]);
    }
}
