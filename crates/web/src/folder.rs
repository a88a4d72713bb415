//! The job folder: one order's documents under fixed names, so that every command finds what the
//! step before it made.

use std::path::{Path, PathBuf};

use barwright_job::{
    Order, Rules, Sealed, Station, Technique, changeover::Changeover, check::Check,
    dense::DenseProof, judgement::Judgement, level::Level, lot_cut::LotCut, proof::Proof,
    reference::ReferenceBar, screened::ScreenedBar,
};

use barwright_ledger::store::Home;

use crate::{
    files::{self, FileError},
    turn::{self, Turn},
};

/// A folder with the documents of one order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobFolder {
    root: PathBuf,
    /// Where its ledger is; none for its own.
    ledger: Option<Home>,
    /// What the house keeps of its own; none for the folder's `house`.
    house: Option<PathBuf>,
}

/// Whether a name can stand in a path: 1 to 64 letters, digits and hyphens.
fn is_plain(name: &str) -> bool {
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-';
    (1..=64).contains(&name.len()) && name.chars().all(fits)
}

impl JobFolder {
    /// The folder at a path; nothing is read or made yet.
    #[must_use]
    pub fn new(root: impl Into<PathBuf>) -> Self {
        Self { root: root.into(), ledger: None, house: None }
    }

    /// The same folder with its ledger elsewhere: a PostgreSQL database that several lines share, or
    /// a file.
    #[must_use]
    pub fn with_ledger(self, home: Home) -> Self {
        Self { ledger: Some(home), ..self }
    }

    /// The same folder with the house's own texts and papers elsewhere, so that many jobs share them.
    #[must_use]
    pub fn with_house(self, house: PathBuf) -> Self {
        Self { house: Some(house), ..self }
    }

    /// Where the house's own texts and papers lie.
    #[must_use]
    pub fn house(&self) -> PathBuf {
        self.house.clone().unwrap_or_else(|| self.path("house"))
    }

    /// Takes a turn at changing its documents; `waiting` is told once where somebody else has it.
    ///
    /// # Errors
    /// [`FileError::Read`] where the folder gives no turns.
    pub fn turn(&self, waiting: impl FnOnce()) -> Result<Turn, FileError> {
        turn::take(&self.root, waiting)
    }

    /// Where it lies.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Path of a document of the folder.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }

    /// The order as written.
    #[must_use]
    pub fn order_path(&self) -> PathBuf {
        self.path("order.toml")
    }

    /// The station as written.
    #[must_use]
    pub fn station_path(&self) -> PathBuf {
        self.path("station.toml")
    }

    /// The acceptance rules as written.
    #[must_use]
    pub fn rules_path(&self) -> PathBuf {
        self.path("rules.toml")
    }

    /// The technique.
    #[must_use]
    pub fn technique_path(&self) -> PathBuf {
        self.path("technique.json")
    }

    /// The coverage proof.
    #[must_use]
    pub fn proof_path(&self) -> PathBuf {
        self.path("proof.json")
    }

    /// The reference bar.
    #[must_use]
    pub fn reference_path(&self) -> PathBuf {
        self.path("reference-bar.json")
    }

    /// The level in force.
    #[must_use]
    pub fn level_path(&self) -> PathBuf {
        self.path("level.json")
    }

    /// The changeover to this job's technique.
    #[must_use]
    pub fn changeover_path(&self) -> PathBuf {
        self.path("changeover.json")
    }

    /// A check by number, counted from 1.
    #[must_use]
    pub fn check_path(&self, number: usize) -> PathBuf {
        self.path(&format!("checks/check-{number:02}.json"))
    }

    /// A capture by name.
    #[must_use]
    pub fn capture_path(&self, name: &str) -> PathBuf {
        self.path(&format!("captures/{name}.parquet"))
    }

