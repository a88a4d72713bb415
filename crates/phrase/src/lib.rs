//! Marks the words of pages and pictures so that they can be said in another language.
//!
//! [`html!`] is maud's macro, with the words in it looked up in the reader's catalogue; [`say!`] does the
//! same for a sentence in plain code. English stands where it is used and is the key of the catalogue, as
//! in GNU gettext; `barwright_report::texts` keeps the catalogues. The list of all texts,
//! `crates/report/texts/barwright.pot`, is written and compared by this crate's own test.

#[cfg(test)]
mod listing;
mod markup;
mod message;
mod sentence;

use proc_macro::TokenStream;

/// `maud::html!` whose words are looked up in the reader's catalogue.
///
/// Words and what stands between them in one element are one message: `p { "Held " (n) " bars of " b { (lot) } }`
/// asks for `Held {n} bars of {strong}`, so that a translation may order its parts as it needs. The name of
/// a part is the last name in its expression, or its element. Left as they are: words inside `code`, `kbd`,
/// `pre`, `samp`, `script` and `style`, and attributes but `alt`, `aria-label`, `placeholder` and `title`.
#[proc_macro]
pub fn html(input: TokenStream) -> TokenStream {
    let nodes = markup::spoken(input.into(), &mut |_| {});
    quote::quote! { ::maud::html! { #nodes } }.into()
}

/// A sentence in the reader's language: `say!("Held")` is a `&'static str`, `say!("Held {n} of {}", all)` a
/// `String`. Placeholders are those of `format!`; each has a name in the catalogue: its own, or the last
/// name in its expression.
///
/// # Errors
/// What is no literal, a placeholder without an argument, and an argument without a placeholder do not compile.
#[proc_macro]
pub fn say(input: TokenStream) -> TokenStream {
    sentence::spoken(input.into(), &mut |_| {}).unwrap_or_else(|e| e.to_compile_error()).into()
}
