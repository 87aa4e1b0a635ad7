//! The wiring, all of it: open, replay, spawn, serve, drain.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::sync::{Arc, RwLock};
use std::time::Duration;

use axum::http::StatusCode;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::IntoResponse;
use axum_server::tls_rustls::RustlsConfig;
use rinsebook_proto::FILE_DESCRIPTOR_SET;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::journal::{self, Disk};
use rinsebook_proto::tree::Tree;
use tokio::sync::{mpsc, oneshot};
use tonic::service::Routes;

use crate::access::{self, Gate};
use crate::admission::{Checks, KnownKeys};
use crate::audits::Audits;
use crate::authority::Authority;
use crate::blobs::Blobs;
use crate::config::{Config, TlsFiles};
use crate::doorkeeper::{Doorkeeper, bound_http};
use crate::error::{CallError, ServiceError};
use crate::files::{self, LogFiles};
use crate::grpc::intake::{IntakeService, Room};
use crate::grpc::items::ItemsService;
use crate::grpc::ledger::LedgerService;
use crate::grpc::records::RecordsService;
use crate::grpc::roster::RosterService;
use crate::identity::Identity;
use crate::limits::Limits;
use crate::log::LogReader;
use crate::packs::Packs;
use crate::projection::Projection;
use crate::query::Queries;
use crate::recovery::{self, Opened, StartReport};
use crate::rpc::{
    intake_server::IntakeServer, ledger_server::LedgerServer, open_items_server::OpenItemsServer,
    records_server::RecordsServer, roster_server::RosterServer,
};
use crate::sequencer::{Command, Figures, Following, Sequencer};
use crate::session::Sessions;
use crate::shed::{self, Shed};
use crate::shelf::Unreadable;
use crate::sign_in::{self, SignIn};
use crate::signing::Signing;
use crate::tokens::Tokens;
use crate::web::{self, Pages, Sources};
use crate::witnesses::{Witnessed, Witnesses};
use crate::work;

/// Groups that the projection may be behind.
const PROJECTION_QUEUE: usize = 1024;
/// Connections get this long to finish when the service stops.
const DRAIN: Duration = Duration::from_secs(3);
/// A start waits so long for what witnesses hold against this log, where any are configured.
const WITNESSES_WITHIN: Duration = Duration::from_secs(2);

/// A service that runs.
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// The authority's certificate, which clients trust.
    pub authority: Authority,
    /// The log's verifier key.
    pub verifier_key: String,
    /// How the start went.
    pub start: StartReport,
    at_work: AtWork,
    tls: RustlsConfig,
    tls_files: Option<TlsFiles>,
    handle: axum_server::Handle<SocketAddr>,
    server: tokio::task::JoinHandle<std::io::Result<()>>,
}

/// A service that is opened and at work, and does not listen: whoever opened it serves what it answers with. It ends with
/// the runtime that it was opened on.
pub struct AtWork {
    /// Answers calls and pages; the gate stands before all of it. A request bears the certificate that its connection
    /// showed as an `Arc<axum_server::tls::TlsInfo>`.
    pub router: axum::Router,
    /// The log's verifier key.
    pub verifier_key: String,
    /// How the start went.
    pub start: StartReport,
    figures: Arc<Figures>,
    authority: Authority,
    tokens: Tokens,
    sequencer_done: oneshot::Receiver<Result<(), ServiceError>>,
    unreadable: Unreadable,
    projection: Option<Projecting>,
    witnesses: Witnesses,
    /// Holds the sequencer open until a witness warns.
    warned: tokio::task::AbortHandle,
    /// Held as long as the log is open for writing.
    _lock: journal::Lock,
}

/// The projection at work.
enum Projecting {
    Thread(std::thread::JoinHandle<()>),
    Task(tokio::task::JoinHandle<()>),
}

impl Projecting {
    fn start(projection: Projection) -> Result<(Projecting, Following), ServiceError> {
        if work::alone() {
            let (committed, follow) = mpsc::unbounded_channel();
            return Ok((Projecting::Task(tokio::spawn(projection.follow_here(follow))), Following::Here(committed)));
        }
        let (committed, follow) = std::sync::mpsc::sync_channel(PROJECTION_QUEUE);
        let thread = std::thread::Builder::new()
            .name("projection".to_owned())
            .spawn(move || projection.follow(&follow))
            .map_err(ServiceError::file("cannot start a thread"))?;
        Ok((Projecting::Thread(thread), Following::Beside(committed)))
    }