    /// What screening says of a bar.
    #[must_use]
    pub fn screened_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.screened.json"))
    }

    /// Every peak of a bar.
    #[must_use]
    pub fn echoes_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.echoes.parquet"))
    }

    /// The kept A-scans of a bar.
    #[must_use]
    pub fn ascans_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.ascans.parquet"))
    }

    /// What each beam did at each millimetre of a bar.
    #[must_use]
    pub fn inspected_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.inspected.parquet"))
    }

    /// Everything that screening writes of a bar.
    #[must_use]
    pub fn screening_paths(&self, bar: &str) -> [PathBuf; 4] {
        [
            self.screened_path(bar),
            self.echoes_path(bar),
            self.ascans_path(bar),
            self.inspected_path(bar),
        ]
    }

    /// The journal of a bar in progress.
    #[must_use]
    pub fn journal_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.journal"))
    }

    /// The judgement of a bar.
    #[must_use]
    pub fn judgement_path(&self, bar: &str) -> PathBuf {
        self.path(&format!("bars/{bar}.judgement.json"))
    }

    /// The cut plan of the lot.
    #[must_use]
    pub fn cut_plan_path(&self) -> PathBuf {
        self.path("cut-plan.json")
    }

    /// A curve of the probability of detection by name; none for a name that is none, as for [`Self::look_path`].
    #[must_use]
    pub fn pod_path(&self, name: &str) -> Option<PathBuf> {
        is_plain(name).then(|| self.path(&format!("pod/{name}.json")))
    }

    /// What the passes of a campaign gave, by the name of its curve; none for a name that is none.
    #[must_use]
    pub fn campaign_path(&self, name: &str) -> Option<PathBuf> {
        is_plain(name).then(|| self.path(&format!("pod/{name}.passes.jsonl")))
    }

    /// The dense proof.
    #[must_use]
    pub fn dense_path(&self) -> PathBuf {
        self.path("dense-proof.json")
    }

    /// A second look by name; none for a name that is none: 1 to 64 letters, digits and hyphens.
    #[must_use]
    pub fn look_path(&self, name: &str) -> Option<PathBuf> {
        is_plain(name).then(|| self.path(&format!("looks/{name}.json")))
    }

    /// Folder of a full matrix by name; none for a name that is none, as for [`Self::look_path`].
    #[must_use]
    pub fn matrix_path(&self, name: &str) -> Option<PathBuf> {
        is_plain(name).then(|| self.path(&format!("matrices/{name}")))
    }

    /// A paper by name.
    #[must_use]
    pub fn paper_path(&self, name: &str) -> PathBuf {
        self.path(&format!("papers/{name}.pdf"))
    }

    /// The ledger.
    #[must_use]
    pub fn ledger_path(&self) -> PathBuf {
        self.path("ledger.db")
    }

    /// The same folder with its ledger where another folder was told to have its own.
    #[must_use]
    pub fn with_ledger_of(self, other: &Self) -> Self {
        Self { ledger: other.ledger.clone(), ..self }
    }

    /// Where its ledger is.
    #[must_use]
    pub fn ledger_home(&self) -> Home {
        self.ledger.clone().unwrap_or_else(|| Home::File(self.ledger_path()))
    }

    /// The tokens of other programs.
    #[must_use]
    pub fn tokens_path(&self) -> PathBuf {
        self.path("tokens.json")
    }

    /// Who can sign in to the pages.
    #[must_use]
    pub fn accounts_path(&self) -> PathBuf {
        self.path("accounts.json")
    }

    /// Names of the papers made so far, without ending, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn papers(&self) -> Result<Vec<String>, FileError> {
        self.names("papers", ".pdf")
    }

    /// Names of the second looks, without ending, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn look_names(&self) -> Result<Vec<String>, FileError> {
        self.names("looks", ".json")
    }

    /// Names of the curves of the probability of detection, without ending, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn pod_names(&self) -> Result<Vec<String>, FileError> {
        self.names("pod", ".json")
    }

    /// Names of the captures in the folder, without ending, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn captures(&self) -> Result<Vec<String>, FileError> {
        self.names("captures", ".parquet")
    }

    /// Names of the bars screened so far, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn bars(&self) -> Result<Vec<String>, FileError> {
        self.names("bars", ".screened.json")
    }

    /// Names of the bars judged so far, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn judged_bars(&self) -> Result<Vec<String>, FileError> {
        self.names("bars", ".judgement.json")
    }

    /// Names of the bars whose screening has not ended, sorted.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn bars_in_progress(&self) -> Result<Vec<String>, FileError> {
        self.names("bars", ".journal")
    }

    /// Names of the checks made so far, without ending, oldest first.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn check_names(&self) -> Result<Vec<String>, FileError> {
        self.names("checks", ".json")
    }

    /// Number of the check that is made next.
    ///
    /// # Errors
    /// [`FileError::Read`] when a folder that exists cannot be read.
    pub fn next_check(&self) -> Result<usize, FileError> {
        Ok(self.check_names()?.len() + 1)
    }

    /// The checks made so far, oldest first.
    ///
    /// # Errors
    /// The file's or the document's reason.
    pub fn checks(&self) -> Result<Vec<Sealed<Check>>, FileError> {
        self.check_names()?
            .iter()
            .map(|name| files::read_sealed(&self.path(&format!("checks/{name}.json"))))
            .collect()
    }

    fn names(&self, folder: &str, ending: &str) -> Result<Vec<String>, FileError> {
        let path = self.path(folder);
        let entries = match std::fs::read_dir(&path) {
            Ok(entries) => entries,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(source) => return Err(FileError::Read { path, source }),
        };
        let mut names: Vec<String> = entries
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter_map(|name| name.strip_suffix(ending).map(str::to_owned))
            .filter(|name| !name.starts_with('.'))
            .collect();
        names.sort();
        Ok(names)
    }

    /// The order.
    ///
    /// # Errors
    /// The file's or the document's reason; so for the readers below.
    pub fn order(&self) -> Result<Order, FileError> {
        files::read_written(&self.order_path(), Order::from_toml)
    }

    /// The station.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn station(&self) -> Result<Station, FileError> {
        files::read_written(&self.station_path(), Station::from_toml)
    }

    /// The acceptance rules.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn rules(&self) -> Result<Rules, FileError> {
        files::read_written(&self.rules_path(), Rules::from_toml)
    }

    /// The technique.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn technique(&self) -> Result<Sealed<Technique>, FileError> {
        files::read_sealed(&self.technique_path())
    }

    /// The coverage proof.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn proof(&self) -> Result<Sealed<Proof>, FileError> {
        files::read_sealed(&self.proof_path())
    }

    /// The dense proof; none where none was made.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn dense(&self) -> Result<Option<Sealed<DenseProof>>, FileError> {
        let path = self.dense_path();
        path.exists().then(|| files::read_sealed(&path)).transpose()
    }

    /// The reference bar.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn reference(&self) -> Result<Sealed<ReferenceBar>, FileError> {
        files::read_sealed(&self.reference_path())
    }

    /// The changeover to this job's technique.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn changeover(&self) -> Result<Sealed<Changeover>, FileError> {
        files::read_sealed(&self.changeover_path())
    }

    /// The level in force.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn level(&self) -> Result<Sealed<Level>, FileError> {
        files::read_sealed(&self.level_path())
    }

    /// What screening says of a bar.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn screened(&self, bar: &str) -> Result<Sealed<ScreenedBar>, FileError> {
        files::read_sealed(&self.screened_path(bar))
    }

    /// The judgement of a bar.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn judgement(&self, bar: &str) -> Result<Sealed<Judgement>, FileError> {
        files::read_sealed(&self.judgement_path(bar))
    }

    /// The cut plan of the lot.
    ///
    /// # Errors
    /// See [`Self::order`].
    pub fn cut_plan(&self) -> Result<Sealed<LotCut>, FileError> {
        files::read_sealed(&self.cut_plan_path())
    }
}
