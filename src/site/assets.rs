//! The style sheet, named by its content so that a browser may keep it for good.

use std::sync::LazyLock;

use axum::extract::RawQuery;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

const STYLE: &str = include_str!("../../static/style.css");

/// The first twelve hexadecimal digits of the style sheet's SHA-256.
static DIGEST: LazyLock<String> =
    LazyLock::new(|| Sha256::digest(STYLE).iter().take(6).map(|byte| format!("{byte:02x}")).collect());

/// Where pages find the style sheet.
pub(crate) fn style_href() -> String {
    format!("/style.css?v={}", *DIGEST)
}

/// Gives the style sheet; for good if it was asked for by its content.
pub(crate) async fn style(RawQuery(query): RawQuery, headers: HeaderMap) -> Response {
    let tag = format!("\"{}\"", *DIGEST);
    let asked = query.as_deref().and_then(|query| query.strip_prefix("v="));
    let keep =
        if asked == Some(DIGEST.as_str()) { "public, max-age=31536000, immutable" } else { "no-cache" };
    let common = [(ETAG, tag.clone()), (CACHE_CONTROL, keep.to_owned())];
    if headers.get(IF_NONE_MATCH).is_some_and(|known| known.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, common).into_response();
    }
    (common, [(CONTENT_TYPE, "text/css; charset=utf-8")], STYLE).into_response()
}
