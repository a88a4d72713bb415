//! Folders of case files. Each JSON file states its conventions and tolerances; its kind is the
//! file name up to a hyphen or the ending.

use std::path::{Path, PathBuf};

use barwright_web::files::read_text;
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::{Comparison, Findings, NotRun, Truth, cylinder, holes, interfaces, paths, worst};
use crate::failure::Failure;

/// One file: conventions, tolerances and cases of type `C`.
#[derive(Debug, Deserialize)]
pub struct CaseFile<C, T> {
    /// What the cases are about.
    pub title: String,
    /// Tolerances as the file's author states them.
    pub suggested_tolerance: T,
    /// The cases.
    pub cases: Vec<C>,
}

/// A 2-D point or a complex number as the files write it.
pub type Pair = [f64; 2];

/// The comparisons of one case, collected under its name.
pub struct Case<'a> {
    name: String,
    source: &'a str,
    out: &'a mut Vec<Comparison>,
}

impl Case<'_> {
    /// Adds one quantity: the worst of the pairs counts.
    pub fn compare(
        &mut self,
        quantity: &str,
        unit: &'static str,
        tolerance: f64,
        pairs: impl IntoIterator<Item = (f64, f64, f64)>,
    ) {
        let (value, reference, difference) = worst(pairs).unwrap_or((f64::NAN, f64::NAN, f64::NAN));
        self.out.push(Comparison {
            case: self.name.clone(),
            quantity: quantity.to_owned(),
            value,
            reference,
            difference,
            tolerance,
            unit,
            truth: Truth::IndependentCode,
            source: self.source.to_owned(),
        });
    }

    /// Adds a list of real numbers.
    pub fn reals(
        &mut self,
        quantity: &str,
        unit: &'static str,
        tolerance: f64,
        found: &[f64],
        wanted: &[f64],
    ) {
        self.list(quantity, unit, tolerance, found, wanted, |&a, &b| (a, b, (a - b).abs()));
    }

    /// Adds a list of points or complex numbers.
    pub fn pairs(
        &mut self,
        quantity: &str,
        unit: &'static str,
        tolerance: f64,
        found: &[Pair],
        wanted: &[Pair],
    ) {
        self.list(quantity, unit, tolerance, found, wanted, |a, b| {
            (a[0].hypot(a[1]), b[0].hypot(b[1]), (a[0] - b[0]).hypot(a[1] - b[1]))
        });
    }

    /// Lists of different length are a comparison that fails: of their lengths.
    fn list<V>(
        &mut self,
        quantity: &str,
        unit: &'static str,
        tolerance: f64,
        found: &[V],
        wanted: &[V],
        distance: impl Fn(&V, &V) -> (f64, f64, f64),
    ) {
        let (n, m) = (found.len(), wanted.len());
        if n == m {
            let pairs = found.iter().zip(wanted).map(|(a, b)| distance(a, b));
            self.compare(quantity, unit, tolerance, pairs);
        } else {
            let counts = (n as f64, m as f64, n.abs_diff(m) as f64);
            self.compare(&format!("{quantity} (count)"), "", 0.0, [counts]);
        }
    }
}

/// Compares every file of a folder.
///
/// # Errors
/// When the folder cannot be read or a file of a known kind does not have its form.
pub fn compare_folder(folder: &Path) -> Result<Findings, Failure> {
    let mut findings = Findings::default();
    for path in sorted_files(folder)? {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let Some(stem) = name.strip_suffix(".json") else {
            if name != "README.md" {
                findings.not_run.push(NotRun { name, reason: "not a JSON file".into() });
            }
            continue;
        };
        let kind = stem.split('-').next().unwrap_or(stem);
        match kind {
            "fermat_times" => each(&path, &mut findings, paths::fermat_times)?,
            "pulse_echo_time" => each(&path, &mut findings, paths::pulse_echo_time)?,
            "water_speed" => each(&path, &mut findings, interfaces::water_speed)?,
            "plane_wave" => each(&path, &mut findings, interfaces::plane_wave)?,
            "sdh_scatter" => each(&path, &mut findings, holes::sdh_scatter)?,
            "exact_point" => each(&path, &mut findings, cylinder::exact_point)?,
            "exact_broadband" => each(&path, &mut findings, cylinder::exact_broadband)?,
            _ => findings.not_run.push(NotRun { reason: format!("unknown kind `{kind}`"), name }),
        }
    }
    Ok(findings)
}

fn sorted_files(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let unreadable = |e: std::io::Error| {
        Failure::new(format!("{}: the folder of cases cannot be read: {e}", folder.display()))
            .hint(Some("name a folder that holds case files in JSON".into()))
    };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        if path.is_file() {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// Runs one comparison over all cases of a file.
fn each<C: DeserializeOwned + Named, T: DeserializeOwned>(
    path: &Path,
    findings: &mut Findings,
    compare: impl Fn(&C, &T, &mut Case<'_>) -> barwright_wave::Result<()>,
) -> Result<(), Failure> {
    let text = read_text(path)?;
    let mut deserializer = serde_json::Deserializer::from_str(&text);
    let file: CaseFile<C, T> = serde_path_to_error::deserialize(&mut deserializer)
        .map_err(|e| Failure::new(format!("{}: {} at {}", path.display(), e.inner(), e.path())))?;
    let name = path.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    if file.cases.is_empty() {
        findings.not_run.push(NotRun { name, reason: "it holds no cases".into() });
        return Ok(());
    }
    for case in &file.cases {
        let label = format!("{name} {}", case.id());
        let mut collect =
            Case { name: label.clone(), source: &file.title, out: &mut findings.comparisons };
        if let Err(e) = compare(case, &file.suggested_tolerance, &mut collect) {
            // A case that cannot be computed is a failed comparison, not a skipped one.
            collect.compare(&format!("computed ({e})"), "", 0.0, [(0.0, 1.0, 1.0)]);
        }
    }
    Ok(())
}

/// A case with a name.
pub trait Named {
    /// Its name inside the file.
    fn id(&self) -> &str;
}
