//! The record of a bar as an object for exchange: what papers print, what the ledger holds besides, and the
//! peaks. All of it as of the ledger's last entry, so that the same record gives the same object at any time.

use barwright_capture::{each_echoes, hash_file};
use barwright_job::{Hash, Sealed, Station, screened::ScreenedBar};
use barwright_ledger::{
    BarKey, Entry, Equipment, Kind, Ledger, People, record::Facts, store::questions::Story,
};
use barwright_report::diconde::{
    Approved, BarObject, Entered, ObjectInput, PeakMap, Piece, Recorded, bar_object,
};

use super::{PaperError, Papers, Result};
use crate::{
    approving::{APPROVAL_RESTS_ON, Approval, approvals},
    folder::JobFolder,
    record::document_of,
};

/// How often a ledger is read anew that grows meanwhile.
const READINGS: usize = 5;

/// The object of a bar, and what its maker noticed.
#[derive(Debug, Clone)]
pub struct Exported {
    /// The object.
    pub object: BarObject,
    /// Number of the entry as of which it speaks.
    pub entry: i64,
    /// Rows, columns, length of a column in m, height of a step in full screen height, and number of peaks of the
    /// map; absent without one.
    pub map: Option<MapSize>,
    /// Why a table of peaks that should be there is not used: something is amiss in the folder.
    pub amiss: Option<String>,
}

/// Size of a map of peaks.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MapSize {
    /// Gates for flaws, beam by beam.
    pub rows: usize,
    /// Stretches of the bar.
    pub columns: usize,
    /// Length of a column in metres.
    pub cell_m: f64,
    /// Height of a step, as a fraction of full screen height.
    pub step_fsh: f64,
    /// Peaks read.
    pub peaks: u64,
}

/// What the ledger holds, all read while it did not grow.
struct Held {
    story: Story,
    /// Entries about people, approvals, equipment, levels and operators.
    entries: Vec<Entry>,
    /// The last entry of all.
    last: Entry,
}

/// The object of a bar.
///
/// # Errors
/// When a document is missing, the ledger does not know the bar or grows faster than it is read, or documents
/// do not belong together.
pub fn exported(job: &JobFolder, bar: &str) -> Result<Exported> {
    let ledger = Ledger::open_to_read(&job.ledger_home())?;
    let key = BarKey::new(&job.order()?.order.heat, bar);
    let mut seq = 0;
    for _ in 0..READINGS {
        let head = ledger.head()?;
        seq = head.seq;
        let Some(story) = ledger.story(&key, head.time_us)? else {
            return Err(PaperError::NotEntered(bar.to_owned()));
        };
        let kinds = [Kind::Level, Kind::Operator, Kind::Equipment, Kind::Mount];
        let entries = ledger.by_kinds(&[&APPROVAL_RESTS_ON[..], &kinds].concat())?;
        let last = ledger.entry(head.seq)?;
        let papers = Papers::of(job, &ledger, head.time_us, vec![bar.to_owned()])?;
        // Whatever was read between two equal ends was read of one ledger.
        let same = ledger.head()? == head;
        if let Some(last) = last.filter(|_| same) {
            return papers.exported(bar, &Held { story, entries, last });
        }
    }
    Err(PaperError::Growing(seq))
}

