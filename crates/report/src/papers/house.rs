//! How a house wants its papers: sheet, heading, logo, templates of its own.

use std::collections::BTreeMap;

use super::ReportError;

/// The paper that is printed on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sheet {
    /// ISO 216 A4.
    #[default]
    A4,
    /// North American letter.
    Letter,
}

impl Sheet {
    /// As the typesetter calls it.
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::A4 => "a4",
            Self::Letter => "us-letter",
        }
    }
}

/// A logo, as the file holds it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Logo {
    /// SVG.
    Svg(Vec<u8>),
    /// PNG.
    Png(Vec<u8>),
}

/// What a house changes of its papers.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct HousePapers {
    /// The paper that is printed on.
    pub sheet: Sheet,
    /// Words at the head of each paper, such as the name of the mill; empty: none.
    pub heading: String,
    /// Logo at the head of each paper.
    pub logo: Option<Logo>,
    /// Templates that stand in the place of the program's own, by their file names.
    pub templates: BTreeMap<String, String>,
}

/// The program's own templates, by their file names.
pub const TEMPLATES: [(&str, &str); 11] = [
    ("common.typ", include_str!("../../templates/common.typ")),
    ("bar.typ", include_str!("../../templates/bar.typ")),
    ("check.typ", include_str!("../../templates/check.typ")),
    ("level.typ", include_str!("../../templates/level.typ")),
    ("lot.typ", include_str!("../../templates/lot.typ")),
    ("pod.typ", include_str!("../../templates/pod.typ")),
    ("proof.typ", include_str!("../../templates/proof.typ")),
    ("reference.typ", include_str!("../../templates/reference.typ")),
    ("retest.typ", include_str!("../../templates/retest.typ")),
    ("technique.typ", include_str!("../../templates/technique.typ")),
    ("words.typ", include_str!("../../templates/words.typ")),
];

/// The program's own way.
pub(super) static PLAIN: HousePapers = HousePapers {
    sheet: Sheet::A4,
    heading: String::new(),
    logo: None,
    templates: BTreeMap::new(),
};

impl HousePapers {
    /// Takes a template of the house in the place of the program's own of that name.
    ///
    /// # Errors
    /// [`ReportError::NoTemplate`] for a name that the program has none of.
    pub fn take(&mut self, name: &str, template: String) -> Result<(), ReportError> {
        if !TEMPLATES.iter().any(|(known, _)| *known == name) {
            return Err(ReportError::NoTemplate { name: name.to_owned() });
        }
        self.templates.insert(name.to_owned(), template);
        Ok(())
    }

    /// Whether anything of the house goes into the setting.
    pub(super) fn is_own(&self) -> bool {
        self.logo.is_some() || !self.templates.is_empty()
    }
}
