//! The words in maud's markup: found, joined to messages, looked up.

use proc_macro2::{Delimiter, Group, Spacing, Span, TokenStream, TokenTree};
use quote::{quote, quote_spanned};
use syn::LitStr;

use crate::message::{Message, is_spoken, name_of};

/// Elements that stand within a sentence.
const INLINE: [&str; 18] = [
    "a", "abbr", "b", "bdi", "cite", "code", "em", "i", "kbd", "mark", "q", "samp", "small",
    "span", "strong", "sub", "sup", "time",
];
/// Elements whose words are no language's.
const VERBATIM: [&str; 6] = ["code", "kbd", "pre", "samp", "script", "style"];
/// Attributes that are read by people, and those that hand words to a script.
const READ: [&str; 4] = ["alt", "aria-label", "placeholder", "title"];
const HANDED: &str = "data-words";

/// Hears the key of each message.
type Tell<'a> = &'a mut dyn FnMut(&str);

enum Node {
    Words(String, Span),
    Splice(Group),
    /// An element that may stand in a sentence: its name and all its code.
    Inline(String, TokenStream),
    /// Whatever ends a sentence.
    Other(TokenStream),
}

/// The same markup with its words looked up.
pub fn spoken(markup: TokenStream, tell: Tell) -> TokenStream {
    let mut out = TokenStream::new();
    let mut run = Vec::new();
    for node in nodes(markup, tell) {
        if let Node::Other(code) = node {
            out.extend(said(std::mem::take(&mut run), tell));
            out.extend(code);
        } else {
            run.push(node);
        }
    }
    out.extend(said(run, tell));
    out
}

