//! The key of a message: its English words, with a name in braces for every part that is put in.

use proc_macro2::{TokenStream, TokenTree};

/// A message as it grows.
#[derive(Default)]
pub struct Message {
    /// Its key.
    pub key: String,
    names: Vec<String>,
}

impl Message {
    /// Adds words as they are read. A brace of theirs is doubled, as in `format!`.
    pub fn words(&mut self, words: &str) {
        self.key.push_str(&words.replace('{', "{{").replace('}', "}}"));
    }

    /// Adds a part and returns its name, which no other part of the message has.
    pub fn part(&mut self, wish: &str) -> String {
        let free = |name: &String| !self.names.contains(name);
        let name = std::iter::once(wish.to_owned())
            .chain((2..).map(|n| format!("{wish}{n}")))
            .find(free)
            .unwrap_or_default();
        self.key.push('{');
        self.key.push_str(&name);
        self.key.push('}');
        self.names.push(name.clone());
        name
    }
}

/// The name of the part that an expression puts in: the last name in it that is not called, no path's head
/// and no field of a called one; `part` where it has none.
pub fn name_of(expression: TokenStream) -> String {
    let mut last = None;
    collect(expression, &mut last);
    last.unwrap_or_else(|| "part".to_owned())
}

fn collect(tokens: TokenStream, last: &mut Option<String>) {
    let mut tokens = tokens.into_iter().peekable();
    while let Some(token) = tokens.next() {
        match token {
            TokenTree::Group(group) => collect(group.stream(), last),
            TokenTree::Ident(ident) => {
                let called = match tokens.peek() {
                    Some(TokenTree::Group(g)) => {
                        g.delimiter() == proc_macro2::Delimiter::Parenthesis
                    }
                    Some(TokenTree::Punct(p)) => {
                        p.as_char() == '!'
                            || (p.as_char() == ':' && p.spacing() == proc_macro2::Spacing::Joint)
                    }
                    _ => false,
                };
                let name = ident.to_string();
                let plain = name.starts_with(|c: char| c.is_ascii_lowercase());
                if plain && !called && !is_keyword(&name) {
                    *last = Some(name);
                }
            }
            TokenTree::Punct(_) | TokenTree::Literal(_) => {}
        }
    }
}

fn is_keyword(name: &str) -> bool {
    matches!(
        name,
        "as" | "else"
            | "false"
            | "if"
            | "in"
            | "let"
            | "match"
            | "move"
            | "mut"
            | "ref"
            | "self"
            | "true"
    )
}

/// Whether words are to be said in a language: units and signs are not.
pub fn is_spoken(words: &str) -> bool {
    words.split(|c: char| !c.is_alphabetic()).any(|word| word.chars().count() > 1 && !is_unit(word))
}

fn is_unit(word: &str) -> bool {
    matches!(
        word,
        "mm" | "dB" | "kHz" | "MHz" | "Hz" | "min" | "ns" | "ms" | "kg" | "µs" | "in" | "ft"
    )
}