    /// Waits for its end, which comes with the sequencer's; a panic in it was said where it happened.
    async fn end(self) {
        match self {
            Projecting::Thread(thread) => drop(tokio::task::spawn_blocking(move || thread.join()).await),
            Projecting::Task(task) => drop(task.await),
        }
    }
}

/// What the service did, said when it stops.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct StopReport {
    /// Entries written.
    pub entries: u64,
    /// Groups written.
    pub groups: u64,
    /// File syncs.
    pub syncs: u64,
}

/// Opens everything below the data folder and serves.
pub async fn start(config: Config, clock: Arc<dyn Clock>) -> Result<Running, ServiceError> {
    start_on(config, clock, Arc::new(journal::RealDisk)).await
}

/// As [`start`], with the log on a disk of the caller's.
pub async fn start_on(config: Config, clock: Arc<dyn Clock>, disk: Arc<dyn Disk>) -> Result<Running, ServiceError> {
    let at_work = open_on(&config, clock, disk).await?;
    let listener = std::net::TcpListener::bind(config.listen)
        .map_err(|source| ServiceError::Listen { address: config.listen, source })?;
    let address = listener.local_addr().map_err(ServiceError::file("cannot tell the address"))?;
    let authority = at_work.authority.clone();
    let tls = RustlsConfig::from_config(authority.server_config(&config.server_names, config.tls.as_ref())?);
    let handle = axum_server::Handle::new();
    listener.set_nonblocking(true).map_err(ServiceError::file("cannot use the listener"))?;
    let mut server = axum_server::from_tcp(listener)
        .map_err(ServiceError::file("cannot use the listener"))?
        .acceptor(Doorkeeper::new(tls.clone(), &config.limits))
        .first_request_timeout(config.limits.idle_wait())
        .accept_error_handler(|from, error| tracing::debug!(?from, %error, "a connection was not taken"))
        .handle(handle.clone());
    bound_http(server.http_builder(), &config.limits);
    let router = at_work.router.clone();
    let server = server.serve(router.into_make_service_with_connect_info::<SocketAddr>());
    Ok(Running {
        address,
        authority,
        verifier_key: at_work.verifier_key.clone(),
        start: at_work.start.clone(),
        at_work,
        tls,
        tls_files: config.tls,
        handle,
        server: tokio::spawn(server),
    })
}

/// Opens everything below the data folder, with the log on a disk of the caller's, and goes to work.
pub async fn open_on(config: &Config, clock: Arc<dyn Clock>, disk: Arc<dyn Disk>) -> Result<AtWork, ServiceError> {
    std::fs::create_dir_all(&config.data)
        .map_err(ServiceError::file(format!("cannot make {}", config.data.display())))?;
    let lock = journal::lock(&config.log_dir())?;
    let identity = Arc::new(Identity::open(config)?);
    let authority = Authority::open(&config.data)?;
    let blobs = Blobs::open(&config.data.join("blobs"))?;
    let keys = KnownKeys::default();
    let opening = {
        let (config, identity, clock, blobs, keys) =
            (config.clone(), identity.clone(), clock.clone(), blobs.clone(), keys.clone());
        work::blocking(move || recovery::open(&config, disk, identity, clock, blobs, keys))
    };
    // The log is opened on a thread of its own; the issuer's key takes its time too.
    let (opened, tokens) = tokio::join!(opening, Tokens::open(config, clock.clone()));
    let (opened, tokens) = (opened.expect("opening does not panic")?, tokens?);
    let Opened { mut desk, log, reader, projection, unreadable, report } = opened;

    let figures = Arc::new(Figures::default());
    figures.size.store(report.entries, Ordering::SeqCst);
    let tree = desk.tree();
    let signing = desk.signing();
    let view = projection.view(figures.clone());
    let audits = Audits::open(config, signing.clone(), tree.clone());
    let witnessed = Witnessed { view: view.clone(), tree: tree.clone(), clock: clock.clone() };
    let witnesses = Witnesses::start(config, witnessed)?;
    let (projection, following) = Projecting::start(projection)?;
    let (done, sequencer_done) = oneshot::channel();
    // Before the first signature: whoever watches this log from outside may know that it is not all of it.
    if witnesses.are_asked()
        && let Ok(why) = tokio::time::timeout(WITNESSES_WITHIN, witnesses.against()).await
    {
        desk.stand_still(&why);
    }
    let checks = Checks::new(keys);
    let sequencer = Sequencer::start(desk, log, following, checks.clone(), figures.clone(), done);
    let warned = tokio::spawn(stand_still_on_witness(witnesses.clone(), sequencer.clone())).abort_handle();
    let queries = Queries::new(view.clone(), clock.clone(), blobs.clone(), sequencer.clone());
    let verifier_key = signing.verifier_key().to_string();
    let data = config.data.clone();
    let gate = Gate {
        view,
        sessions: Sessions::new(tokens.clone()),
        tokens: tokens.clone(),
        open_hash_tiles: config.open_hash_tiles,
    };
    let parts = Parts {
        clock,
        identity,
        signing,
        data,
        checks,
        blobs,
        sequencer,
        gate,
        queries,
        tree,
        reader,
        witnesses: witnesses.clone(),
        audits,
        limits: config.limits.clone(),
    };
    Ok(AtWork {
        router: router(parts).await,
        verifier_key,
        start: report,
        figures,
        authority,
        tokens,
        sequencer_done,
        unreadable,
        projection: Some(projection),
        witnesses,
        warned,
        _lock: lock,
    })
}

