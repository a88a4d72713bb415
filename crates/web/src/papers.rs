//! The papers, set from the documents of a job folder and what the ledger holds: certificates of bars,
//! and the sheets that stand behind them. A bar gets a certificate only if the ledger releases it; any
//! other bar gets a record that says in large words what it is.

pub mod diconde;
mod moment;

pub use moment::Moment;

use barwright_job::check::Check;
use barwright_job::{
    Hash, Order, Rules, Sealed, Technique, judgement::Judgement, level::Level,
    screened::ScreenedBar,
};
use barwright_ledger::record::Facts;
use barwright_ledger::{BarKey, BarState, Entry, Head, Ledger, LedgerError, State};
use barwright_phrase::say;
use barwright_report::ReportError;
use barwright_report::papers::{
    BarInput, CheckEntry, CheckInput, Issue, LevelInput, LotBar, LotInput, ProofInput,
    ReferenceInput, Standing, TechniqueInput, bar_certificate, check_report, level_record,
    lot_certificate, proof_report, reference_sheet, technique_sheet,
};

use crate::{
    approving::{APPROVAL_RESTS_ON, Approval, approvals},
    files::FileError,
    folder::JobFolder,
    house::HouseError,
    lot::to_the_minute,
    record::document_of,
    retest,
};

/// Why papers could not be set.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PaperError {
    /// A document is missing or unusable.
    #[error(transparent)]
    File(#[from] FileError),
    /// The ledger does not answer.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// Documents do not belong together, or the paper cannot be set.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// The ledger knows no such bar.
    #[error("the ledger holds nothing about bar {0}")]
    NotEntered(String),
    /// The house folder cannot be used.
    #[error("the house folder cannot be used: {0}")]
    House(#[from] HouseError),
    /// The ledger grew each time it was read.
    #[error("the ledger grows faster than it is read; its entry {0} is not the last any more")]
    Growing(i64),
    /// A time that no calendar has.
    #[error("{0} µs since 1970 is no time of this calendar")]
    Time(i64),
}

impl PaperError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::File(e) => e.hint(),
            Self::Ledger(e) => e.hint().map(str::to_owned),
            Self::Report(e) => e.hint(),
            Self::NotEntered(_) => {
                Some("enter it with `barwright ledger add bar` and `ledger add judgement`".into())
            }
            Self::House(e) => e.hint(),
            Self::Growing(_) => Some("try again when less is entered at once".into()),
            Self::Time(_) => None,
        }
    }
}

/// What a paper's setting gives.
pub type Result<T> = std::result::Result<T, PaperError>;

/// What this version does not validate, and what is not on record; printed on every paper.
fn not_validated(approved: bool) -> Vec<String> {
    let mut list = vec![
        say!(
            "Heights of surface cracks rest on a model checked only between two engines of this program."
        ),
        say!("Sizes are equivalent sizes in water immersion, outside the scope of ISO 16811."),
    ];
    if !approved {
        list.insert(0, say!("No approval of the technique is on record."));
    }
    list.into_iter().map(str::to_owned).collect()
}

/// Everything of a lot that its papers draw on.
pub struct Papers<'a> {
    job: &'a JobFolder,
    order: Order,
    rules: Rules,
    technique: Sealed<Technique>,
    level: Sealed<Level>,
    checks: Vec<Sealed<Check>>,
    check_entries: Vec<Entry>,
    judgement_entries: Vec<Entry>,
    states: Vec<BarState>,
    head: Head,
    moment: Moment,
    time_us: i64,
    not_validated: Vec<String>,
    approved: Option<String>,
}

impl<'a> Papers<'a> {
    /// Reads the lot and its ledger, as they are at `time_us`.
    ///
    /// # Errors
    /// When a document is missing or the ledger does not answer.
    pub fn new(job: &'a JobFolder, time_us: i64) -> Result<Self> {
        let ledger = Ledger::open_to_read(&job.ledger_home())?;
        Self::of(job, &ledger, time_us, job.judged_bars()?)
    }

