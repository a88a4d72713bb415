//! The files that pages need beside their text, embedded in the program.

use axum::{
    http::{HeaderMap, HeaderValue, StatusCode, header},
    response::{IntoResponse, Response},
};

#[derive(rust_embed::RustEmbed)]
#[folder = "assets/"]
struct Embedded;

/// Name of the stylesheet of colour tokens, made from the palette of the pictures.
const TOKENS: &str = "tokens.css";

/// An embedded file. Browsers keep it and ask whether it changed.
pub fn file(name: &str, asked: &HeaderMap) -> Response {
    if name == TOKENS {
        let css = barwright_report::stylesheet();
        let tag = format!("\"{}\"", barwright_job::Hash::of(css.as_bytes()).short());
        return answer(&tag, "text/css; charset=utf-8", css.into_bytes(), asked);
    }
    let Some(file) = Embedded::get(name) else {
        return StatusCode::NOT_FOUND.into_response();
    };
    let digits: String =
        file.metadata.sha256_hash().iter().take(8).map(|b| format!("{b:02x}")).collect();
    let kind = mime_guess::from_path(name).first_or_octet_stream().to_string();
    let kind = if kind.starts_with("text/") { format!("{kind}; charset=utf-8") } else { kind };
    answer(&format!("\"{digits}\""), &kind, file.data.into_owned(), asked)
}

fn answer(tag: &str, kind: &str, content: Vec<u8>, asked: &HeaderMap) -> Response {
    let mut headers = HeaderMap::new();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    for (name, value) in [(header::ETAG, tag), (header::CONTENT_TYPE, kind)] {
        if let Ok(value) = HeaderValue::from_str(value) {
            headers.insert(name, value);
        }
    }
    let same = asked.get(header::IF_NONE_MATCH).is_some_and(|v| v.as_bytes() == tag.as_bytes());
    if same {
        (StatusCode::NOT_MODIFIED, headers).into_response()
    } else {
        (headers, content).into_response()
    }
}
