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
use std::time::Duration;

use askama::Template;
use axum::Router;
use axum::extract::State;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use rinsebook_proto::tree::Tree;

use crate::audits::Audits;
use crate::identity::Identity;
use crate::log::LogReader;
use crate::query::Queries;
use crate::session::Sessions;
use crate::signing::Signing;
use crate::witnesses::Witnesses;
use board::Board;
pub use error::PageError;
use viewer::Viewer;

/// What pages are made from.
pub struct Sources {
    /// What is known.
    pub queries: Queries,
    /// The log's entries.
    pub reader: LogReader,
    /// The log's leaf hashes.
    pub tree: Arc<RwLock<Tree>>,
    /// The service's own keys.
    pub identity: Arc<Identity>,
    /// The log's key.
    pub signing: Signing,
    /// Who is signed in.
    pub sessions: Sessions,
    /// Who cosigned.
    pub witnesses: Witnesses,
    /// What auditors handed in.
    pub audits: Audits,
    /// A browser that does not read for so long is told no more.
    pub reader_wait: Duration,
}

/// All pages' common state.
#[derive(Clone)]
pub struct Pages {
    queries: Queries,
    reader: LogReader,
    tree: Arc<RwLock<Tree>>,
    identity: Arc<Identity>,
    signing: Signing,
    sessions: Sessions,
    witnesses: Witnesses,
    audits: Audits,
    reader_wait: Duration,
    /// Follows from the first look on: a service that nobody looks at derives nothing for it.
    board: Arc<tokio::sync::OnceCell<Board>>,
}

impl Pages {
    /// Wires the parts.
    pub fn new(parts: Sources) -> Pages {
        let Sources { queries, reader, tree, identity, signing, sessions, witnesses, audits, reader_wait } = parts;
        let board = Arc::default();
        Pages { queries, reader, tree, identity, signing, sessions, witnesses, audits, reader_wait, board }
    }

    async fn board(&self) -> Result<&Board, PageError> {
        Ok(self.board.get_or_try_init(|| Board::follow(self.queries.clone())).await?)
    }
}

/// All pages. Who may see which stands in [`crate::access`], and forms are looked at before they come here.
pub fn router(pages: Pages) -> Router {
    Router::new()
        .route("/", get(board::page))
        .route("/events", get(board::events))
        .route("/aircraft/{aircraft}", get(aircraft::page).post(aircraft::keep))
        .route("/wash/{wash}", get(wash::page))
        .route("/wash/{wash}/timeline.svg", get(wash::drawing))
        .route("/wash/{wash}/record", get(record::page))
        .route("/quality", get(quality::page))
        .merge(assets::router())
        .with_state(pages)
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

    /// Whether a link to that path leads anywhere for whoever looks.
    fn may(&self, path: &str) -> bool {
        self.viewer.may(path)
    }
}
