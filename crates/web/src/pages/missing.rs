//! What is answered where there is nothing.

use barwright_phrase::{html, say};
use maud::{DOCTYPE, Markup};

use crate::{look::shell, lot::Lot};

/// No such page.
pub fn page(lot: &Lot) -> Markup {
    shell::shell(
        lot,
        "",
        say!("Nothing under this address"),
        &html! { "The address may be mistyped, or the bar or paper is not in this folder." },
        &html! { p { a href="/" { "To the chain of the lot" } } },
    )
}

/// The page could not be made.
pub fn broken() -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (shell::head(say!("Fault")))
            body {
                main {
                    h1 { "This page could not be made" }
                    p { "That is a fault of the program. Keep the job folder as it is and report it." }
                    p { a href="/" { "To the chain of the lot" } }
                }
            }
        }
    }
}