/// A witness may find out at any time.
async fn stand_still_on_witness(witnesses: Witnesses, sequencer: Sequencer) {
    let why = witnesses.against().await;
    // A sequencer that has ended records nothing.
    let _ = sequencer.send(Command::StandStill { why }).await;
}

struct Parts {
    clock: Arc<dyn Clock>,
    identity: Arc<Identity>,
    signing: Signing,
    data: PathBuf,
    checks: Checks,
    blobs: Blobs,
    sequencer: Sequencer,
    gate: Gate,
    queries: Queries,
    tree: Arc<RwLock<Tree>>,
    reader: LogReader,
    witnesses: Witnesses,
    audits: Audits,
    limits: Limits,
}

async fn router(parts: Parts) -> axum::Router {
    let Parts {
        clock,
        identity,
        signing,
        data,
        checks,
        blobs,
        sequencer,
        gate,
        queries,
        tree,
        reader,
        witnesses,
        audits,
        limits,
    } = parts;
    let (ask_bytes, reader_wait) = (limits.ask_bytes(), limits.reader_wait());
    let (health, health_service) = tonic_health::server::health_reporter();
    health.set_serving::<IntakeServer<IntakeService>>().await;
    let pages = Pages::new(Sources {
        queries: queries.clone(),
        reader: reader.clone(),
        tree: tree.clone(),
        identity: identity.clone(),
        signing: signing.clone(),
        sessions: gate.sessions.clone(),
        witnesses: witnesses.clone(),
        audits: audits.clone(),
        reader_wait,
    });
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(FILE_DESCRIPTOR_SET)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let intake = IntakeService { checks, blobs, sequencer, view: gate.view.clone(), room: Room::new(&limits) };
    let packs =
        Packs { queries: queries.clone(), reader: reader.clone(), tree: tree.clone(), witnesses: witnesses.clone() };
    let files = LogFiles {
        view: gate.view.clone(),
        tree: tree.clone(),
        reader: reader.clone(),
        witnesses: witnesses.clone(),
        clock,
        open_hash_tiles: gate.open_hash_tiles,
    };
    let ledger = LedgerService {
        identity,
        signing,
        data,
        queries: queries.clone(),
        tree,
        reader: reader.clone(),
        witnesses,
        audits,
        reader_wait,
    };
    let records = RecordsService { queries: queries.clone(), reader, packs, reader_wait };
    let items = ItemsService { queries: queries.clone(), reader_wait };
    let whole = "our own descriptors are whole";
    let calls = Routes::new(health_service.max_decoding_message_size(ask_bytes))
        .add_service(reflection().build_v1().expect(whole).max_decoding_message_size(ask_bytes))
        .add_service(reflection().build_v1alpha().expect(whole).max_decoding_message_size(ask_bytes))
        .add_service(IntakeServer::new(intake).max_decoding_message_size(limits.message_bytes()))
        .add_service(OpenItemsServer::new(items).max_decoding_message_size(ask_bytes))
        .add_service(RecordsServer::new(records).max_decoding_message_size(ask_bytes))
        .add_service(LedgerServer::new(ledger).max_decoding_message_size(ask_bytes))
        .add_service(RosterServer::new(RosterService(queries)).max_decoding_message_size(ask_bytes))
        .prepare()
        .into_axum_router();
    let sign_in = sign_in::router(SignIn { tokens: gate.tokens.clone(), sessions: gate.sessions.clone() });
    let shed = Shed::new(&limits);
    // The last layer is the outermost: headers go on what the gate itself answers, and forms are looked at behind it.
    calls
        .merge(sign_in)
        .merge(web::router(pages))
        .merge(files::router(files))
        .fallback(nothing_there)
        .layer(from_fn(sign_in::forms::check))
        .layer(from_fn_with_state(shed.clone(), shed::late))
        .layer(from_fn_with_state(gate, access::check))
        .layer(from_fn_with_state(shed, shed::early))
        .layer(from_fn(sign_in::headers::put))
}

