//! Sentencing: indications, verdict and cut plan of a screened bar.

use barwright_job::{
    DocumentError, Finding, Order, Rules, Sealed, Technique, Topic,
    judgement::Judgement,
    screened::{Echo, ScreenedBar},
};

use crate::{
    error::{EvaluateError, Result},
    indications::{Grouped, Measured, Profiles, group, measure},
    reading::is_flaw_gate,
    verdict::judge,
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
    screened.demand("screened bar", "technique", &technique.hash)?;
    technique.demand("technique", "order", &order.hash())?;
    if order.order.rules != rules.rules.name {
        return Err(DocumentError::Mismatch {
            document: format!("order {}", order.order.number),
            role: "rules".into(),
            found: order.order.rules.clone(),
            wanted: rules.rules.name.clone(),
        }
        .into());
    }
    demand_echoes(&technique.body, echoes, screened.body.echoes_over_threshold)?;
    let grouped = group(&technique.body, rules, echoes);
    let profiles = Profiles::new(echoes);
    let mut measured: Vec<Measured> = grouped
        .confirmed
        .iter()
        .filter_map(|g| measure(&technique.body, rules, &profiles, g, screened.body.noise_fsh))
        .collect();
    measured.sort_by(|a, b| a.indication.from_m.total_cmp(&b.indication.from_m));
    for (i, m) in measured.iter_mut().enumerate() {
        m.indication.letter = letters(i);
    }
    let levelled = screened.made_from.contains_key("level");
    let outcome = judge(&screened.body, &measured, rules, order, levelled);
    let mut findings = screened.body.findings.clone();
    findings.extend(single_findings(&grouped, echoes, rules));
    findings.extend(clipped_findings(&measured));
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
