//! The margins of a proof as a table that other programs read.

use std::path::{Path, PathBuf};

use barwright_job::proof::{ClassProof, Engine, Proof, ProvedClass};
use barwright_job::{Sealed, Technique};
use barwright_report::places;
use barwright_web::files;
use serde::Serialize;

use crate::failure::Failure;

/// A file for the margins; its ending says the form.
#[derive(Debug, Clone)]
pub struct MapFile {
    path: PathBuf,
    form: Form,
}

#[derive(Debug, Clone, Copy)]
enum Form {
    Csv,
    Json,
}

impl MapFile {
    /// Takes a path that ends with `.csv` or `.json`.
    ///
    /// # Errors
    /// In words, when it ends otherwise.
    pub fn parse(path: &str) -> Result<Self, String> {
        let path = PathBuf::from(path);
        let form = match super::ending(&path).as_str() {
            "csv" => Form::Csv,
            "json" => Form::Json,
            _ => return Err("the name of the file must end with .csv or .json".to_owned()),
        };
        Ok(Self { path, form })
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the margins of a proof, whole or not at all.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(
        &self,
        technique: &Sealed<Technique>,
        proof: &Sealed<Proof>,
    ) -> Result<(), Failure> {
        let map = Map::of(technique, proof);
        let content = match self.form {
            Form::Csv => map.csv().map_err(|e| Failure::because(&e))?,
            Form::Json => {
                let mut text = serde_json::to_vec_pretty(&map).map_err(|e| Failure::because(&e))?;
                text.push(b'\n');
                text
            }
        };
        Ok(files::write(&self.path, &content)?)
    }
}

/// The margins of all classes.
#[derive(Debug, Serialize)]
struct Map<'a> {
    technique: &'a str,
    proof: &'a str,
    classes: Vec<ClassMap<'a>>,
}

#[derive(Debug, Serialize)]
struct ClassMap<'a> {
    engine: Engine,
    class: ProvedClass,
    flaw: &'a str,
    places: Vec<Row>,
}

/// A place; margins in dB re alarm height, null where nothing is seen.
#[derive(Debug, Serialize)]
struct Row {
    x_mm: f64,
    y_mm: f64,
    nominal_db_re_alarm: Option<f32>,
    worst_db_re_alarm: Option<f32>,
    asked: bool,
}

/// Millimetres to the nanometre: places are of a grid, and digits beyond are only rounding.
fn mm(metres: f64) -> f64 {
    (metres * 1e9).round() / 1e6
}

impl<'a> Map<'a> {
    fn of(technique: &'a Sealed<Technique>, proof: &'a Sealed<Proof>) -> Self {
        let p = &proof.body;
        let class = |engine: Engine, c: &'a ClassProof| ClassMap {
            engine,
            class: c.class,
            flaw: &c.flaw,
            places: places(&c.map, &technique.body.section)
                .into_iter()
                .map(|place| Row {
                    x_mm: mm(place.at.x),
                    y_mm: mm(place.at.y),
                    nominal_db_re_alarm: place.nominal_db,
                    worst_db_re_alarm: place.worst_db,
                    asked: place.asked,
                })
                .collect(),
        };
        Self {
            technique: &technique.hash.0,
            proof: &proof.hash.0,
            classes: p
                .classes
                .iter()
                .map(|c| class(p.engine, c))
                .chain(p.by_rays.iter().map(|c| class(Engine::Ray, c)))
                .collect(),
        }
    }

    fn csv(&self) -> Result<Vec<u8>, csv::Error> {
        #[derive(Serialize)]
        struct Line {
            engine: Engine,
            class: ProvedClass,
            x_mm: f64,
            y_mm: f64,
            nominal_db_re_alarm: Option<f32>,
            worst_db_re_alarm: Option<f32>,
            asked: bool,
        }
        let mut writer = csv::Writer::from_writer(Vec::new());
        for c in &self.classes {
            for r in &c.places {
                writer.serialize(Line {
                    engine: c.engine,
                    class: c.class,
                    x_mm: r.x_mm,
                    y_mm: r.y_mm,
                    nominal_db_re_alarm: r.nominal_db_re_alarm,
                    worst_db_re_alarm: r.worst_db_re_alarm,
                    asked: r.asked,
                })?;
            }
        }
        writer.into_inner().map_err(|e| e.into_error().into())
    }
}
