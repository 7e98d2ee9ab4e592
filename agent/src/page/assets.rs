//! The page's own files, from the binary.
//!
//! Each has a strong `ETag` from its contents, so that a browser asks once and is told "not modified" after that. Types are
//! by ending. Never panics.

use axum::extract::Path;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rust_embed::RustEmbed;

use super::trouble::Trouble;

#[derive(RustEmbed)]
#[folder = "src/page/assets/"]
struct Files;

/// `GET /`.
pub(super) async fn index(headers: HeaderMap) -> Response {
    file("index.html", &headers)
}

/// `GET /assets/…`.
pub(super) async fn asset(Path(path): Path<String>, headers: HeaderMap) -> Response {
    file(&path, &headers)
}

fn file(path: &str, headers: &HeaderMap) -> Response {
    let Some(found) = Files::get(path) else {
        return Trouble::Missing(format!("The page has no file '{path}'; it begins at /.")).into_response();
    };
    let tag = tag(&found.metadata.sha256_hash());
    let known = headers.get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    let cached = [(header::ETAG, tag.clone()), (header::CACHE_CONTROL, "no-cache".to_owned())];
    if known.is_some_and(|known| known.split(',').any(|one| one.trim() == tag)) {
        return (StatusCode::NOT_MODIFIED, cached).into_response();
    }
    (cached, [(header::CONTENT_TYPE, kind(path))], found.data.into_owned()).into_response()
}

fn tag(hash: &[u8; 32]) -> String {
    let hex: String = hash.iter().take(12).map(|byte| format!("{byte:02x}")).collect();
    format!("\"{hex}\"")
}

fn kind(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, ending)| ending) {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "svg" => "image/svg+xml",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_the_shell_names_is_there_and_has_a_type() {
        let shell = Files::get("index.html").expect("the shell is embedded");
        let text = String::from_utf8(shell.data.into_owned()).expect("UTF-8");
        let named: Vec<&str> = text.split("\"/assets/").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        assert!(named.len() > 4, "{named:?}");
        for path in named {
            assert!(Files::get(path).is_some(), "{path} is missing");
        }
        for path in Files::iter() {
            assert_ne!(kind(&path), "application/octet-stream", "{path} has no type");
        }
    }

    /// Keys and texts of a language's file: every quoted or bare key with the quoted text behind it.
    fn texts(path: &str) -> std::collections::BTreeMap<String, String> {
        let file = Files::get(path).expect("the language's file is embedded");
        let text = String::from_utf8(file.data.into_owned()).expect("UTF-8");
        let (_, body) = text.split_once("export default {").expect("one object");
        let mut found = std::collections::BTreeMap::new();
        for entry in body.split("\",").filter(|entry| entry.contains(": \"")) {
            let (key, words) = entry.split_once(": \"").expect("filtered");
            let doubled = found.insert(key.trim().trim_matches('"').to_owned(), words.to_owned());
            assert_eq!(doubled, None, "{path} has '{key}' twice");
        }
        found
    }

    fn gaps(words: &str) -> std::collections::BTreeSet<&str> {
        words.split('{').skip(1).filter_map(|rest| rest.split_once('}')).map(|(name, _)| name).collect()
    }

    #[test]
    fn every_language_has_the_same_texts_with_the_same_gaps() {
        let english = texts("texts/en.js");
        assert!(english.len() > 200, "{}", english.len());
        for path in Files::iter().filter(|path| path.starts_with("texts/")) {
            let other = texts(&path);
            assert_eq!(other.keys().collect::<Vec<_>>(), english.keys().collect::<Vec<_>>(), "{path}");
            for (key, words) in &other {
                let wanted = english.get(key).map(|words| gaps(words));
                assert_eq!(Some(gaps(words)), wanted, "{path} {key}");
            }
        }
    }

    #[test]
    fn the_first_load_is_small() {
        let bytes: usize = Files::iter().filter_map(|path| Files::get(&path)).map(|file| file.data.len()).sum();
        assert!(bytes < 200 * 1024, "{bytes} bytes");
    }
}
