//! Everything a page may draw on: the documents of the job folder and what the ledger says.

use barwright_job::{
    Hash, Order, Rules, Sealed, Station, Technique, changeover::Changeover, check::Check,
    dense::DenseProof, judgement::Judgement, level::Level, lot_cut::LotCut, proof::Proof,
    reference::ReferenceBar, screened::ScreenedBar, second_look::SecondLook,
};
use barwright_ledger::{BarState, State};
use barwright_phrase::say;

use crate::{
    access::Viewer,
    cache::{Cache, Doc},
    files::{self, FileError},
    folder::JobFolder,
    judging::InForce,
    manner::Languages,
    record::Ledger,
    working::Seen,
};

/// A job folder at one moment.
pub struct Lot {
    /// Where it lies.
    pub folder: JobFolder,
    /// Documents as last read.
    pub cache: Cache,
    /// The order.
    pub order: Doc<Order>,
    /// The station.
    pub station: Doc<Station>,
    /// The acceptance rules.
    pub rules: Doc<Rules>,
    /// The technique.
    pub technique: Doc<Sealed<Technique>>,
    /// The coverage proof.
    pub proof: Doc<Sealed<Proof>>,
    /// The dense proof.
    pub dense: Doc<Sealed<DenseProof>>,
    /// The reference bar.
    pub reference: Doc<Sealed<ReferenceBar>>,
    /// The changeover to the technique.
    pub changeover: Doc<Sealed<Changeover>>,
    /// The level in force.
    pub level: Doc<Sealed<Level>>,
    /// The checks by file name, oldest first.
    pub checks: Vec<(String, Doc<Sealed<Check>>)>,
    /// The bars screened so far, by name.
    pub bars: Vec<Bar>,
    /// The cut plan of the lot.
    pub cut_plan: Doc<Sealed<LotCut>>,
    /// The second looks by name.
    pub looks: Vec<(String, Doc<Sealed<SecondLook>>)>,
    /// Names of the papers.
    pub papers: Vec<String>,
    /// A folder that cannot be listed.
    pub unlisted: Vec<FileError>,
    /// The ledger.
    pub ledger: Ledger,
    /// Work that takes long, the latest.
    pub work: Option<Seen>,
    /// Languages that the pages can be read in besides English.
    pub languages: Languages,
    /// Who looks.
    pub viewer: Viewer,
    /// The day, UTC.
    pub today: jiff::civil::Date,
}

/// The documents of one bar.
pub struct Bar {
    /// Its name.
    pub name: String,
    /// What screening says.
    pub screened: Doc<Sealed<ScreenedBar>>,
    /// What follows.
    pub judgement: Doc<Sealed<Judgement>>,
}

impl Lot {
    /// Reads a job folder; what is missing or unusable is said in its place. Blocks on files.
    pub fn read(folder: &JobFolder, cache: &Cache, ledger: Ledger, viewer: Viewer) -> Self {
        let f = folder;
        let mut unlisted = Vec::new();
        let mut names = |list: Result<Vec<String>, FileError>| {
            list.unwrap_or_else(|e| {
                unlisted.push(e);
                Vec::new()
            })
        };
        let checks = names(f.check_names())
            .into_iter()
            .map(|name| {
                let path = f.path(&format!("checks/{name}.json"));
                let doc = cache.get(&path, || files::read_sealed(&path));
                (name, doc)
            })
            .collect();
        let bars = names(f.bars())
            .into_iter()
            .map(|name| Bar {
                screened: cache.get(&f.screened_path(&name), || f.screened(&name)),
                judgement: cache.get(&f.judgement_path(&name), || f.judgement(&name)),
                name,
            })
            .collect();
        let looks = names(f.look_names())
            .into_iter()
            .filter_map(|name| {
                let path = f.look_path(&name)?;
                let doc = cache.get(&path, || files::read_sealed(&path));
                Some((name, doc))
            })
            .collect();
        let papers = names(f.papers());
        Self {
            order: cache.get(&f.order_path(), || f.order()),
            station: cache.get(&f.station_path(), || f.station()),
            rules: cache.get(&f.rules_path(), || f.rules()),
            technique: cache.get(&f.technique_path(), || f.technique()),
            proof: cache.get(&f.proof_path(), || f.proof()),
            dense: cache.get(&f.dense_path(), || files::read_sealed(&f.dense_path())),
            reference: cache.get(&f.reference_path(), || f.reference()),
            changeover: cache.get(&f.changeover_path(), || f.changeover()),
            level: cache.get(&f.level_path(), || f.level()),
            cut_plan: cache.get(&f.cut_plan_path(), || f.cut_plan()),
            checks,
            bars,
            looks,
            papers,
            unlisted,
            ledger,
            work: None,
            languages: &[],
            viewer,
            today: today(),
            folder: folder.clone(),
            cache: cache.clone(),
        }
    }

