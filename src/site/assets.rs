//! The style sheet and the script, named by their content so that a browser may keep them for good.

use std::sync::LazyLock;

use axum::extract::RawQuery;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

/// A file that is part of the program.
struct Asset {
    path: &'static str,
    kind: &'static str,
    text: &'static str,
    /// The first twelve hexadecimal digits of its SHA-256.
    digest: LazyLock<String>,
}

static STYLE: Asset = Asset {
    path: "/style.css",
    kind: "text/css; charset=utf-8",
    text: include_str!("../../static/style.css"),
    digest: LazyLock::new(|| digest(STYLE.text)),
};
static SCRIPT: Asset = Asset {
    path: "/live.js",
    kind: "text/javascript; charset=utf-8",
    text: include_str!("../../static/live.js"),
    digest: LazyLock::new(|| digest(SCRIPT.text)),
};

fn digest(text: &str) -> String {
    Sha256::digest(text).iter().take(6).map(|byte| format!("{byte:02x}")).collect()
}

/// Where pages find the style sheet.
pub(crate) fn style_href() -> String {
    STYLE.href()
}

/// Where pages find the script.
pub(crate) fn script_href() -> String {
    SCRIPT.href()
}

/// Gives the style sheet; for good if it was asked for by its content.
pub(crate) async fn style(query: RawQuery, headers: HeaderMap) -> Response {
    STYLE.give(query, &headers)
}

/// Gives the script likewise.
pub(crate) async fn script(query: RawQuery, headers: HeaderMap) -> Response {
    SCRIPT.give(query, &headers)
}

impl Asset {
    fn href(&self) -> String {
        format!("{}?v={}", self.path, *self.digest)
    }

    fn give(&self, RawQuery(query): RawQuery, headers: &HeaderMap) -> Response {
        let tag = format!("\"{}\"", *self.digest);
        let asked = query.as_deref().and_then(|query| query.strip_prefix("v="));
        let keep = if asked == Some(self.digest.as_str()) {
            "public, max-age=31536000, immutable"
        } else {
            "no-cache"
        };
        let common = [(ETAG, tag.clone()), (CACHE_CONTROL, keep.to_owned())];
        if headers.get(IF_NONE_MATCH).is_some_and(|known| known.as_bytes() == tag.as_bytes()) {
            return (StatusCode::NOT_MODIFIED, common).into_response();
        }
        (common, [(CONTENT_TYPE, self.kind)], self.text).into_response()
    }
}
