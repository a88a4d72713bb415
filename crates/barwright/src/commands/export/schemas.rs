//! `export schemas`: what the documents look like, for editors and other programs.

use std::{collections::BTreeMap, path::PathBuf};

use barwright_capture::ImportMap;
use barwright_job::{
    Order, Rules, Sealed, Station, Technique, changeover::Changeover, check::Check,
    dense::DenseProof, judgement::Judgement, level::Level, lot_cut::LotCut, pod::Pod, proof::Proof,
    reference::ReferenceBar, screened::ScreenedBar, seal::Document, second_look::SecondLook,
};
use barwright_twin::{Campaign, Scene};
use barwright_web::files;
use schemars::{JsonSchema, generate::SchemaSettings};
use serde::Serialize;
use serde_json::{Map, Value, json};

use super::others;
use crate::bench::Bench;
use crate::failure::{Failure, Outcome};

/// Where to write.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for the schemas.
    #[arg(long, value_name = "FOLDER")]
    to: PathBuf,
    /// Write over files of these names that say something else.
    #[arg(long)]
    replace: bool,
}

/// What was written, as data.
#[derive(Debug, Serialize)]
struct Written {
    folder: PathBuf,
    schemas: Vec<String>,
    replaced: Vec<String>,
}

/// Writes the schemas: all of them, or none.
pub fn run(bench: &Bench, args: &Args) -> Result<Outcome, Failure> {
    let mut contents = Vec::new();
    let mut schemas = Vec::new();
    for (name, schema) in all() {
        let file = format!("{name}.schema.json");
        let schema = sorted(schema);
        let mut text = serde_json::to_string_pretty(&schema).map_err(|e| Failure::because(&e))?;
        text.push('\n');
        contents.push((args.to.join(&file), text.into_bytes()));
        schemas.push(file);
    }
    let replaced = others(&contents, args.replace)?;
    files::write_together(&contents)?;
    let mut text =
        format!("{} schemas in {}: {}", schemas.len(), args.to.display(), schemas.join(", "));
    if !replaced.is_empty() {
        text += &format!("\nwritten over: {}", replaced.join(", "));
    }
    bench.answer(&text, &Written { folder: args.to.clone(), schemas, replaced })?;
    Ok(Outcome::Good)
}

/// Every schema by the name of its document.
fn all() -> Vec<(&'static str, Value)> {
    vec![
        ("order", written::<Order>("order", barwright_job::order::FORMAT)),
        ("station", written::<Station>("station", barwright_job::station::FORMAT)),
        ("rules", written::<Rules>("rules", barwright_job::rules::FORMAT)),
        ("scene", written::<Scene>("scene", barwright_twin::scene::FORMAT)),
        ("campaign", written::<Campaign>("campaign", barwright_twin::campaign::FORMAT)),
        ("import-map", written::<ImportMap>("import-map", barwright_capture::import::FORMAT)),
        sealed::<Technique>(),
        sealed::<Proof>(),
        sealed::<DenseProof>(),
        sealed::<ReferenceBar>(),
        sealed::<Changeover>(),
        sealed::<Level>(),
        sealed::<Check>(),
        sealed::<ScreenedBar>(),
        sealed::<Judgement>(),
        sealed::<LotCut>(),
        sealed::<Pod>(),
        sealed::<SecondLook>(),
    ]
}

/// The same with the keys of each object in the order of the alphabet, however this program was built: whether maps
/// keep the order in which they were filled is a feature that other crates may switch on.
fn sorted(value: Value) -> Value {
    match value {
        Value::Object(map) => {
            let keys: BTreeMap<String, Value> =
                map.into_iter().map(|(k, v)| (k, sorted(v))).collect();
            Value::Object(keys.into_iter().collect())
        }
        Value::Array(list) => list.into_iter().map(sorted).collect(),
        other => other,
    }
}

/// The schema of a document that people write.
fn written<T: JsonSchema>(name: &str, format: u32) -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = generator.into_root_schema_for::<T>().to_value();
    polish(&mut schema);
    schema["$id"] = json!(format!("urn:barwright:schema:{name}:{format}"));
    schema["title"] = json!(name.replace('-', " "));
    schema["properties"]["format"]["minimum"] = json!(1);
    schema["properties"]["format"]["maximum"] = json!(format);
    schema
}

/// The schema of a sealed document.
fn sealed<T: Document + JsonSchema>() -> (&'static str, Value) {
    let name = match T::KIND {
        "coverage proof" => "coverage-proof",
        "reference bar" => "reference-bar",
        "dense proof" => "dense-proof",
        "screened bar" => "screened-bar",
        "lot cut" => "lot-cut",
        "probability of detection" => "probability-of-detection",
        "second look" => "second-look",
        one_word => one_word,
    };
    let mut schema = written::<Sealed<T>>(name, T::FORMAT);
    schema["properties"]["document"] =
        json!({ "const": T::KIND, "description": "Kind of the document." });
    (name, schema)
}

