//! `house`: the folder of the house's own languages, templates and logo.

use std::path::PathBuf;

use barwright_report::{papers::TEMPLATES, texts};
use barwright_web::{House, files};
use clap::Subcommand;
use serde::Serialize;

use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Adapt papers and pages: sheet, heading, logo, language, templates.
///
/// The house folder is `house` in the job folder, or the one that --house names, so that many jobs
/// share it.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Write a house folder to begin with. Nothing that is there already is overwritten.
    Begin,
    /// Write the program's own templates of papers into the house folder, to be changed there. Nothing
    /// that is there already is overwritten.
    Templates {
        /// Which, such as bar.typ; all if none is named.
        #[arg(value_name = "TEMPLATE")]
        names: Vec<String>,
    },
    /// Say what the house folder holds, and whether it can be used.
    Show,
}

const HOUSE: &str = include_str!("../../../../examples/house.toml");

/// Does what was asked.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let house = bench.job.house();
    match &args.action {
        Action::Begin => write(
            bench,
            vec![
                (house.join("house.toml"), HOUSE),
                (house.join("texts/barwright.pot"), texts::LIST),
            ],
        ),
        Action::Templates { names } => {
            let known = |name: &str| TEMPLATES.iter().any(|(known, _)| *known == name);
            if let Some(name) = names.iter().find(|name| !known(name)) {
                let all = TEMPLATES.map(|(name, _)| name).join(", ");
                return Err(Failure::new(format!("no paper has a template {name:?}"))
                    .hint(Some(format!("the templates are {all}"))));
            }
            let wanted = |name: &str| names.is_empty() || names.iter().any(|n| n == name);
            let chosen = TEMPLATES.into_iter().filter(|(name, _)| wanted(name));
            write(bench, chosen.map(|(n, text)| (house.join("papers").join(n), text)).collect())
        }
        Action::Show => show(bench),
    }
}

#[derive(Serialize)]
struct Written {
    written: Vec<PathBuf>,
    kept: Vec<PathBuf>,
}

fn write(bench: &Bench, texts: Vec<(PathBuf, &str)>) -> Result<Outcome, Failure> {
    let (kept, new): (Vec<_>, Vec<_>) = texts.into_iter().partition(|(path, _)| path.exists());
    for (path, text) in &new {
        files::write(path, text.as_bytes())?;
    }
    let paths = |list: Vec<(PathBuf, &str)>| list.into_iter().map(|(path, _)| path).collect();
    let told = Written { written: paths(new), kept: paths(kept) };
    let line = |path: &PathBuf, state: &str| format!("{} {state}\n", path.display());
    let mut text: String = told.written.iter().map(|path| line(path, "written")).collect();
    text.extend(told.kept.iter().map(|path| line(path, "was there and is kept")));
    bench.answer(&text, &told)?;
    Ok(Outcome::Good)
}

#[derive(Serialize)]
struct Told {
    folder: PathBuf,
    sheet: String,
    heading: String,
    logo: bool,
    templates: Vec<String>,
    paper_language: String,
    languages: Vec<Language>,
}

#[derive(Serialize)]
struct Language {
    tag: String,
    name: String,
    translated: usize,
    texts: usize,
}

fn show(bench: &Bench) -> Result<Outcome, Failure> {
    let house = House::read(&bench.job).map_err(|e| Failure::because(&e).hint(e.hint()))?;
    let papers = house.papers.cloned().unwrap_or_default();
    let told = Told {
        folder: bench.job.house(),
        sheet: format!("{:?}", papers.sheet),
        heading: papers.heading,
        logo: papers.logo.is_some(),
        templates: papers.templates.into_keys().collect(),
        paper_language: house.paper_language.map_or_else(|| "en".to_owned(), |c| c.tag.clone()),
        languages: house
            .languages
            .iter()
            .map(|c| Language {
                tag: c.tag.clone(),
                name: c.name().to_owned(),
                translated: c.len(),
                texts: texts::count(),
            })
            .collect(),
    };
    let or_none = |words: &str| if words.is_empty() { "none".to_owned() } else { words.to_owned() };
    let mut text = format!(
        "{}\nsheet      {}\nheading    {}\nlogo       {}\ntemplates  {}\npapers in  {}\n",
        told.folder.display(),
        told.sheet,
        or_none(&told.heading),
        if told.logo { "its own" } else { "none" },
        or_none(&told.templates.join(", ")),
        told.paper_language,
    );
    for l in &told.languages {
        text.push_str(&format!(
            "language   {} ({}), {} of {} texts\n",
            l.tag, l.name, l.translated, l.texts
        ));
    }
    bench.answer(&text, &told)?;
    Ok(Outcome::Good)
}
