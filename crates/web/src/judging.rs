//! Judging a screened bar of a job folder.

use barwright_capture::{hash_file, read_echoes};
use barwright_evaluate::{
    decision::{Decided, overtaken},
    sentence, sentence_by,
};
use barwright_job::{
    Hash, Order, Rules, Sealed, Technique,
    judgement::Judgement,
    screened::{Echo, ScreenedBar},
};

use crate::{files, folder::JobFolder, steps::Result};

/// Judges a screened bar by the folder's rules and order; writes its judgement, which names decisions
/// of persons that it overtakes.
///
/// # Errors
/// [`StepError`](crate::steps::StepError); an older judgement of the bar then stands.
pub fn judge(folder: &JobFolder, bar: &str) -> Result<Sealed<Judgement>> {
    let mut judgement = judged(folder, bar, &folder.rules()?, sentence)?;
    if folder.judgement_path(bar).exists() {
        let earlier = folder.judgement(bar)?;
        if !earlier.body.decisions.is_empty() {
            judgement = overtaken(judgement, &earlier.body);
        }
    }
    files::write_sealed(&folder.judgement_path(bar), &judgement)?;
    Ok(judgement)
}

/// The documents that judgements rest on now.
#[derive(Debug, Clone, Copy)]
pub struct InForce<'a> {
    /// The technique.
    pub technique: &'a Hash,
    /// The acceptance rules.
    pub rules: &'a Hash,
    /// The order.
    pub order: &'a Hash,
}

impl InForce<'_> {
    /// Whether a judgement of a screened bar rests on them, or a person decided it, which judging anew
    /// would overtake.
    #[must_use]
    pub fn judged(&self, judgement: &Sealed<Judgement>, screened: &Hash) -> bool {
        let from = |role: &str, hash: &Hash| judgement.made_from.get(role) == Some(hash);
        !judgement.body.decisions.is_empty()
            || from("screened", screened)
                && from("technique", self.technique)
                && from("rules", self.rules)
                && from("order", self.order)
    }
}

/// Judges a screened bar by other rules, whether or not its order names them; writes nothing.
///
/// # Errors
/// [`StepError`](crate::steps::StepError).
pub fn judge_by(folder: &JobFolder, bar: &str, rules: &Rules) -> Result<Sealed<Judgement>> {
    judged(folder, bar, rules, sentence_by)
}

/// Changes the verdict of a judged bar as a person decided; writes its judgement.
///
/// # Errors
/// [`StepError`](crate::steps::StepError); the judgement that was there then stands.
pub fn decide(folder: &JobFolder, bar: &str, decided: &Decided) -> Result<Sealed<Judgement>> {
    let (judgement, screened) = (folder.judgement(bar)?, folder.screened(bar)?);
    let (rules, order) = (folder.rules()?, folder.order()?);
    let changed =
        barwright_evaluate::decision::decide(&judgement, &screened, &rules, &order, decided)?;
    files::write_sealed(&folder.judgement_path(bar), &changed)?;
    Ok(changed)
}

/// One of the two ways to judge.
type Judge = fn(
    &Sealed<ScreenedBar>,
    &[Echo],
    &Sealed<Technique>,
    &Rules,
    &Order,
) -> barwright_evaluate::Result<Sealed<Judgement>>;

fn judged(folder: &JobFolder, bar: &str, rules: &Rules, judge: Judge) -> Result<Sealed<Judgement>> {
    let screened = folder.screened(bar)?;
    let path = folder.echoes_path(bar);
    let found = hash_file(&path)?;
    screened.demand(&folder.screened_path(bar).display().to_string(), "echoes", &found)?;
    let echoes = read_echoes(&path)?;
    let (technique, order) = (folder.technique()?, folder.order()?);
    Ok(judge(&screened, &echoes.echoes, &technique, rules, &order)?)
}
