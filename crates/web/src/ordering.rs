//! Writing an order as fields with its text beside it: either way round, and what is wrong with it.
//! Pure. The text is the document; comments and layout stay when a field is changed.

use barwright_phrase::say;
use std::collections::BTreeMap;

use barwright_job::{DocumentError, Order};
use serde::{Deserialize, Serialize};
use toml_edit::{DocumentMut, Item, Table, Value};

/// A value of an order that has a field.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    /// Dotted path.
    pub key: &'static str,
    /// In words.
    pub name: &'static str,
    /// Unit; empty for names and counts.
    pub unit: &'static str,
    kind: Kind,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Words,
    Count,
    Figure,
}

fn words(key: &'static str, name: &'static str) -> Field {
    Field { key, name, unit: "", kind: Kind::Words }
}

fn figure(key: &'static str, name: &'static str, unit: &'static str) -> Field {
    Field { key, name, unit, kind: Kind::Figure }
}

/// Fields that stand together.
#[derive(Debug, Clone)]
pub struct Group {
    /// Heading.
    pub name: &'static str,
    /// The table that must be there for the group to be shown; empty: always.
    pub needs: &'static str,
    /// Its fields.
    pub fields: Vec<Field>,
}

/// All fields. Lengths that pieces are sold by are a list, and written in the text.
pub fn groups() -> Vec<Group> {
    vec![
        Group {
            name: say!("Order"),
            needs: "",
            fields: vec![
                words("order.number", say!("number")),
                words("order.customer", say!("customer")),
                words("order.heat", say!("heat")),
                words("order.rules", say!("acceptance rules")),
            ],
        },
        Group {
            name: say!("Round section"),
            needs: "section.round",
            fields: vec![
                figure("section.round.diameter_mm", say!("diameter"), "mm"),
                figure("section.round.tolerance_mm", say!("tolerance, plus and minus"), "mm"),
                figure("section.round.ovality_mm", say!("ovality"), "mm"),
            ],
        },
        Group {
            name: say!("Square section"),
            needs: "section.square",
            fields: vec![
                figure("section.square.side_mm", say!("side"), "mm"),
                figure("section.square.corner_radius_mm", say!("corner radius"), "mm"),
                figure("section.square.tolerance_mm", say!("tolerance, plus and minus"), "mm"),
            ],
        },
        Group {
            name: say!("Flat section"),
            needs: "section.flat",
            fields: vec![
                figure("section.flat.thickness_mm", say!("thickness"), "mm"),
                figure("section.flat.tolerance_mm", say!("tolerance, plus and minus"), "mm"),
            ],
        },
        Group {
            name: say!("Bars"),
            needs: "",
            fields: vec![
                Field { key: "bars.count", name: say!("how many"), unit: "", kind: Kind::Count },
                figure("bars.length_mm", say!("length"), "mm"),
                figure("bars.straightness_mm_per_m", say!("bow, at most"), "mm/m"),
            ],
        },
        Group {
            name: say!("Steel"),
            needs: "",
            fields: vec![
                words("steel.grade", say!("grade")),
                figure("steel.longitudinal_m_s", say!("longitudinal velocity"), "m/s"),
                figure("steel.shear_m_s", say!("shear velocity"), "m/s"),
                figure("steel.density_kg_m3", say!("density"), "kg/m³"),
                figure("steel.attenuation_l_db_per_m", say!("attenuation, longitudinal"), "dB/m"),
                figure("steel.attenuation_s_db_per_m", say!("attenuation, shear"), "dB/m"),
                figure("steel.velocity_tolerance_percent", say!("velocities, plus and minus"), "%"),
                figure("steel.grain_noise_disc_mm", say!("grain noise, as a disc of"), "mm"),
            ],
        },
        Group {
            name: say!("To be found: disc in the volume"),
            needs: "",
            fields: vec![
                figure("flaws.disc.diameter_mm", say!("diameter"), "mm"),
                figure("flaws.disc.skin_mm", say!("deeper than"), "mm"),
                figure("flaws.disc.coverage_percent", say!("coverage"), "% of the area"),
                figure("flaws.disc.tilt_deg", say!("tilt, at most"), "°"),
                figure("flaws.shortest_mm", say!("shortest flaw of any class"), "mm"),
            ],
        },
        Group {
            name: say!("To be found: crack at the surface"),
            needs: "",
            fields: vec![
                figure("flaws.crack.depth_mm", say!("depth"), "mm"),
                figure("flaws.crack.coverage_percent", say!("coverage"), "% of the circumference"),
            ],
        },
        Group {
            name: say!("To be found: inclusion"),
            needs: "",
            fields: vec![
                figure("flaws.inclusion.diameter_mm", say!("diameter"), "mm"),
                figure("flaws.inclusion.coverage_percent", say!("coverage"), "% of the area"),
            ],
        },
        Group {
            name: say!("To be found: pipe"),
            needs: "",
            fields: vec![
                figure("flaws.pipe.diameter_mm", say!("diameter"), "mm"),
                figure("flaws.pipe.within_mm", say!("within"), "mm of the centre"),
                figure("flaws.pipe.coverage_percent", say!("coverage"), "% of that zone"),
            ],
        },
        Group {
            name: say!("To be cut"),
            needs: "",
            fields: vec![
                figure("cut.shortest_mm", say!("shortest piece"), "mm"),
                figure("cut.kerf_mm", say!("saw cut"), "mm"),
            ],
        },
    ]
}

