//! The log as static files over HTTP, read only: see [`rinsebook_proto::tiles`]. Who may read them is decided before.

use std::sync::{Arc, RwLock};

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::tiles::{Sort, Tile, WIDTH, bundle};
use rinsebook_proto::tree::Tree;

use crate::log::LogReader;
use crate::projection::View;
use crate::witnesses::Witnesses;

/// Below this path.
pub const PREFIX: &str = "/log";
const YEAR_SECONDS: u32 = 31_536_000;

/// What the files are made of.
#[derive(Clone)]
pub struct LogFiles {
    /// Knows the size and the checkpoint.
    pub view: View,
    /// Leaf hashes.
    pub tree: Arc<RwLock<Tree>>,
    /// Reads entries.
    pub reader: LogReader,
    /// Cosign checkpoints, a little after they were signed.
    pub witnesses: Witnesses,
    /// Judges how old a cosignature is.
    pub clock: Arc<dyn Clock>,
    /// Whether tiles of hashes are everybody's.
    pub open_hash_tiles: bool,
}

/// The routes.
pub fn router(files: LogFiles) -> Router {
    Router::new()
        .route(&format!("{PREFIX}/checkpoint"), get(checkpoint))
        .route(&format!("{PREFIX}/tile/{{*rest}}"), get(tile))
        .with_state(files)
}

async fn checkpoint(State(files): State<LogFiles>) -> Response {
    let cosigned = files.witnesses.cosigned(files.clock.wall_ms()).map(|cosigned| cosigned.note);
    let note = cosigned.unwrap_or_else(|| files.view.known().note);
    if note.is_empty() {
        return StatusCode::NOT_FOUND.into_response();
    }
    let headers = [(header::CONTENT_TYPE, "text/plain; charset=utf-8"), (header::CACHE_CONTROL, "no-store")];
    (headers, note).into_response()
}

/// The tile that a path names. The path is taken as it was sent: `%65ntries` is not decoded, so that what is served is what
/// the caller was judged for.
fn named(path: &str) -> Option<Tile> {
    Tile::parse(path.strip_prefix(PREFIX)?.strip_prefix('/')?)
}

async fn tile(State(files): State<LogFiles>, uri: Uri) -> Response {
    let size = files.view.known().size;
    let Some(tile) = named(uri.path()).filter(|tile| tile.is_within(size)) else {
        return StatusCode::NOT_FOUND.into_response();
    };
    // What not everybody may read stays out of caches that others share: those ask nobody for a certificate or token.
    let everybodys = files.open_hash_tiles && tile.sort != Sort::Entries;
    let whose = if everybodys { "public" } else { "private" };
    let made = tokio::task::spawn_blocking(move || files.bytes(&tile)).await;
    let Ok(Some(bytes)) = made else { return StatusCode::INTERNAL_SERVER_ERROR.into_response() };
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream".to_owned()),
        (header::CACHE_CONTROL, format!("{whose}, max-age={YEAR_SECONDS}, immutable")),
    ];
    (headers, bytes).into_response()
}

impl LogFiles {
    /// A tile that the log has.
    fn bytes(&self, tile: &Tile) -> Option<Vec<u8>> {
        let indices = || (0..u64::from(tile.width)).map(|i| tile.number * WIDTH + i);
        match tile.sort {
            Sort::Hashes(level) => {
                let tree = self.tree.read().expect("the tree's writer does not panic");
                let nodes: Option<Vec<_>> = indices().map(|index| tree.node(8 * u32::from(level), index)).collect();
                nodes.map(|nodes| nodes.iter().flat_map(|node| node.0).collect())
            }
            Sort::Entries => {
                let read = |index| {
                    let entry = self.reader.read(index);
                    entry.inspect_err(|error| tracing::error!(index, %error, "an entry cannot be read back")).ok()?
                };
                let entries: Option<Vec<Vec<u8>>> = indices().map(read).collect();
                let made = bundle(&entries?);
                made.inspect_err(|error| tracing::error!(number = tile.number, %error, "a bundle cannot be made")).ok()
            }
        }
    }
}
