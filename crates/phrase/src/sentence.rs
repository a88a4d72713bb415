//! The sentences of plain code: `say!`.

use proc_macro2::TokenStream;
use quote::quote;
use syn::{
    Error, Expr, Ident, LitStr, Result, Token,
    parse::{Parse, ParseStream},
};

use crate::message::{Message, name_of};

/// What stands between the parentheses: the words and what is put into them.
struct Said {
    words: LitStr,
    arguments: Vec<(Option<Ident>, TokenStream)>,
}

impl Parse for Said {
    fn parse(input: ParseStream) -> Result<Self> {
        let words = input.parse()?;
        let mut arguments = Vec::new();
        while input.parse::<Option<Token![,]>>()?.is_some() && !input.is_empty() {
            let name = if input.peek(Ident) && input.peek2(Token![=]) && !input.peek2(Token![==]) {
                let name = input.parse()?;
                input.parse::<Token![=]>()?;
                Some(name)
            } else {
                None
            };
            let value: Expr = input.parse()?;
            arguments.push((name, quote! { #value }));
        }
        Ok(Self { words, arguments })
    }
}

/// A piece of a format string.
enum Piece {
    Words(String),
    /// What a placeholder names, and how it is written.
    Put {
        name: String,
        how: String,
    },
}

/// The code that looks a sentence up; `tell` hears its key.
pub fn spoken(input: TokenStream, tell: &mut dyn FnMut(&str)) -> Result<TokenStream> {
    let Said { words, arguments } = syn::parse2(input)?;
    let fail = |why: &str| Error::new(words.span(), why);
    let pieces = pieces(&words.value()).map_err(|why| fail(&why))?;
    let mut message = Message::default();
    let mut parts = Vec::new();
    let (mut next, mut used) = (0, vec![false; arguments.len()]);
    for piece in pieces {
        let (name, how) = match piece {
            Piece::Words(words) => {
                message.words(&words);
                continue;
            }
            Piece::Put { name, how } => (name, how),
        };
        let given = if name.is_empty() {
            next += 1;
            Some(next - 1)
        } else {
            arguments.iter().position(|(n, _)| n.as_ref().is_some_and(|n| *n == name))
        };
        let value = match given {
            Some(k) => {
                let (_, value) =
                    arguments.get(k).ok_or_else(|| fail("a placeholder has no argument"))?;
                used[k] = true;
                value.clone()
            }
            None => {
                let ident: Ident = syn::parse_str(&name).map_err(|_| fail("no name of a value"))?;
                let ident = Ident::new(&ident.to_string(), words.span());
                quote! { #ident }
            }
        };
        let wish = if name.is_empty() { name_of(value.clone()) } else { name };
        let name = message.part(&wish);
        let form = LitStr::new(&format!("{{{how}}}"), words.span());
        parts.push(quote! { (#name, ::std::format!(#form, #value)) });
    }
    if used.contains(&false) {
        return Err(fail("an argument has no placeholder"));
    }
    let key = &message.key;
    tell(key);
    Ok(if parts.is_empty() {
        let plain = key.replace("{{", "{").replace("}}", "}");
        quote! { ::barwright_report::texts::plain(#key, #plain) }
    } else {
        quote! { ::barwright_report::texts::filled(#key, &[#(#parts),*]) }
    })
}

fn pieces(format: &str) -> std::result::Result<Vec<Piece>, String> {
    let mut pieces = Vec::new();
    let mut words = String::new();
    let mut chars = format.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '{' | '}' if chars.peek() == Some(&c) => {
                chars.next();
                words.push(c);
            }
            '{' => {
                let inside: String = chars.by_ref().take_while(|c| *c != '}').collect();
                pieces.push(Piece::Words(std::mem::take(&mut words)));
                let (name, how) = inside
                    .split_once(':')
                    .map_or((&*inside, String::new()), |(n, h)| (n, format!(":{h}")));
                pieces.push(Piece::Put { name: name.to_owned(), how });
            }
            '}' => return Err("a brace is closed that was not opened".to_owned()),
            c => words.push(c),
        }
    }
    pieces.push(Piece::Words(words));
    Ok(pieces)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(code: &str) -> String {
        let mut heard = String::new();
        let made = code
            .parse()
            .map_err(|_| Error::new(proc_macro2::Span::call_site(), "no tokens"))
            .and_then(|tokens| spoken(tokens, &mut |key| key.clone_into(&mut heard)));
        made.map_or_else(|e| format!("refused: {e}"), |_| heard)
    }

    #[test]
    fn a_sentence_names_its_parts() {
        assert_eq!(key(r#""Held""#), "Held");
        assert_eq!(key(r#""{n} of {}", list.len()"#), "{n} of {list}");
        assert_eq!(key(r#""{} or {}", a.name, b.name"#), "{name} or {name2}");
        assert_eq!(
            key(r#""{x:.2} dB below {what}", what = text::topic(t)"#),
            "{x} dB below {what}"
        );
        assert_eq!(key(r#""{} %", 100.0 * 2.0"#), "{part} %");
        assert_eq!(
            key(r#""{} of {}", way_unit(), text::number(MOST_HELD, 0)"#),
            "{way_unit} of {most_held}"
        );
        assert_eq!(key(r#""a {{brace}}""#), "a {{brace}}");
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        assert!(key(r#""{} of {}", a"#).starts_with("refused"));
        assert!(key(r#""one", a"#).starts_with("refused"));
        assert!(key("word").starts_with("refused"));
    }
}