    /// State of a screened bar in the ledger.
    pub fn state(&self, bar: &Bar) -> Option<&BarState> {
        let heat = match (bar.screened.here(), self.order.here()) {
            (Some(s), _) => s.body.heat.as_str(),
            (None, Some(o)) => o.order.heat.as_str(),
            (None, None) => return None,
        };
        self.ledger.state_of(heat, &bar.name)
    }

    /// Where a bar stands.
    pub fn standing(&self, bar: &Bar) -> Standing {
        match (self.state(bar).map(|s| &s.state), bar.judgement.here()) {
            _ if bar.screened.error().is_some() || bar.judgement.error().is_some() => {
                Standing::Damaged
            }
            (Some(State::Released), _) => Standing::Released,
            (Some(State::Cropped { .. }), _) => Standing::Cropped,
            (Some(State::Held { .. }), _) => Standing::Held,
            (Some(State::Rejected), _) => Standing::Rejected,
            (Some(State::Waiting { .. }), _) => Standing::Waiting,
            (None, Some(_)) => Standing::Unrecorded,
            (None, None) => Standing::Unjudged,
        }
    }

    /// How many screened bars have no judgement that rests on the documents in force.
    pub fn unjudged(&self) -> usize {
        let (Some(technique), Some(rules), Some(order)) =
            (self.technique.here(), self.rules.here(), self.order.here())
        else {
            return 0;
        };
        let (rules, order) = (rules.hash(), order.hash());
        let in_force = InForce { technique: &technique.hash, rules: &rules, order: &order };
        let judged = |bar: &&Bar| match (bar.screened.here(), bar.judgement.here()) {
            (Some(screened), Some(judgement)) => in_force.judged(judgement, &screened.hash),
            (Some(_), None) => false,
            // What cannot be read is told elsewhere.
            (None, _) => true,
        };
        self.bars.iter().filter(|bar| !judged(bar)).count()
    }

    /// Why a bar is held, in a sentence; nothing where it is not.
    pub fn why_held(&self, state: &BarState) -> Option<String> {
        let State::Held { why } = &state.state else { return None };
        let judged = match why {
            barwright_ledger::Why::Judged(_) => {
                self.bars.iter().find(|b| b.name == state.bar.bar).and_then(|b| b.judgement.here())
            }
            _ => None,
        };
        let reasons: Vec<&str> =
            judged.iter().flat_map(|j| &j.body.reasons).map(|r| r.statement.as_str()).collect();
        Some(match reasons.as_slice() {
            [] => why.words(),
            list => format!("{}: {}", why.words(), list.join("; ")),
        })
    }

    /// When a document was entered in the ledger, to the minute.
    pub fn entered(&self, document: &Hash) -> Option<String> {
        self.ledger.entry_of(document).map(|e| to_the_minute(&e.date()))
    }
}

/// The day by this machine's clock, UTC.
pub fn today() -> jiff::civil::Date {
    jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::UTC).date()
}

/// A ledger's date without its seconds.
pub fn to_the_minute(date: &str) -> String {
    match (date.get(..16), date.ends_with(" UTC")) {
        (Some(minute), true) => format!("{minute} UTC"),
        _ => date.to_owned(),
    }
}

/// Where a bar stands, in the order in which it needs attention.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// Must not leave.
    Held,
    /// A document of it is unusable.
    Damaged,
    /// Not good.
    Rejected,
    /// Screened, not judged.
    Unjudged,
    /// Judged, not in the ledger.
    Unrecorded,
    /// On its way: a judgement or the closing check is still to come.
    Waiting,
    /// Good in pieces.
    Cropped,
    /// Good as it is.
    Released,
}

impl Standing {
    /// All, in the order in which they need attention.
    pub const ALL: [Self; 8] = [
        Self::Held,
        Self::Damaged,
        Self::Rejected,
        Self::Unjudged,
        Self::Unrecorded,
        Self::Waiting,
        Self::Cropped,
        Self::Released,
    ];

    /// In a word or three.
    pub fn words(self) -> &'static str {
        match self {
            Self::Held => say!("held"),
            Self::Damaged => say!("document damaged"),
            Self::Rejected => say!("rejected"),
            Self::Unjudged => say!("not judged"),
            Self::Unrecorded => say!("not in the ledger"),
            Self::Waiting => say!("waiting"),
            Self::Cropped => say!("released in pieces"),
            Self::Released => say!("released"),
        }
    }

    /// As used in addresses.
    pub fn key(self) -> &'static str {
        match self {
            Self::Held => "held",
            Self::Damaged => "damaged",
            Self::Rejected => "rejected",
            Self::Unjudged => "unjudged",
            Self::Unrecorded => "unrecorded",
            Self::Waiting => "waiting",
            Self::Cropped => "pieces",
            Self::Released => "released",
        }
    }
}