/// Neighbours in one element as a message, where there are words to say.
fn said(run: Vec<Node>, tell: Tell) -> TokenStream {
    let speaks = |node: &Node| matches!(node, Node::Words(words, _) if is_spoken(words));
    let Some(span) = run.iter().find(|n| speaks(n)).and_then(|n| match n {
        Node::Words(_, span) => Some(*span),
        _ => None,
    }) else {
        return run.into_iter().map(as_it_was).collect();
    };
    let mut message = Message::default();
    let mut parts = Vec::new();
    let (mut plain, last) = (String::new(), run.len() - 1);
    let (mut before, mut after) = (String::new(), String::new());
    for (k, node) in run.into_iter().enumerate() {
        match node {
            Node::Words(words, _) => {
                // Space at the ends is layout, no language.
                let mut words = words.as_str();
                if k == 0 {
                    let rest = words.trim_start();
                    words[..words.len() - rest.len()].clone_into(&mut before);
                    words = rest;
                }
                if k == last {
                    let rest = words.trim_end();
                    words[rest.len()..].clone_into(&mut after);
                    words = rest;
                }
                message.words(words);
                plain.push_str(words);
            }
            Node::Splice(group) => {
                let name = message.part(&name_of(group.stream()));
                parts.push(quote! { (#name, ::maud::html! { #group }.into_string()) });
            }
            Node::Inline(element, code) => {
                let wish = if element == "a" { "link" } else { &element };
                let name = message.part(wish);
                parts.push(quote! { (#name, ::maud::html! { #code }.into_string()) });
            }
            Node::Other(code) => parts.push(code),
        }
    }
    let key = &message.key;
    tell(key);
    let said = if parts.is_empty() {
        quote_spanned! { span=> (::barwright_report::texts::plain(#key, #plain)) }
    } else {
        quote_spanned! { span=>
            (::maud::PreEscaped(::barwright_report::texts::marked(#key, &[#(#parts),*])))
        }
    };
    let space = |space: &str| (!space.is_empty()).then(|| quote! { #space });
    let (before, after) = (space(&before), space(&after));
    quote! { #before #said #after }
}

fn as_it_was(node: Node) -> TokenStream {
    match node {
        Node::Words(words, span) => {
            let literal = LitStr::new(&words, span);
            quote! { #literal }
        }
        Node::Splice(group) => quote! { #group },
        Node::Inline(_, code) | Node::Other(code) => code,
    }
}

/// Tokens that can be looked at before they are taken.
struct Tokens(std::iter::Peekable<proc_macro2::token_stream::IntoIter>);

impl Tokens {
    fn of(stream: TokenStream) -> Self {
        Self(stream.into_iter().peekable())
    }

    fn next_is(&mut self, sign: char) -> bool {
        matches!(self.0.peek(), Some(TokenTree::Punct(p)) if p.as_char() == sign)
    }

    fn next_is_word(&mut self, word: &str) -> bool {
        matches!(self.0.peek(), Some(TokenTree::Ident(i)) if i == word)
    }
}

fn nodes(markup: TokenStream, tell: Tell) -> Vec<Node> {
    let mut tokens = Tokens::of(markup);
    let mut nodes = Vec::new();
    while let Some(token) = tokens.0.next() {
        nodes.push(match token {
            TokenTree::Literal(literal) => match syn::parse2::<LitStr>(quote! { #literal }) {
                Ok(words) => Node::Words(words.value(), words.span()),
                Err(_) => Node::Other(quote! { #literal }),
            },
            TokenTree::Group(group) => match group.delimiter() {
                Delimiter::Parenthesis => Node::Splice(group),
                _ => Node::Other(within(&group, |inside| spoken(inside, tell))),
            },
            TokenTree::Punct(p) if p.as_char() == '@' => {
                let mut code = quote! { #p };
                code.extend(control(&mut tokens, tell));
                Node::Other(code)
            }
            TokenTree::Punct(_) | TokenTree::Ident(_) => element(token, &mut tokens, tell),
        });
    }
    nodes
}

/// A group with its inside made anew.
fn within(group: &Group, make: impl FnOnce(TokenStream) -> TokenStream) -> TokenStream {
    let mut made = Group::new(group.delimiter(), make(group.stream()));
    made.set_span(group.span());
    quote! { #made }
}

/// `@if`, `@else`, `@for`, `@while`, `@match` or `@let`, from after the sign.
fn control(tokens: &mut Tokens, tell: Tell) -> TokenStream {
    let mut code = TokenStream::new();
    let Some(keyword) = tokens.0.next() else { return code };
    let kind = keyword.to_string();
    code.extend([keyword]);
    while let Some(token) = tokens.0.next() {
        match &token {
            TokenTree::Punct(p) if kind == "let" && p.as_char() == ';' => {
                code.extend([token]);
                break;
            }
            // A brace before `=` or `in` belongs to a pattern.
            TokenTree::Group(group)
                if kind != "let"
                    && group.delimiter() == Delimiter::Brace
                    && !tokens.next_is('=')
                    && !tokens.next_is_word("in") =>
            {
                code.extend(within(group, |inside| {
                    if kind == "match" { arms(inside, tell) } else { spoken(inside, tell) }
                }));
                break;
            }
            _ => code.extend([token]),
        }
    }
    code
}

fn arms(inside: TokenStream, tell: Tell) -> TokenStream {
    let mut tokens = Tokens::of(inside);
    let mut code = TokenStream::new();
    while let Some(token) = tokens.0.next() {
        let arrow = matches!(&token, TokenTree::Punct(p) if p.as_char() == '=' && p.spacing() == Spacing::Joint)
            && tokens.next_is('>');
        code.extend([token]);
        if !arrow {
            continue;
        }
        code.extend(tokens.0.next());
        if let Some(TokenTree::Group(group)) = tokens.0.peek()
            && group.delimiter() == Delimiter::Brace
        {
            code.extend(within(group, |inside| spoken(inside, tell)));
            tokens.0.next();
        } else {
            let mut body = TokenStream::new();
            while !tokens.next_is(',')
                && let Some(token) = tokens.0.next()
            {
                body.extend([token]);
            }
            code.extend(spoken(body, tell));
        }
    }
    code
}

/// An element, to the end of its body or its semicolon.
fn element(first: TokenTree, tokens: &mut Tokens, tell: Tell) -> Node {
    let name = match &first {
        TokenTree::Ident(name) => name.to_string(),
        _ => "div".to_owned(),
    };
    let mut code = TokenStream::from(first);
    // The name of the attribute whose value may follow.
    let mut attribute = String::new();
    while let Some(token) = tokens.0.next() {
        match &token {
            TokenTree::Punct(p) if p.as_char() == ';' => {
                code.extend([token]);
                break;
            }
            TokenTree::Punct(p) if p.as_char() == '=' => {
                code.extend([token]);
                let Some(value) = tokens.0.next() else { break };
                code.extend(attribute_value(&attribute, value, tell));
                attribute.clear();
            }
            TokenTree::Punct(p) if matches!(p.as_char(), '-' | ':') => {
                attribute.push(p.as_char());
                code.extend([token]);
            }
            TokenTree::Ident(part) => {
                if !attribute.ends_with(['-', ':']) {
                    attribute.clear();
                }
                attribute.push_str(&part.to_string());
                code.extend([token]);
            }
            TokenTree::Group(group) if group.delimiter() == Delimiter::Brace => {
                if VERBATIM.contains(&&*name) {
                    code.extend([token]);
                } else {
                    code.extend(within(group, |inside| spoken(inside, tell)));
                }
                break;
            }
            _ => code.extend([token]),
        }
    }
    if INLINE.contains(&&*name) { Node::Inline(name, code) } else { Node::Other(code) }
}

fn attribute_value(attribute: &str, value: TokenTree, tell: Tell) -> TokenStream {
    if !READ.contains(&attribute) && !attribute.starts_with(HANDED) {
        return value.into();
    }
    match value {
        // A value is one token: words that nobody says stay a literal, others are a splice.
        TokenTree::Literal(_) => spoken(value.into(), tell),
        TokenTree::Group(group) if group.delimiter() == Delimiter::Brace => {
            within(&group, |inside| spoken(inside, tell))
        }
        value => value.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(markup: &str) -> Vec<String> {
        let mut heard = Vec::new();
        let tokens: TokenStream = markup.parse().expect("tokens");
        let made = spoken(tokens, &mut |key| heard.push(key.to_owned()));
        assert!(!made.is_empty());
        heard
    }

    #[test]
    fn neighbours_in_an_element_are_one_message() {
        assert_eq!(keys(r#"p { "Held" }"#), ["Held"]);
        assert_eq!(
            keys(r#"p { "Held " (n) " bars of " b.x { (lot) } "." }"#),
            ["Held {n} bars of {b}."]
        );
        assert_eq!(
            keys(
                r#"p { (text::visible(&r.body.name)) ": " (r.body.reflectors.len()) " reflectors. " a href="/x" { "Drawing" } }"#
            ),
            ["Drawing", "{name}: {reflectors} reflectors. {link}"]
        );
        // Blocks and choices end a sentence.
        assert_eq!(
            keys(r#""one" p { "two" } @if x { "three" } @else if y { "four" } "five""#),
            ["two", "three", "four", "one", "five"]
        );
    }

    #[test]
    fn choices_and_loops_are_walked_through() {
        assert_eq!(
            keys(
                r#"@match x { Some(Foo { a, .. }) if a >= 3 => { "one" } None => p { "two" }, _ => "three", }"#
            ),
            ["one", "two", "three"]
        );
        assert_eq!(
            keys(
                r#"@for Foo { a, b } in list { @let x = if a { "no" } else { "no" }; li { "yes" } }"#
            ),
            ["yes"]
        );
        assert_eq!(keys(r#"@if let Foo { a } = b { "yes" }"#), ["yes"]);
    }

    #[test]
    fn attributes_that_are_read_are_said_and_no_others() {
        assert_eq!(
            keys(
                r#"input.wide #x type="text some" disabled[off] aria-label="Heat number" title={ "Bar " (n) } data-words-lost="gone away" placeholder=(x);"#
            ),
            ["Heat number", "Bar {n}", "gone away"]
        );
    }

    #[test]
    fn units_commands_and_signs_are_no_words() {
        let quiet = r#"code { "barwright plan" } span { (x) " mm" } p { (a) ": " (b) } td { "–" }"#;
        assert!(keys(quiet).is_empty());
    }
}
