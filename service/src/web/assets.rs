//! The style sheet, the script and the mark: our own files, built into the program.

use std::sync::LazyLock;

use axum::Router;
use axum::http::header;
use axum::response::IntoResponse;
use axum::routing::get;

use super::Pages;
use super::record::contract;

const STYLE: &str = include_str!("../../assets/rinsebook.css");
const SCRIPT: &str = include_str!("../../assets/rinsebook.js");
const MARK: &str = include_str!("../../assets/mark.svg");

/// The script reads facts by the contract, which is put in front of it: a page that brought its own could name its fields
/// as it likes.
static WHOLE_SCRIPT: LazyLock<String> =
    LazyLock::new(|| format!("(() => {{\n\"use strict\";\nconst CONTRACT = {};\n{SCRIPT}}})();\n", contract::schema()));

/// The files; they hold nothing of the record.
pub(super) fn router() -> Router<Pages> {
    let kept = |kind: &'static str| [(header::CONTENT_TYPE, kind), (header::CACHE_CONTROL, "no-cache")];
    Router::new()
        .route("/assets/rinsebook.css", get(async move || (kept("text/css; charset=utf-8"), STYLE).into_response()))
        .route(
            "/assets/rinsebook.js",
            get(async move || (kept("text/javascript; charset=utf-8"), WHOLE_SCRIPT.as_str()).into_response()),
        )
        .route("/assets/mark.svg", get(async move || (kept("image/svg+xml"), MARK).into_response()))
}
