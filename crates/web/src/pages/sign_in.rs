//! The page for signing in, and what is answered to who may not look. Neither says anything of the lot.

use barwright_phrase::{html, say};
use barwright_report::texts;
use maud::{DOCTYPE, Markup};

use crate::{
    chain::Shape,
    look::{mark, shell},
};

fn frame(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang=(texts::tag()) data-words=[shell::script_words()] {
            (shell::head(title))
            body {
                header.top {
                    div.plate {
                        span.name { (mark::link(Shape::Closed)) span { ("Barwright") } }
                        p.lot {}
                        (shell::form_switch())
                    }
                }
                main #main tabindex="-1" { (body) }
            }
        }
    }
}

/// The form; `to`: where to go on to. `why`: what was wrong the last time.
pub fn page(to: &str, why: Option<&str>) -> Markup {
    frame(
        say!("Sign in"),
        &html! {
            div.head { h1 { "Sign in" } p.lead { "Whoever looks at these pages says who they are." } }
            form.entry method="post" action="/sign-in" {
                input type="hidden" name="to" value=(to);
                @if let Some(why) = why { p.wrong role="alert" { (mark::link(Shape::Split)) span { (why) } } }
                label { span { "Name" } input name="name" autocomplete="username" autocapitalize="none" spellcheck="false" maxlength="64" required autofocus; }
                label { span { "Password" } input name="password" type="password" autocomplete="current-password" maxlength="1024" required; }
                button.main type="submit" { "Sign in" }
            }
        },
    )
}

/// Why somebody may not look, or not do what was asked.
pub fn refused(title: &str, why: &str) -> Markup {
    frame(
        title,
        &html! {
            div.head { h1 { (title) } }
            p { (why) }
            p { a href="/" { "To the chain of the lot" } }
        },
    )
}
