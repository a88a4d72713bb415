//! The list of all texts that the pages and pictures say, kept beside the catalogues.
//!
//! Our own golden file: it is written anew with `BARWRIGHT_WRITE=1` and compared without.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use polib::{catalog::Catalog, message::Message, metadata::CatalogMetadata};
use proc_macro2::{TokenStream, TokenTree};

use crate::{markup, sentence};

/// The crates whose code speaks.
const SPEAKING: [&str; 4] = ["../report/src", "../report/templates", "../web/src", "../web/assets"];
/// A text that no page says as it stands: a catalogue names its language by it.
const NAME: &str = "The name of this language in itself";
const LIST: &str = "../report/texts/barwright.pot";

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder of the project") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs" || e == "js" || e == "typ") {
            found.push(path);
        }
    }
}

/// Every use of the two macros in some code, the inner ones too.
fn listen(code: TokenStream, tell: &mut dyn FnMut(&str)) {
    let tokens: Vec<TokenTree> = code.into_iter().collect();
    for (k, token) in tokens.iter().enumerate() {
        let TokenTree::Group(group) = token else { continue };
        let bang = k >= 2 && matches!(&tokens[k - 1], TokenTree::Punct(p) if p.as_char() == '!');
        if let (true, TokenTree::Ident(name)) = (bang, &tokens[k.saturating_sub(2)]) {
            if name == "html" {
                markup::spoken(group.stream(), tell);
            } else if name == "say" {
                sentence::spoken(group.stream(), tell).expect("a sentence that compiles");
            }
        }
        listen(group.stream(), tell);
    }
}

/// The texts of a script or template: what its calls of a function of this name are given.
fn read_calls(code: &str, of: &str, tell: &mut dyn FnMut(&str)) {
    let call = format!("{of}(\"");
    for (at, _) in code.match_indices(&call) {
        if code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '-' || c == '_') {
            continue;
        }
        let text = code[at + call.len()..].split('"').next().unwrap_or_default();
        assert!(!text.ends_with('\\'), "no quotation marks in texts outside of the code: {text}");
        tell(text);
    }
}

fn listed() -> BTreeMap<String, Vec<String>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut texts: BTreeMap<String, Vec<String>> = BTreeMap::new();
    texts.insert(NAME.to_owned(), vec!["crates/report/src/texts.rs".to_owned()]);
    for folder in SPEAKING {
        let folder = root.join(folder);
        let mut files = Vec::new();
        sources(&folder, &mut files);
        files.sort();
        for file in files {
            let code = fs::read_to_string(&file).expect("code of the project");
            let name = file.strip_prefix(root.join("..")).expect("a file of the crates");
            let place = format!("crates/{}", name.display()).replace('\\', "/");
            let tell = &mut |key: &str| {
                let places = texts.entry(key.to_owned()).or_default();
                if !places.contains(&place) {
                    places.push(place.clone());
                }
            };
            match name.extension().and_then(|e| e.to_str()) {
                Some("js") => read_calls(&code, "said", tell),
                Some("typ") => read_calls(&code, "t", tell),
                _ => listen(code.parse().expect("code that compiles"), tell),
            }
        }
    }
    texts
}

#[test]
fn the_list_of_texts_is_up_to_date() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(LIST);
    let mut catalog = Catalog::new(CatalogMetadata {
        project_id_version: "Barwright".to_owned(),
        mime_version: "1.0".to_owned(),
        content_type: "text/plain; charset=UTF-8".to_owned(),
        content_transfer_encoding: "8bit".to_owned(),
        ..CatalogMetadata::default()
    });
    for (key, places) in listed() {
        let message =
            Message::build_singular().with_msgid(key).with_source(places.join("\n")).done();
        catalog.append_or_update(message);
    }
    let written = tempfile(&catalog);
    if std::env::var_os("BARWRIGHT_WRITE").is_some() {
        fs::write(&path, &written).expect("the list is written");
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == written,
        "crates/report/texts/barwright.pot differs from what the code says: write it anew with BARWRIGHT_WRITE=1"
    );
}

fn tempfile(catalog: &Catalog) -> String {
    let mut bytes = Vec::new();
    polib::po_file::write(catalog, &mut std::io::BufWriter::new(&mut bytes))
        .expect("written to memory");
    String::from_utf8(bytes).expect("UTF-8")
}