impl Papers<'_> {
    fn exported(&self, bar: &str, held: &Held) -> Result<Exported> {
        let state = self.state(bar).ok_or_else(|| PaperError::NotEntered(bar.to_owned()))?;
        let read = self.read(state)?;
        let (screened, judgement) = (&read.screened, &read.judgement);
        let station = self.station();
        let peaks = self.peaks(bar, screened);
        let people = People::of(&held.entries)?;
        let register = Equipment::of(&held.entries, &people)?;
        let of_bar = &held.story.entries;
        let first = judgement.body.decisions.first().map(|d| &d.judgement);
        let at = state.screened.unwrap_or(self.head.seq);
        let counting = approvals(&self.technique.hash, &held.entries)?;
        let approvals: Vec<Approved<'_>> = counting
            .iter()
            .filter(|a| a.counts())
            .filter_map(|a: &Approval| {
                let entry = held.entries.iter().find(|e| e.seq == a.seq)?;
                let role = a.role.words();
                Some(Approved { entered: entered(entry), person: &a.person, role })
            })
            .collect();
        let equipment: Vec<Piece<'_>> = held
            .story
            .equipment
            .iter()
            .map(|(serial, place)| {
                let piece = register.piece(serial, at);
                Piece {
                    serial,
                    place,
                    what: piece.map(|p| p.what.as_str()),
                    calibration: piece
                        .and_then(|p| p.calibration.as_ref())
                        .map(|c| (c.certificate.as_str(), c.until)),
                }
            })
            .collect();
        let operator = held.entries.iter().rev().find_map(|e| match e.facts() {
            Ok(Facts::Operator(f))
                if e.seq < at && e.line == state.line && people.allowed(e).is_ok() =>
            {
                Some(f.person)
            }
            _ => None,
        });
        let before = held.entries.iter().filter(|e| e.seq < at);
        let object = bar_object(&ObjectInput {
            bar: self.bar_input(&read),
            recorded: Recorded {
                ledger: &self.head.ledger.name,
                head: entered(&held.last),
                head_hash: &self.head.hash.0,
                line: &state.line,
                level: of_document(before, Kind::Level, &self.level.hash),
                opening: self.check_entered(state.opening_check, read.opening.is_some()),
                closing: self.check_entered(state.closing_check, read.closing.is_some()),
                screened: of_document(of_bar.iter(), Kind::BarScreened, &screened.hash),
                judgement: of_document(of_bar.iter(), Kind::Judgement, &judgement.hash),
                first_judgement: first.and_then(|h| of_document(of_bar.iter(), Kind::Judgement, h)),
                approvals: &approvals,
                equipment: &equipment,
                operator: operator.as_deref(),
            },
            station: station.as_ref(),
            peaks: peaks.as_ref().map_err(|a| a.why.as_str()),
        })?;
        let map = peaks.as_ref().ok().map(|map| MapSize {
            rows: map.size().0,
            columns: map.size().1,
            cell_m: map.cell_m(),
            step_fsh: map.step_fsh(),
            peaks: map.peaks(),
        });
        let amiss = peaks.err().filter(|a| a.amiss).map(|a| a.why);
        Ok(Exported { object, entry: self.head.seq, map, amiss })
    }

    fn check_entered(&self, seq: Option<i64>, at_hand: bool) -> Option<Entered<'_>> {
        self.check_entries.iter().find(|e| at_hand && Some(e.seq) == seq).map(entered)
    }

    /// The station that the technique was made for, if its document still is that.
    fn station(&self) -> Option<Station> {
        let made_for = self.technique.made_from.get("station")?;
        self.job.station().ok().filter(|s| s.hash() == *made_for)
    }

    /// The map of the bar's peaks, from the very table that screening wrote.
    fn peaks(
        &self,
        bar: &str,
        screened: &Sealed<ScreenedBar>,
    ) -> std::result::Result<PeakMap, Away> {
        let away = |why: &str| Away { why: why.to_owned(), amiss: false };
        let unreadable = |e: &dyn std::error::Error| Away {
            why: format!("the table of peaks: {e}"),
            amiss: true,
        };
        let path = self.job.echoes_path(bar);
        let Some(written) = screened.made_from.get("echoes").filter(|_| path.is_file()) else {
            return Err(away("the table of peaks is not in the job folder"));
        };
        if hash_file(&path).map_err(|e| unreadable(&e))? != *written {
            let why = "the table of peaks in the job folder is not the one that screening wrote";
            return Err(Away { why: why.to_owned(), amiss: true });
        }
        let Some(mut map) = PeakMap::new(&self.technique.body, screened.body.length_m) else {
            return Err(away(
                "the technique has no gates for flaws, or more than a picture has rows",
            ));
        };
        let read = each_echoes(&path, |group| {
            map.take(group);
            Ok(())
        });
        read.map_err(|e| unreadable(&e))?;
        Ok(map)
    }
}

/// Why there are no peaks, and whether that is wrong.
struct Away {
    why: String,
    amiss: bool,
}

fn entered(entry: &Entry) -> Entered<'_> {
    Entered { entry: entry.seq, time_us: entry.time_us, author: &entry.author }
}

/// The last entry by which a document came into the ledger.
fn of_document<'e>(
    entries: impl DoubleEndedIterator<Item = &'e Entry>,
    kind: Kind,
    hash: &Hash,
) -> Option<Entered<'e>> {
    entries.rev().find(|e| e.kind == kind && document_of(e) == Some(&hash.0)).map(entered)
}