/// Sections that an order can be for, by their word in the document.
pub const SECTIONS: [&str; 3] = ["round", "square", "flat"];

/// An order to begin with: its tables, the velocities of common steel, and nothing that is for the mill to
/// say. `rules`: name of the acceptance rules at hand; empty for none.
#[must_use]
pub fn blank(section: &str, rules: &str) -> String {
    let section = SECTIONS.iter().find(|known| **known == section).unwrap_or(&SECTIONS[0]);
    let rules =
        if rules.is_empty() { String::new() } else { format!("rules = {}\n", Value::from(rules)) };
    format!(
        "# Units are in the keys. Unknown keys are refused.\nformat = 1\n\n[order]\n{rules}\n[section.{section}]\n\n[steel]\n\
         longitudinal_m_s = 5920.0   # common steel; measure your own\nshear_m_s = 3255.0\ndensity_kg_m3 = 7850.0\n\n\
         [bars]\n\n[flaws]\n\n[flaws.disc]                # volume: a disc that faces the beam\n\n[cut]\n"
    )
}

/// An order as a form sends it.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct Draft {
    /// The text.
    pub text: String,
    /// A field that was changed, to be taken into the text; empty: none.
    pub key: String,
    /// Its value; empty takes the key out.
    pub value: String,
    /// Hash of the text that the form was shown with; empty where there was no order.
    pub seen: String,
}

/// What is wrong with an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Line of the text, from 1, where it is known.
    pub line: Option<usize>,
    /// Dotted path; empty where the text cannot be read at all.
    pub key: String,
    /// In words.
    pub words: String,
}

/// An order looked at: text and fields say the same, where the text can be read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Looked {
    /// The text.
    pub text: String,
    /// Values by key; absent where the text cannot be read.
    pub values: Option<BTreeMap<String, String>>,
    /// What is wrong, the first of it.
    pub problem: Option<Problem>,
}

impl Looked {
    /// Looks at a draft, with its changed field taken into the text.
    #[must_use]
    pub fn at(draft: &Draft) -> Self {
        let text =
            with_value(&draft.text, &draft.key, &draft.value).unwrap_or_else(|| draft.text.clone());
        let values = text.parse::<DocumentMut>().ok().map(|document| values(&document));
        let problem = Order::from_toml("order.toml", &text).err().map(problem);
        Self { text, values, problem }
    }
}

