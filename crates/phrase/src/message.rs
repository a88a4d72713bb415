//! The key of a message: its English words, with a name in braces for every part that is put in.

use proc_macro2::{Delimiter, Spacing, TokenStream, TokenTree};

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
/// and no field of a called one; else the last constant, else what is called; `part` where there is none.
pub fn name_of(expression: TokenStream) -> String {
    let mut names = Names::default();
    names.collect(expression);
    names.plain.or(names.constant).or(names.called).unwrap_or_else(|| "part".to_owned())
}

/// The last name of each kind.
#[derive(Default)]
struct Names {
    plain: Option<String>,
    constant: Option<String>,
    called: Option<String>,
}

impl Names {
    fn collect(&mut self, tokens: TokenStream) {
        let mut tokens = tokens.into_iter().peekable();
        while let Some(token) = tokens.next() {
            match token {
                TokenTree::Group(group) => self.collect(group.stream()),
                TokenTree::Ident(ident) => {
                    let name = ident.to_string();
                    let lower = name.starts_with(|c: char| c.is_ascii_lowercase());
                    match tokens.peek() {
                        Some(TokenTree::Group(g)) if g.delimiter() == Delimiter::Parenthesis => {
                            self.called = Some(name);
                        }
                        // A macro, or the head of a path.
                        Some(TokenTree::Punct(p))
                            if p.as_char() == '!'
                                || (p.as_char() == ':' && p.spacing() == Spacing::Joint) => {}
                        _ if lower && !is_keyword(&name) => self.plain = Some(name),
                        _ if name.chars().all(|c| c.is_ascii_uppercase() || c == '_') => {
                            self.constant = Some(name.to_ascii_lowercase());
                        }
                        _ => {}
                    }
                }
                TokenTree::Punct(_) | TokenTree::Literal(_) => {}
            }
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