    /// Reads the lot and what the ledger holds of some bars, as they are at `time_us`.
    fn of(job: &'a JobFolder, ledger: &Ledger, time_us: i64, bars: Vec<String>) -> Result<Self> {
        let head = ledger.head()?;
        let heat = job.order()?.order.heat;
        let (mut states, mut judgement_entries) = (vec![], vec![]);
        for bar in bars {
            // Gone through from the entries: a paper that releases steel rests on no table.
            if let Some(story) = ledger.story(&BarKey::new(&heat, bar), time_us)? {
                states.push(story.state);
                let judged = |e: &Entry| e.kind == barwright_ledger::Kind::Judgement;
                judgement_entries.extend(story.entries.into_iter().filter(judged));
            }
        }
        let technique = job.technique()?;
        let moment = Moment::of(job, Some(head.clone()), time_us)?;
        let approved = approvals(&technique.hash, &ledger.by_kinds(&APPROVAL_RESTS_ON)?)?
            .iter()
            .find(|a| a.counts())
            .map(|a| moment.spoken(|| approval_words(a)));
        Ok(Self {
            order: job.order()?,
            rules: job.rules()?,
            technique,
            level: job.level()?,
            checks: job.checks()?,
            check_entries: ledger.by_kind(barwright_ledger::Kind::Check)?,
            judgement_entries,
            states,
            not_validated: moment.spoken(|| not_validated(approved.is_some())),
            approved,
            head,
            moment,
            time_us,
            job,
        })
    }

    fn issue(&self) -> Issue<'_> {
        Issue { not_validated: &self.not_validated, ..self.moment.issue() }
    }
}

/// When and by whom a check was entered.
struct Entered {
    check: usize,
    at: String,
    by: String,
}

/// A bar's documents, and what the ledger says of it.
struct Read {
    screened: Sealed<ScreenedBar>,
    judgement: Sealed<Judgement>,
    state: State,
    why: String,
    opening: Option<Entered>,
    closing: Option<Entered>,
}