fn field(key: &str) -> Option<Field> {
    groups().into_iter().flat_map(|group| group.fields).find(|field| field.key == key)
}

fn values(document: &DocumentMut) -> BTreeMap<String, String> {
    let all = groups().into_iter().flat_map(|group| group.fields);
    all.filter_map(|field| Some((field.key.to_owned(), value_of(document, field.key)?))).collect()
}

fn value_of(document: &DocumentMut, key: &str) -> Option<String> {
    let item = key.split('.').try_fold(document.as_item(), |item, part| item.get(part))?;
    match item.as_value()? {
        Value::String(text) => Some(text.value().clone()),
        // As it is written, without what stands around it.
        other => Some(other.clone().decorated("", "").to_string()),
    }
}

/// The text with the value of a field changed; none for an unknown key, or a text that cannot be
/// read. What is no number is written as words, and found wrong by whoever reads the order.
fn with_value(text: &str, key: &str, value: &str) -> Option<String> {
    let field = field(key)?;
    let mut document: DocumentMut = text.parse().ok()?;
    let (tables, name) = key.rsplit_once('.')?;
    let mut table: &mut Item = document.as_item_mut();
    for part in tables.split('.') {
        let within = table.as_table_like_mut()?;
        if !within.contains_key(part) {
            if value.trim().is_empty() {
                return Some(text.to_owned());
            }
            within.insert(part, Item::Table(Table::new()));
        }
        table = within.get_mut(part)?;
    }
    let table = table.as_table_like_mut()?;
    let value = value.trim();
    if value.is_empty() {
        table.remove(name);
        return Some(document.to_string());
    }
    let mut new = match field.kind {
        Kind::Words => Value::from(value),
        Kind::Count => value.parse::<i64>().map_or_else(|_| Value::from(value), Value::from),
        Kind::Figure => number(value).map_or_else(|| Value::from(value), Value::from),
    };
    if let Some(old) = table.get(name).and_then(Item::as_value) {
        // A comment behind the value stays.
        *new.decor_mut() = old.decor().clone();
    }
    table.insert(name, Item::Value(new));
    Some(document.to_string())
}

/// A number with a point or a comma.
fn number(text: &str) -> Option<f64> {
    let value: f64 = text.replacen(',', ".", 1).parse().ok()?;
    value.is_finite().then_some(value)
}