/// Takes the marks of the code's documentation out of descriptions, and says the unit of each key.
fn polish(schema: &mut Value) {
    match schema {
        Value::Object(map) => {
            if let Some(Value::String(text)) = map.get_mut("description") {
                *text = plain(text);
            }
            if let Some(Value::Object(properties)) = map.get_mut("properties") {
                properties.iter_mut().for_each(|(key, property)| say_unit(key, property));
            }
            map.values_mut().for_each(polish);
        }
        Value::Array(list) => list.iter_mut().for_each(polish),
        _ => {}
    }
}

fn say_unit(key: &str, property: &mut Value) {
    if let (Some(unit), Some(map)) = (unit(key), property.as_object_mut()) {
        let map: &mut Map<String, Value> = map;
        map.insert("x-unit".to_owned(), unit.into());
    }
}

/// The unit that a key ends in.
fn unit(key: &str) -> Option<&'static str> {
    // The longer ones first.
    const UNITS: [(&str, &str); 27] = [
        ("_fsh_percent", "% of full screen height"),
        ("_db_per_min", "dB/min"),
        ("_mm_per_m", "mm/m"),
        ("_db_per_m", "dB/m"),
        ("_per_m", "1/m"),
        ("_kg_m3", "kg/m³"),
        ("_np_m", "Np/m"),
        ("_mb_s", "MB/s"),
        ("_m_s", "m/s"),
        ("_percent", "%"),
        ("_fsh", "full screen height"),
        ("_mhz", "MHz"),
        ("_rad", "rad"),
        ("_deg", "°"),
        ("_hz", "Hz"),
        ("_mm", "mm"),
        ("_db", "dB"),
        ("_us", "µs"),
        ("_ns", "ns"),
        ("_ms", "ms"),
        ("_rel", "of 1"),
        ("per_second", "1/s"),
        ("_m", "m"),
        ("_s", "s"),
        ("_c", "°C"),
        ("_k", "K"),
        ("_h", "h"),
    ];
    UNITS.iter().find(|(end, _)| key.ends_with(end)).map(|(_, unit)| *unit)
}

/// Words without the links of the code's documentation, each paragraph on one line.
fn plain(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(at) = rest.find('[') {
        let (before, link) = rest.split_at(at);
        out.push_str(before);
        // An interval may be open at its end: what opens again before it closes is no link.
        let Some(end) =
            link[1..].find(['[', ']']).map(|k| k + 1).filter(|k| link[*k..].starts_with(']'))
        else {
            out.push('[');
            rest = &link[1..];
            continue;
        };
        let (words, after) = (&link[1..end], &link[end + 1..]);
        let address =
            after.strip_prefix('(').and_then(|inner| Some(&inner[inner.find(')')? + 1..]));
        let is_link = address.is_some() || words.starts_with('`');
        out.push_str(if is_link { words } else { &link[..=end] });
        rest = address.unwrap_or(after);
    }
    out.push_str(rest);
    paragraphs(&out)
}

fn paragraphs(text: &str) -> String {
    let one = |p: &str| p.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    text.split("\n\n").map(one).collect::<Vec<_>>().join("\n\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    // Truth: by hand. Links lose their marks, intervals keep theirs.
    #[test]
    fn descriptions_are_plain_words() {
        assert_eq!(plain("Format number, [`FORMAT`]."), "Format number, `FORMAT`.");
        assert_eq!(
            plain("In rad, in\n[0, 2π).\n\nMore [here](there.md)."),
            "In rad, in [0, 2π).\n\nMore here."
        );
        assert_eq!(plain("a list [1] of (one)"), "a list [1] of (one)");
    }

    // Property: of two ends that fit the longer one counts, so none stands behind one that it ends in.
    #[test]
    fn units_come_from_the_ends_of_keys() {
        for (key, wanted) in [
            ("line_speed_m_s", Some("m/s")),
            ("straightness_mm_per_m", Some("mm/m")),
            ("height_fsh_percent", Some("% of full screen height")),
            ("attenuation_l_np_m", Some("Np/m")),
            ("uncertainty_db_per_min", Some("dB/min")),
            ("from_m", Some("m")),
            ("beams", None),
            ("passes", None),
        ] {
            assert_eq!(unit(key), wanted, "{key}");
        }
    }

    // Property: every schema names every key's meaning. The one key of a choice has it beside itself.
    #[test]
    fn every_key_is_described() {
        fn walk(value: &Value, path: &str) {
            if let Some(properties) = value.get("properties").and_then(Value::as_object) {
                let choice = properties.len() == 1 && value.get("description").is_some();
                for (key, property) in properties {
                    let own = property.get("description").or(property.get("$ref"));
                    let said = choice || own.is_some();
                    assert!(said, "{path} {key}: {property}");
                }
            }
            match value {
                Value::Object(map) => map.iter().for_each(|(k, v)| walk(v, &format!("{path}/{k}"))),
                Value::Array(list) => list.iter().for_each(|v| walk(v, path)),
                _ => {}
            }
        }
        for (name, schema) in all() {
            walk(&schema, name);
        }
    }
}
