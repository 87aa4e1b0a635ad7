//! Pages for people: the board, an aircraft, a wash and its record, quality.
//!
//! ```text
//! watch ─► board (one follower for everybody) ─► page, then server-sent events: rows that changed
//! history, log ─► aircraft, wash, record, quality: derived afresh at each look
//! ```
//!
//! Everything is drawn here and works without a script; the one script keeps the board live and checks a record. No page
//! carries script or style of its own, and nothing comes from elsewhere.

mod aircraft;
mod assets;
mod board;
mod error;
mod people;
mod plots;
mod quality;
mod record;
mod timeline;
mod viewer;
mod wash;
mod words;

use std::sync::{Arc, RwLock};

use askama::Template;
use axum::Router;
use axum::extract::State;
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use rinsebook_proto::tree::Tree;

use crate::identity::Identity;
use crate::log::LogReader;
use crate::query::Queries;
use board::Board;
pub use error::PageError;
pub use viewer::{Role, Viewer};

/// Who may look at what is open; quality and the records themselves ask for more.
const READERS: &[Role] = &[Role::Planner, Role::Quality, Role::Custodian];
/// Who may see the log's entries and how people work.
const AUDITORS: &[Role] = &[Role::Quality, Role::Custodian];

/// What the pages are made from.
#[derive(Clone)]
pub struct Pages {
    queries: Queries,
    reader: LogReader,
    tree: Arc<RwLock<Tree>>,
    identity: Arc<Identity>,
    /// Follows from the first look on: a service that nobody looks at derives nothing for it.
    board: Arc<tokio::sync::OnceCell<Board>>,
}

impl Pages {
    /// Wires the parts.
    pub fn new(queries: Queries, reader: LogReader, tree: Arc<RwLock<Tree>>, identity: Arc<Identity>) -> Pages {
        Pages { queries, reader, tree, identity, board: Arc::default() }
    }

    async fn board(&self) -> Result<&Board, PageError> {
        Ok(self.board.get_or_try_init(|| Board::follow(self.queries.clone())).await?)
    }
}

/// All pages, with who may see them.
pub fn router(pages: Pages) -> Router {
    let asks = |roles| from_fn_with_state(roles, viewer::asks);
    let reading = Router::new()
        .route("/", get(board::page))
        .route("/events", get(board::events))
        .route("/aircraft/{aircraft}", get(aircraft::page).post(aircraft::keep))
        .route("/wash/{wash}", get(wash::page))
        .route("/wash/{wash}/timeline.svg", get(wash::drawing))
        .route_layer(asks(READERS));
    let auditing = Router::new()
        .route("/wash/{wash}/record", get(record::page))
        .route("/quality", get(quality::page))
        .route_layer(asks(AUDITORS));
    let view = pages.queries.view().clone();
    reading
        .merge(auditing)
        .route_layer(from_fn_with_state(view, viewer::from_certificate))
        .merge(assets::router())
        .layer(from_fn(careful))
        .with_state(pages)
}

/// Nothing but our own files may be loaded, framed or kept by others.
async fn careful(request: axum::extract::Request, next: axum::middleware::Next) -> Response {
    let mut response = next.run(request).await;
    let set: [(HeaderName, &str); 5] = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::STRICT_TRANSPORT_SECURITY, "max-age=31536000"),
        (header::CACHE_CONTROL, "private, no-store"),
    ];
    for (name, value) in set {
        response.headers_mut().entry(name).or_insert(HeaderValue::from_static(value));
    }
    response
}

fn html(template: &impl Template) -> Result<Response, PageError> {
    Ok(Html(template.render().map_err(|_| PageError::Drawing)?).into_response())
}

/// What stands on every page.
#[derive(Debug, Clone)]
struct Frame {
    title: String,
    viewer: Viewer,
    now_ms: u64,
}

impl Frame {
    fn new(title: impl Into<String>, viewer: Viewer, pages: &State<Pages>) -> Frame {
        Frame { title: title.into(), viewer, now_ms: pages.queries.now_ms() }
    }

    fn now(&self) -> String {
        words::second(self.now_ms)
    }

    fn audits(&self) -> bool {
        self.viewer.may(AUDITORS)
    }
}
