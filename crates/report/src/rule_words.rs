//! Acceptance rules in words: what they say of bars of one section, line by line.

use barwright_job::{
    DocumentError, Rules,
    proof::FlawClass,
    rules::{
        GapAction,
        tables::{Band, Limit, Limited, Table},
        zones::{Action, Extent},
    },
};
use barwright_phrase::say;

use crate::text;

/// One rule: where it stands, and what it says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleLine {
    /// Clause, as reasons of verdicts name it.
    pub clause: String,
    /// What it says.
    pub words: String,
}

/// What rules say of bars of a diameter, side or thickness in metres.
///
/// # Errors
/// [`DocumentError::Impossible`] where the rules speak of other sections only.
pub fn rule_lines(rules: &Rules, section_m: f64) -> Result<Vec<RuleLine>, DocumentError> {
    let mut lines = vec![line(
        "alarm",
        say!(
            "an echo counts from {} % of full screen height, in {} neighbouring shots or beams",
            text::number(rules.alarm.height_fsh_percent, 0),
            rules.alarm.persistence
        ),
    )];
    if let Some(g) = rules.guard.filter(|g| g.height_db > 0.0) {
        let db = text::number(g.height_db, 1);
        lines.push(line("guard", say!("{db} dB are added to every echo before it is judged")));
    }
    let tables = rules.tables(section_m)?;
    for (class, of) in [(FlawClass::Disc, "volume"), (FlawClass::Crack, "surface")] {
        if !tables.iter().any(|t| t.class == class) {
            lines.push(line(
                "zone",
                say!("flaws of the {of}: no zone speaks of them, each one holds the bar"),
            ));
        }
    }
    for table in tables {
        lines.extend(table.bands.iter().flat_map(|band| band_lines(&table, band)));
    }
    if let Some(g) = rules.grouping {
        let (along, across) = (text::number(g.within_mm, 0), text::number(g.section_mm, 0));
        lines.push(line(
            "grouping",
            say!("flaws of a kind within {along} mm along the bar and {across} mm in the section are judged as one"),
        ));
    }
    if let Some(b) = rules.back_wall {
        lines.push(line(
            "back_wall",
            say!(
                "back wall lower than usual by more than {} dB over {} mm: {}",
                text::number(b.most_loss_db, 1),
                text::number(b.over_mm, 0),
                b.action.word()
            ),
        ));
    }
    let many = rules.too_many.unwrap_or_default();
    lines.push(line(
        "too_many",
        say!("more than {} indications in a bar: {}", many.most, many.action.word()),
    ));
    if let Some(e) = rules.ends {
        let (head, tail) = (text::number(e.head_mm, 0), text::number(e.tail_mm, 0));
        lines.push(line(
            "ends",
            say!("{head} mm at the head and {tail} mm at the tail are cut off"),
        ));
    }
    let words = match rules.not_inspected.action {
        GapAction::Hold => say!("a stretch not inspected: hold for another pass"),
        GapAction::Crop => say!("a stretch not inspected: cut it out"),
    };
    lines.push(line("not_inspected", words.into()));
    Ok(lines)
}

fn line(clause: &str, words: String) -> RuleLine {
    RuleLine { clause: clause.into(), words }
}

fn band_lines(table: &Table, band: &Band) -> Vec<RuleLine> {
    let mm = |m: f64| text::mm(m, 2);
    let range = match (band.over_m > 0.0, band.up_to_m.is_finite()) {
        (false, true) => say!("up to {} mm", mm(band.up_to_m)),
        (true, true) => say!("over {} up to {} mm", mm(band.over_m), mm(band.up_to_m)),
        (true, false) => say!("over {} mm", mm(band.over_m)),
        (false, false) => say!("of any size").into(),
    };
    let of = match table.class {
        FlawClass::Disc => say!("volume, equivalent disc"),
        FlawClass::Crack => say!("surface, crack depth"),
    };
    let extent = match table.extent {
        Some(Extent::Point) => say!(", points"),
        Some(Extent::Extended) => say!(", extended"),
        None => "",
    };
    let depth = match (table.from_m > 0.0, table.to_m.is_finite()) {
        (false, false) => String::new(),
        (true, false) => say!(", deeper than {} mm", mm(table.from_m)),
        (false, true) => say!(", down to {} mm", mm(table.to_m)),
        (true, true) => say!(", {} to {} mm deep", mm(table.from_m), mm(table.to_m)),
    };
    let what = format!("{of} {range}{extent}{depth}: {}", follows(band.action));
    let mut lines = vec![line(&band.clause, what)];
    lines.extend(band.limits.iter().map(|l| line(&l.clause, limit_words(l))));
    lines
}

fn limit_words(l: &Limit) -> String {
    let what = match l.what {
        Limited::Length(m) => say!("longer than {} mm", text::mm(m, 0)),
        Limited::PerMetre(n) => say!("more than {n} within a metre"),
        Limited::PerBar(n) => say!("more than {n} in a bar"),
        Limited::Apart(m) => say!("less than {} mm apart", text::mm(m, 0)),
    };
    format!("{what}: {}", follows(l.beyond))
}

fn follows(action: Action) -> &'static str {
    match action {
        Action::Accept => "accept",
        Action::Crop => say!("cut it out"),
        Action::Hold => say!("hold the bar"),
        Action::Reject => say!("reject the bar"),
    }
}