fn problem(e: DocumentError) -> Problem {
    match e {
        DocumentError::Malformed { line, key, message, hint, .. } => {
            let hint = if hint.is_empty() { hint } else { format!("; {hint}") };
            Problem { line: Some(line), key, words: format!("{message}{hint}") }
        }
        DocumentError::Impossible { document, key, value, expected } => Problem {
            line: document.rsplit_once(':').and_then(|(_, line)| line.parse().ok()),
            words: format!("{value}: {expected}"),
            key,
        },
        other => Problem { line: None, key: String::new(), words: other.to_string() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "# of the mill\nformat = 1\n\n[order]\nnumber = \"A-1\"\ncustomer = \"c\"\nheat = \"H1\"\nrules = \"R\"  # by name\n\n[section.round]\ndiameter_mm = 42.0 # nominal\ntolerance_mm = 0.3\n\n[steel]\ngrade = \"g\"\nlongitudinal_m_s = 5920.0\nshear_m_s = 3255.0\ndensity_kg_m3 = 7850.0\nattenuation_l_db_per_m = 10.0\nattenuation_s_db_per_m = 20.0\n\n[bars]\ncount = 3\nlength_mm = 3000.0\n\n[flaws]\nshortest_mm = 10.0\n\n[flaws.disc]\ndiameter_mm = 1.2\nskin_mm = 4.0\ncoverage_percent = 98.0\n\n[cut]\nshortest_mm = 800.0\nkerf_mm = 4.0\n";

    fn changed(key: &str, value: &str) -> Looked {
        let draft =
            Draft { text: TEXT.into(), key: key.into(), value: value.into(), seen: "".into() };
        Looked::at(&draft)
    }

    // Own rules: an order written from nothing by its fields alone is one.
    #[test]
    fn an_order_is_written_from_nothing_by_its_fields() {
        let mut draft = Draft { text: blank("round", "R \"1\""), ..Draft::default() };
        assert!(Looked::at(&draft).problem.is_some(), "it says nothing yet");
        for (key, value) in [
            ("order.number", "A-1"),
            ("order.customer", "c"),
            ("order.heat", "H1"),
            ("section.round.diameter_mm", "42"),
            ("section.round.tolerance_mm", "0,3"),
            ("steel.grade", "g"),
            ("steel.attenuation_l_db_per_m", "10"),
            ("steel.attenuation_s_db_per_m", "20"),
            ("bars.count", "3"),
            ("bars.length_mm", "3000"),
            ("flaws.shortest_mm", "10"),
            ("flaws.disc.diameter_mm", "1.2"),
            ("flaws.disc.skin_mm", "4"),
            ("flaws.disc.coverage_percent", "98"),
            ("cut.shortest_mm", "800"),
            ("cut.kerf_mm", "4"),
        ] {
            (draft.key, draft.value) = (key.into(), value.into());
            draft.text = Looked::at(&draft).text;
        }
        draft.key.clear();
        assert_eq!(Looked::at(&draft).problem, None, "{}", draft.text);
        let order = Order::from_toml("order.toml", &draft.text).unwrap();
        assert_eq!(order.order.rules, "R \"1\"");
        for section in SECTIONS {
            assert!(blank(section, "").parse::<DocumentMut>().is_ok(), "{section}");
        }
    }

    // Property: a field taken into the text is read back, and nothing else of the text changes.
    #[test]
    fn every_field_is_read_back_and_the_rest_of_the_text_stays() {
        for field in groups().into_iter().flat_map(|group| group.fields) {
            let value = if field.kind == Kind::Words { "a \"b\" #c" } else { "7" };
            let looked = changed(field.key, value);
            let read = &looked.values.as_ref().unwrap()[field.key];
            let wanted = if field.kind == Kind::Figure { "7.0" } else { value };
            assert_eq!(read, wanted, "{}", field.key);
            let kept = TEXT.lines().filter(|line| looked.text.lines().any(|l| l == *line)).count();
            assert!(kept + 1 >= TEXT.lines().count(), "{}: {}", field.key, looked.text);
            // Taken out again.
            let out = Draft { text: looked.text, key: field.key.into(), ..Draft::default() };
            assert!(!Looked::at(&out).values.unwrap().contains_key(field.key), "{}", field.key);
        }
    }

    #[test]
    fn comments_stay_and_a_comma_is_a_point() {
        let looked = changed("section.round.diameter_mm", "38,5");
        assert!(looked.text.contains("diameter_mm = 38.5 # nominal"), "{}", looked.text);
        assert_eq!(looked.problem, None);
    }

    #[test]
    fn what_is_wrong_is_said_with_key_and_line() {
        let far = changed("section.round.diameter_mm", "400").problem.unwrap();
        assert_eq!((far.line, far.key.as_str()), (Some(11), "section.round.diameter_mm"));
        let words = changed("bars.length_mm", "long").problem.unwrap();
        assert_eq!((words.line, words.key.as_str()), (Some(24), "bars.length_mm"));
        let gone = changed("order.heat", "").problem.unwrap();
        assert_eq!(gone.key, "order");
        let broken = Looked::at(&Draft { text: "[order".into(), ..Draft::default() });
        assert!(broken.values.is_none() && broken.problem.unwrap().line == Some(1));
        // A key that no field has changes nothing.
        assert_eq!(changed("format", "2").text, TEXT);
    }
}