impl Papers<'_> {
    /// The check behind a ledger entry.
    fn entered(&self, seq: Option<i64>) -> Option<Entered> {
        let entry = self.check_entries.iter().find(|e| Some(e.seq) == seq)?;
        let Ok(Facts::Check(facts)) = entry.facts() else { return None };
        let check = self.checks.iter().position(|c| c.hash == facts.origin.document)?;
        Some(Entered { check, at: entry.date(), by: entry.author.clone() })
    }

    fn check_entry<'b>(&'b self, entered: &'b Option<Entered>) -> Option<CheckEntry<'b>> {
        entered.as_ref().map(|e| CheckEntry {
            check: &self.checks[e.check],
            at: &e.at,
            signed_by: &e.by,
        })
    }

    /// What the ledger says of a bar with this judgement. It releases the judgement that it holds: a bar
    /// judged again, or decided otherwise, waits until that is entered.
    fn stands(&self, state: &BarState, judgement: &Hash) -> (State, String) {
        let held = self.judgement_entries.iter().find(|e| Some(e.seq) == state.judged);
        let same = held.is_none_or(|e| match e.facts() {
            Ok(Facts::Judgement(facts)) => facts.origin.document == *judgement,
            _ => false,
        });
        if same || !matches!(state.state, State::Released | State::Cropped { .. }) {
            return (state.state.clone(), state.state.words());
        }
        let seq = state.judged.unwrap_or_default();
        let why = say!(
            "The judgement {} is not the one that the ledger holds (entry {seq}); it must be entered first.",
            judgement.short()
        );
        (State::Waiting { for_judgement: true, for_check: false }, why)
    }

    fn state(&self, bar: &str) -> Option<&BarState> {
        self.states.iter().find(|s| s.bar.bar == bar && s.bar.heat == self.order.order.heat)
    }

    /// The paper of one bar, as PDF.
    ///
    /// # Errors
    /// When the ledger does not know the bar, or documents do not belong together.
    pub fn bar(&self, bar: &str) -> Result<Vec<u8>> {
        self.moment.spoken(|| self.set_bar(bar))
    }

    fn set_bar(&self, bar: &str) -> Result<Vec<u8>> {
        let state = self.state(bar).ok_or_else(|| PaperError::NotEntered(bar.to_owned()))?;
        Ok(bar_certificate(&self.bar_input(&self.read(state)?))?)
    }

    /// Reads a bar's documents, with what the ledger says of it.
    fn read(&self, state: &BarState) -> Result<Read> {
        let bar = &state.bar.bar;
        let (screened, judgement) = (self.job.screened(bar)?, self.job.judgement(bar)?);
        let (stands, why) = self.stands(state, &judgement.hash);
        let (opening, closing) =
            (self.entered(state.opening_check), self.entered(state.closing_check));
        Ok(Read { screened, judgement, state: stands, why, opening, closing })
    }

    /// What a paper of a bar that was read is made from.
    fn bar_input<'b>(&'b self, read: &'b Read) -> BarInput<'b> {
        BarInput {
            issue: self.issue(),
            order: &self.order,
            rules: &self.rules,
            technique: &self.technique,
            level: &self.level,
            screened: &read.screened,
            judgement: &read.judgement,
            standing: standing(&read.state, &read.why),
            opening: self.check_entry(&read.opening),
            closing: self.check_entry(&read.closing),
        }
    }

    /// The paper of the whole lot, as PDF.
    ///
    /// # Errors
    /// As [`Self::bar`].
    pub fn lot(&self) -> Result<Vec<u8>> {
        self.moment.spoken(|| self.set_lot())
    }

    fn set_lot(&self) -> Result<Vec<u8>> {
        let read: Vec<Read> =
            self.states.iter().map(|state| self.read(state)).collect::<Result<_>>()?;
        let bars: Vec<LotBar<'_>> = read
            .iter()
            .map(|r| LotBar {
                screened: &r.screened,
                judgement: &r.judgement,
                standing: standing(&r.state, &r.why),
                opening: self.check_entry(&r.opening),
                closing: self.check_entry(&r.closing),
            })
            .collect();
        Ok(lot_certificate(&LotInput {
            issue: self.issue(),
            order: &self.order,
            rules: &self.rules,
            technique: &self.technique,
            bars: &bars,
        })?)
    }

    /// Every paper of the lot: of each bar, the sheets, the lot's own and the retest list. By name, as PDF. `progress` hears
    /// how many papers of bars are set.
    ///
    /// # Errors
    /// As [`Self::bar`] and [`Self::sheets`].
    pub fn all(&self, mut progress: impl FnMut(usize)) -> Result<Vec<(String, Vec<u8>)>> {
        let mut set = Vec::new();
        for (k, name) in self.job.bars()?.into_iter().enumerate() {
            set.push((format!("bar-{name}"), self.bar(&name)?));
            progress(k + 1);
        }
        set.extend(self.sheets()?);
        set.push(("lot".to_owned(), self.lot()?));
        set.push((retest::NAME.to_owned(), retest::paper(self.job, self.time_us)?));
        Ok(set)
    }

    /// The sheets that stand behind the bars: technique, proof, reference bar, level, checks. By
    /// name, as PDF.
    ///
    /// # Errors
    /// When a document is missing or the papers cannot be set.
    pub fn sheets(&self) -> Result<Vec<(String, Vec<u8>)>> {
        self.moment.spoken(|| self.set_sheets())
    }

    fn set_sheets(&self) -> Result<Vec<(String, Vec<u8>)>> {
        let (issue, technique, rules) = (self.issue(), &self.technique, &self.rules);
        let order = &self.order;
        let mut sheets = vec![
            (
                "technique".to_owned(),
                technique_sheet(&TechniqueInput {
                    issue,
                    order,
                    technique,
                    approved: self.approved.as_deref(),
                })?,
            ),
            (
                "proof".to_owned(),
                proof_report(&ProofInput {
                    issue,
                    order,
                    technique,
                    proof: &self.job.proof()?,
                    dense: self.job.dense()?.as_ref(),
                })?,
            ),
            (
                "reference-bar".to_owned(),
                reference_sheet(&ReferenceInput {
                    issue,
                    technique,
                    reference: &self.job.reference()?,
                })?,
            ),
            (
                "level".to_owned(),
                level_record(&LevelInput { issue, technique, rules, level: &self.level })?,
            ),
        ];
        for (i, check) in self.checks.iter().enumerate() {
            let level = &self.level;
            let entered = self.check_entries.iter().find(|e| document_of(e) == Some(&check.hash.0));
            let signed_by = entered.map(|e| e.author.as_str());
            let input = CheckInput { issue, technique, level, rules, check, signed_by };
            sheets.push((format!("check-{:02}", i + 1), check_report(&input)?));
        }
        Ok(sheets)
    }
}

fn approval_words(a: &Approval) -> String {
    say!(
        "Approved by {} as {}, {}, entry {} of the ledger.",
        a.person,
        a.role.words(),
        to_the_minute(&a.when),
        a.seq
    )
}

/// What a paper may say, from what the ledger says.
fn standing<'a>(state: &State, why: &'a str) -> Standing<'a> {
    match state {
        State::Released | State::Cropped { .. } => Standing::Released,
        State::Waiting { .. } => Standing::Waiting { why },
        State::Held { .. } | State::Rejected => Standing::Held { why },
    }
}
