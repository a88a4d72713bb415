//! The papers printed so far.

use barwright_phrase::{html, say};
use barwright_report::text;
use maud::Markup;

use crate::{
    downloads::{self, Download},
    look::{
        parts, segment, shell,
        table::{behind, prose, table, words},
    },
    lot::Lot,
    pages::working,
    tables::{self, Format},
    working::What,
};

/// The page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "/papers",
        say!("Papers"),
        &html! { "Sheets and certificates as PDF. A certificate is only written for steel that the ledger releases; any other bar gets a record that says in large words what it is." },
        &html! {
            (working::section(lot, What::Papers))
            @if lot.papers.is_empty() {
                (parts::absent(say!("Here the papers of the lot would lie."), "barwright certify"))
            } @else {
                ul.papers {
                    @for name in &lot.papers {
                        li { a href=(format!("/papers/{}.pdf", segment(name))) {
                            svg.sheet viewBox="0 0 32 40" aria-hidden="true" { path d="M3 2h18l8 8v28H3z" {} path d="M21 2v8h8M9 18h14M9 24h14M9 30h9" {} }
                            span { (text::visible(name)) }
                            @if let Some(at) = entered(lot, name) { span.quiet { "entered " (at) } }
                        } }
                    }
                }
            }
            (documents(lot))
            (tables())
            (parts::cautions())
        },
    )
}

/// Documents and tables, to be taken elsewhere.
fn documents(lot: &Lot) -> Markup {
    let there = downloads::documents(&lot.folder);
    html! {
        @if !there.is_empty() {
            section {
                h2 { "Documents and tables" }
                p { "The documents themselves: text that anybody can read, sealed with its own hash where a program made it. What is kept of a bar stands on its page." }
                (list(&there))
            }
        }
    }
}

/// Everything that pages list, as tables for other programs.
fn tables() -> Markup {
    let link = |file: &str| html! { a href=(format!("/tables/{file}")) download { (file) } };
    let rows = tables::all().into_iter().map(|listed| {
        let file = |format: Format| link(&format!("{}.{}", listed.name, format.ending()));
        vec![html! { (listed.title()) }, file(Format::Csv), file(Format::Parquet)]
    });
    html! {
        section {
            h2 { "Tables" }
            p { "Everything that the pages list, with full precision and units. What the columns mean: " (link(tables::DICTIONARY)) "." }
            (behind(
                say!("Every table"),
                &table(say!("Tables of this job"), &[prose(say!("Table")), words("CSV"), words("Parquet")], rows),
            ))
        }
    }
}

/// Files by name, with what they are and their length.
pub fn list(files: &[Download]) -> Markup {
    html! {
        ul.downloads { @for file in files {
            li {
                a href=(format!("/documents/{}", address(&file.name))) download { (text::visible(&file.name)) }
                " " span.quiet { (file.what) ", " (length(file.bytes)) }
            }
        } }
    }
}

fn address(name: &str) -> String {
    name.split('/').map(segment).collect::<Vec<_>>().join("/")
}

fn length(bytes: u64) -> String {
    let kib = bytes as f64 / 1024.0;
    if kib < 1000.0 {
        say!("{} KiB", text::number(kib.max(0.1), 1))
    } else {
        say!("{} MiB", text::number(kib / 1024.0, 1))
    }
}

/// When a paper was entered in the ledger, which knows it by its subject.
fn entered(lot: &Lot, name: &str) -> Option<String> {
    let entries = &lot.ledger.here()?.entries;
    let found = entries
        .iter()
        .rev()
        .find(|e| e.kind == barwright_ledger::Kind::Paper && e.subject == name)?;
    Some(crate::lot::to_the_minute(&found.date()))
}
