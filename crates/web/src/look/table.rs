//! Tables with units in the head and figures that stand under each other.

use barwright_phrase::html;
use maud::Markup;

/// A column of a table.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    name: &'static str,
    unit: &'static str,
    class: Option<&'static str>,
}

/// A column of words.
pub const fn words(name: &'static str) -> Column {
    Column { name, unit: "", class: None }
}

/// A column of sentences, which wrap.
pub const fn prose(name: &'static str) -> Column {
    Column { name, unit: "", class: Some("prose") }
}

/// A column of figures with their unit.
pub const fn figures(name: &'static str, unit: &'static str) -> Column {
    Column { name, unit, class: Some("figures") }
}

/// A table; the first cell of each row is its head. Wide ones scroll within themselves.
pub fn table(
    caption: &str,
    columns: &[Column],
    rows: impl IntoIterator<Item = Vec<Markup>>,
) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr {
                    @for c in columns {
                        th scope="col" class=[c.class] {
                            (c.name)
                            @if !c.unit.is_empty() { " " span.unit { (c.unit) } }
                        }
                    }
                } }
                tbody {
                    @for row in rows {
                        tr {
                            @for (k, (cell, c)) in row.iter().zip(columns).enumerate() {
                                @if k == 0 { th scope="row" class=[c.class] { (cell) } }
                                @else { td class=[c.class] { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A table behind a picture, folded away until asked for.
pub fn behind(words: &str, table: &Markup) -> Markup {
    html! {
        details.behind {
            summary { (words) }
            (table)
        }
    }
}
