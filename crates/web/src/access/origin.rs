//! Whether a request that changes something comes from these pages and not from one that somebody
//! else made. Browsers say it themselves (Fetch Metadata, and the origin of RFC 6454); what says nothing
//! is refused.

use axum::http::{HeaderMap, HeaderName, header};

const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// Whether the headers say so, and none says otherwise.
pub fn is_own(headers: &HeaderMap) -> bool {
    let text = |name: HeaderName| headers.get(name).map(|v| v.to_str().unwrap_or("unreadable"));
    let site = text(SITE).map(|site| site == "same-origin");
    let origin = text(header::ORIGIN).map(|origin| {
        let host = origin.split_once("://").map(|(_, host)| host);
        host.is_some() && host == text(header::HOST)
    });
    match (site, origin) {
        (None, None) => false,
        (site, origin) => site.unwrap_or(true) && origin.unwrap_or(true),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Own rule, case by case: what browsers send for own forms, foreign forms and no form at all.
    #[test]
    fn only_what_says_that_it_is_own_is_own() {
        let host = "127.0.0.1:8642";
        for (site, origin, own) in [
            (Some("same-origin"), Some("http://127.0.0.1:8642"), true),
            (None, Some("http://127.0.0.1:8642"), true),
            (Some("same-origin"), None, true),
            (None, None, false),
            (Some("cross-site"), Some("http://127.0.0.1:8642"), false),
            (Some("same-site"), None, false),
            (Some("none"), None, false),
            (Some("same-origin"), Some("null"), false),
            (None, Some("null"), false),
            (None, Some("http://127.0.0.1:8643"), false),
            (None, Some("http://example.org"), false),
            (None, Some("127.0.0.1:8642"), false),
        ] {
            let mut headers = HeaderMap::new();
            let mut put = |name: HeaderName, value: Option<&str>| {
                if let Some(value) = value {
                    headers.insert(name, value.parse().expect("a header"));
                }
            };
            put(header::HOST, Some(host));
            put(SITE, site);
            put(header::ORIGIN, origin);
            assert_eq!(is_own(&headers), own, "{site:?} {origin:?}");
        }
    }
}
