//! The documents and tables of a job folder, for whoever takes them elsewhere: what there is, and its
//! bytes. Nothing else of the folder is given away.

use std::path::PathBuf;

use crate::{files::FileError, folder::JobFolder};

/// A file that can be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Download {
    /// Its address under the folder, with slashes.
    pub name: String,
    /// What it is.
    pub what: &'static str,
    /// Length in bytes.
    pub bytes: u64,
    path: PathBuf,
}

/// Files that stand alone.
const ALONE: [(&str, &str); 10] = [
    ("order.toml", "the order"),
    ("station.toml", "the station"),
    ("rules.toml", "the acceptance rules"),
    ("technique.json", "the technique, with every law, gate and gain"),
    ("proof.json", "the coverage proof"),
    ("dense-proof.json", "the worst case over combinations of tolerances"),
    ("reference-bar.json", "the reference bar and its motion list"),
    ("changeover.json", "the changeover"),
    ("level.json", "the level"),
    ("cut-plan.json", "the cut plan of the lot"),
];

/// Files of bars, by their ending.
const OF_BARS: [(&str, &str); 5] = [
    (".screened.json", "what screening says"),
    (".judgement.json", "the judgement"),
    (".echoes.parquet", "every peak"),
    (".ascans.parquet", "kept A-scans"),
    (".inspected.parquet", "what each beam did at each millimetre"),
];

/// What stands alone and there. The ledger is not among them: a copy that holds while others write is what
/// `ledger backup` makes.
#[must_use]
pub fn documents(folder: &JobFolder) -> Vec<Download> {
    let mut found: Vec<Download> = ALONE
        .iter()
        .filter_map(|(name, what)| download(folder, (*name).to_owned(), what))
        .collect();
    for name in folder.check_names().unwrap_or_default() {
        found.extend(download(folder, format!("checks/{name}.json"), "a check"));
    }
    for name in folder.look_names().unwrap_or_default() {
        found.extend(download(folder, format!("looks/{name}.json"), "a second look"));
        found.extend(download(folder, format!("looks/{name}.svg"), "the picture of a second look"));
    }
    for name in folder.pod_names().unwrap_or_default() {
        let what = "a probability of detection, with its trials";
        found.extend(download(folder, format!("pod/{name}.json"), what));
    }
    found
}

/// The files of a screened bar.
#[must_use]
pub fn of_bar(folder: &JobFolder, bar: &str) -> Vec<Download> {
    let named = |(ending, what): &(&str, &'static str)| {
        download(folder, format!("bars/{bar}{ending}"), what)
    };
    OF_BARS.iter().filter_map(named).collect()
}

fn download(folder: &JobFolder, name: String, what: &'static str) -> Option<Download> {
    let path = folder.path(&name);
    let about = std::fs::metadata(&path).ok().filter(std::fs::Metadata::is_file)?;
    Some(Download { name, what, bytes: about.len(), path })
}

/// The file that somebody asks for; none for a name that is not in the lists.
///
/// # Errors
/// [`FileError::Read`] where the folder or the file cannot be read.
pub fn taken(folder: &JobFolder, name: &str) -> Result<Option<Vec<u8>>, FileError> {
    let mut all = documents(folder);
    if name.starts_with("bars/") {
        all.extend(folder.bars()?.iter().flat_map(|bar| of_bar(folder, bar)));
    }
    let Some(found) = all.into_iter().find(|file| file.name == name) else { return Ok(None) };
    let read = |source| FileError::Read { path: found.path.clone(), source };
    std::fs::read(&found.path).map(Some).map_err(read)
}