/// A path that the table knows and nobody serves.
async fn nothing_there(request: axum::extract::Request) -> axum::response::Response {
    if access::is_call(request.uri().path()) {
        return tonic::Status::from(CallError::NotOffered("this call")).into_http();
    }
    (StatusCode::NOT_FOUND, "there is nothing here\n").into_response()
}

impl Running {
    /// Entries in the log.
    pub fn entries(&self) -> u64 {
        self.at_work.figures.size.load(Ordering::SeqCst)
    }

    /// SHA-256 of the authority's certificate.
    pub fn fingerprint(&self) -> Result<Hash, ServiceError> {
        self.authority.fingerprint()
    }

    /// The authority's certificate file.
    pub fn authority_file(&self) -> PathBuf {
        self.authority.certificate_file()
    }

    /// Reads again what may change while the service runs: the server's certificate where it comes from files, the list of
    /// revoked tokens, the keys of another issuer. What cannot be read stays as it was, and is told.
    pub async fn reload(&self) -> Vec<ServiceError> {
        let tls = match &self.tls_files {
            // Without files the names alone would make a certificate, and they have not changed.
            None => Ok(()),
            Some(files) => self.authority.server_config(&[], Some(files)).map(|tls| self.tls.reload_from_config(tls)),
        };
        [tls, self.at_work.tokens.reload().await].into_iter().filter_map(Result::err).collect()
    }

    /// See [`AtWork::failed`].
    pub async fn failed(&mut self) -> ServiceError {
        self.at_work.failed().await
    }

    /// Takes no new call, lets those under way finish, writes what is decided, and ends.
    pub async fn stop(mut self) -> Result<StopReport, ServiceError> {
        self.at_work.witnesses.stop();
        self.at_work.warned.abort();
        self.handle.graceful_shutdown(Some(DRAIN));
        // How the listener ended changes nothing of what was recorded.
        let _ = (&mut self.server).await;
        self.at_work.end().await
    }
}

impl AtWork {
    /// Waits until the service cannot go on by itself, which is when the log cannot be written or not be read.
    pub async fn failed(&mut self) -> ServiceError {
        let ended = tokio::select! {
            ended = &mut self.sequencer_done => ended,
            why = self.unreadable.told() => return ServiceError::Unreadable(why),
        };
        match ended {
            Ok(Err(error)) => error,
            _ => ServiceError::File {
                what: "the sequencer ended".to_owned(),
                source: std::io::Error::other("without a reason"),
            },
        }
    }

    /// Lets the sequencer write what is decided, now that nobody can ask for more.
    async fn end(self) -> Result<StopReport, ServiceError> {
        let AtWork { router, mut sequencer_done, projection, figures, .. } = self;
        drop(router);
        let ended = tokio::time::timeout(DRAIN, &mut sequencer_done).await;
        if let Ok(Ok(Err(error))) = ended {
            return Err(error);
        }
        if let (Some(projection), true) = (projection, ended.is_ok()) {
            projection.end().await;
        }
        Ok(StopReport {
            entries: figures.entries.load(Ordering::Relaxed),
            groups: figures.groups.load(Ordering::Relaxed),
            syncs: figures.syncs.load(Ordering::Relaxed),
        })
    }
}
