//! Who may make which call and see which page: one table, deny by default. What a *fact* may do is decided by its signer's
//! authority on the log, not here.

mod credentials;

use axum::extract::{Request, State};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use rinsebook_proto::bytes::Id;
use rinsebook_proto::tiles::{Sort, Tile};

use crate::authority::tls_key_digest;
use crate::caller::{Caller, Person, Role, names};
use crate::error::CallError;
use crate::projection::View;
use crate::session::Sessions;
use crate::tokens::{TokenError, Tokens};
use credentials::Credentials;

/// What a call asks of its caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Asks {
    /// TLS, and nothing more.
    Nothing,
    /// A certificate of our authority: the call itself looks at whose it is. A token is no help.
    Certificate,
    /// One of these.
    AnyOf {
        /// The certificate of a device that is enrolled and not retired.
        device: bool,
        /// A token, or for pages a session, with one of these roles.
        roles: &'static [Role],
    },
}

/// Asking and looking up.
const READERS: Asks = Asks::AnyOf { device: true, roles: &[Role::Planner, Role::Quality, Role::Custodian] };
/// The log itself, and what people wrote.
const AUDITORS: Asks = Asks::AnyOf { device: true, roles: &[Role::Quality, Role::Custodian] };
/// What is about people rather than aircraft.
const QUALITY: Asks = Asks::AnyOf { device: false, roles: &[Role::Quality, Role::Custodian] };

/// What only a custodian's device asks for.
const CUSTODIANS: Asks = Asks::AnyOf { device: true, roles: &[Role::Custodian] };

/// The table: the path itself, or where it ends in `/` all below it; `*` is any one name. The first that fits.
const TABLE: &[(&str, Asks)] = &[
    ("/grpc.health.v1.Health/", Asks::Nothing),
    ("/grpc.reflection.v1.ServerReflection/", Asks::Nothing),
    ("/grpc.reflection.v1alpha.ServerReflection/", Asks::Nothing),
    ("/rinsebook.v1.Intake/Deliver", Asks::Certificate),
    ("/rinsebook.v1.Ledger/GetIdentity", Asks::Nothing),
    ("/rinsebook.v1.Ledger/GetCheckpoint", READERS),
    ("/rinsebook.v1.Ledger/GetInclusionProof", READERS),
    ("/rinsebook.v1.Ledger/GetConsistencyProof", READERS),
    ("/rinsebook.v1.Ledger/ReadEntries", AUDITORS),
    ("/rinsebook.v1.Ledger/PrepareLogKey", CUSTODIANS),
    ("/rinsebook.v1.Ledger/HandInAudit", AUDITORS),
    ("/rinsebook.v1.OpenItems/ListItems", READERS),
    ("/rinsebook.v1.OpenItems/WatchItems", READERS),
    ("/rinsebook.v1.OpenItems/Assess", READERS),
    ("/rinsebook.v1.Records/ListAircraft", READERS),
    ("/rinsebook.v1.Records/ListWashes", READERS),
    ("/rinsebook.v1.Records/ListFacts", READERS),
    ("/rinsebook.v1.Records/GetFact", READERS),
    ("/rinsebook.v1.Records/GetBlob", AUDITORS),
    ("/rinsebook.v1.Records/IssuePack", AUDITORS),
    ("/rinsebook.v1.Roster/ListErasures", READERS),
    ("/rinsebook.v1.Roster/ListPeople", READERS),
    ("/rinsebook.v1.Roster/ListDevices", READERS),
    ("/rinsebook.v1.Roster/ListProcedures", READERS),
    // Pages.
    ("/sign-in", Asks::Nothing),
    ("/sign-out", Asks::Nothing),
    ("/assets/", Asks::Nothing),
    ("/", READERS),
    ("/events", READERS),
    ("/aircraft/", READERS),
    // It carries the entries themselves.
    ("/wash/*/record", AUDITORS),
    ("/wash/", READERS),
    ("/quality", QUALITY),
    // Files of the log; tiles of hashes are everybody's where the configuration says so: see `asks`.
    ("/log/checkpoint", AUDITORS),
    ("/log/tile/entries/", AUDITORS),
    ("/log/tile/", AUDITORS),
];

fn asks(path: &str, open_hash_tiles: bool) -> Option<Asks> {
    // Only what is a tile of hashes to the last letter: nothing else is opened by mistake.
    let tile = || path.strip_prefix("/log/").and_then(Tile::parse);
    let is_hashes = || tile().is_some_and(|tile| matches!(tile.sort, Sort::Hashes(_)));
    if open_hash_tiles && is_hashes() {
        return Some(Asks::Nothing);
    }
    TABLE.iter().find(|(known, _)| fits(known, path)).map(|(_, asks)| *asks)
}

fn fits(known: &str, path: &str) -> bool {
    if let Some((before, after)) = known.split_once('*') {
        let name = path.strip_prefix(before).and_then(|rest| rest.strip_suffix(after));
        return name.is_some_and(|name| !name.is_empty() && !name.contains('/'));
    }
    path == known || (known.len() > 1 && known.ends_with('/') && path.starts_with(known))
}

/// Whether a caller who was let in somewhere would be let in there too: pages show no link that leads to a refusal.
pub fn may(caller: &Caller, path: &str) -> bool {
    match asks(path, false) {
        None => false,
        Some(Asks::Nothing) => true,
        Some(Asks::Certificate) => caller.device.is_some(),
        Some(Asks::AnyOf { device, roles }) => {
            device && caller.device.is_some() || caller.person.as_ref().is_some_and(|person| person.has_any(roles))
        }
    }
}

/// Whether a path is a gRPC call; what is not is a page or a file.
pub fn is_call(path: &str) -> bool {
    path.starts_with("/rinsebook.") || path.starts_with("/grpc.")
}

/// Stands before everything that is served.
#[derive(Clone)]
pub struct Gate {
    /// Knows the devices.
    pub view: View,
    /// Knows whose tokens are good.
    pub tokens: Tokens,
    /// Knows who is signed in at the pages.
    pub sessions: Sessions,
    /// Whether tiles of hashes are everybody's.
    pub open_hash_tiles: bool,
}

/// Lets a call through, with its [`Caller`] in the extensions, or answers it with the reason why not.
pub async fn check(State(gate): State<Gate>, mut request: Request, next: Next) -> Response {
    gate.view.caught_up().await;
    let path = request.uri().path().to_owned();
    let credentials = Credentials::take(&mut request, &gate.sessions, is_call(&path));
    let may_sign_in = request.method() == Method::GET && credentials.bearer.is_none();
    let session = credentials.session.clone();
    match gate.judge(&path, credentials).await {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            if let Some(session) = session {
                request.extensions_mut().insert(session);
            }
            next.run(request).await
        }
        Err(Refused { error, caller }) => {
            // The path is whatever somebody wrote; it is quoted, so that no line of the log can be forged by it.
            tracing::warn!(?path, reason = error.code().1, %caller, %error, "a call was refused");
            if is_call(&path) { tonic::Status::from(error).into_http() } else { refused_page(&error, may_sign_in) }
        }
    }
}

/// Why not, and whom.
struct Refused {
    error: CallError,
    caller: Box<Caller>,
}

impl From<CallError> for Refused {
    fn from(error: CallError) -> Refused {
        Refused { error, caller: Box::default() }
    }
}

/// What the certificate that was shown is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shown {
    Nothing,
    Unknown,
    Enrolled(Id),
}

impl Gate {
    async fn judge(&self, path: &str, shown: Credentials) -> Result<Caller, Refused> {
        let asks = asks(path, self.open_hash_tiles).ok_or(CallError::NotOffered("this call"))?;
        let (device, roles) = match asks {
            Asks::Nothing => return Ok(Caller { device: None, person: shown.session.map(|session| session.person) }),
            Asks::Certificate if shown.certificate.is_some() => return Ok(Caller::default()),
            Asks::Certificate => return Err(CallError::NoCertificate.into()),
            Asks::AnyOf { device, roles } => (device, roles),
        };
        let certificate = self.device(shown.certificate.as_deref());
        // A token that is shown has to be good, whatever else is shown: who shows one means to be taken for that person.
        let person = match shown.bearer {
            Some(bearer) => Some(self.person(bearer).await.map_err(|error| refused(certificate, None, error.into()))?),
            None => shown.session.map(|session| session.person),
        };
        decide(device, roles, certificate, person)
    }

    async fn person(&self, bearer: Result<String, TokenError>) -> Result<Person, TokenError> {
        self.tokens.check(&bearer?).await
    }

    /// Looked up on the log at every call: a device retired is out at once.
    fn device(&self, certificate: Option<&[u8]>) -> Shown {
        let Some(certificate) = certificate else { return Shown::Nothing };
        let Some(digest) = tls_key_digest(certificate) else { return Shown::Unknown };
        let history = self.view.history();
        history.roster().device_by_tls_key(&digest).map_or(Shown::Unknown, Shown::Enrolled)
    }
}

fn refused(shown: Shown, person: Option<Person>, error: CallError) -> Refused {
    let device = if let Shown::Enrolled(device) = shown { Some(device) } else { None };
    Refused { error, caller: Box::new(Caller { device, person }) }
}

fn decide(device: bool, roles: &[Role], shown: Shown, person: Option<Person>) -> Result<Caller, Refused> {
    let by_device = device && matches!(shown, Shown::Enrolled(_));
    let by_role = person.as_ref().is_some_and(|person| person.has_any(roles));
    if by_device || by_role {
        let device = if let Shown::Enrolled(device) = shown { Some(device) } else { None };
        return Ok(Caller { device, person });
    }
    let token = format!("a token with the role {}", names(roles).replace(", ", " or "));
    let needs = if device { format!("the certificate of an enrolled device, or {token}") } else { token };
    let error = match (shown, &person) {
        (_, Some(_)) => CallError::NoRole { needs },
        (Shown::Unknown, None) if device => CallError::UnknownCertificate,
        (_, None) => CallError::NoCredentials { needs },
    };
    Err(refused(shown, person, error))
}

/// For a browser: to the page where one signs in, or why not.
fn refused_page(error: &CallError, may_sign_in: bool) -> Response {
    let status = match error.code().0 {
        tonic::Code::Unauthenticated if may_sign_in => return Redirect::to("/sign-in").into_response(),
        tonic::Code::Unauthenticated => StatusCode::UNAUTHORIZED,
        tonic::Code::PermissionDenied => StatusCode::FORBIDDEN,
        _ => StatusCode::NOT_FOUND,
    };
    (status, format!("{error}\n")).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_in_the_table_is_denied() {
        let denied = [
            "/rinsebook.v1.Nothing/Known",
            "/rinsebook.v1.Ledger/",
            "/rinsebook.v1.Ledger/GetIdentityToo",
            "/rinsebook.v1.Ledger/GetIdentity/",
            "/qualityx",
            "/aircraft",
            "//",
            "",
        ];
        for path in denied {
            assert_eq!(asks(path, true), None, "{path}");
        }
        assert_eq!(asks("/rinsebook.v1.Ledger/GetIdentity", false), Some(Asks::Nothing));
        assert_eq!(asks("/", false), Some(READERS));
        assert_eq!(asks("/wash/x/record", false), Some(AUDITORS));
        for path in ["/wash/x", "/wash/x/timeline.svg", "/wash//record", "/wash/x/y/record", "/wash/x/record/"] {
            assert_eq!(asks(path, false), Some(READERS), "{path}");
        }
    }

    #[test]
    fn tiles_of_hashes_are_opened_to_everybody_by_the_configuration_and_no_other_file_of_the_log_is() {
        for path in ["/log/tile/0/000", "/log/tile/1/x001/002.p/7"] {
            assert_eq!(asks(path, false), Some(AUDITORS), "{path}");
            assert_eq!(asks(path, true), Some(Asks::Nothing), "{path}");
        }
        let others =
            ["/log/checkpoint", "/log/tile/entries/000", "/log/tile/%65ntries/000", "/log/tile/0/../entries/000"];
        for path in others {
            assert_eq!(asks(path, true), Some(AUDITORS), "{path}");
        }
    }

    #[test]
    fn an_enrolled_device_whose_person_has_too_small_a_role_is_let_in_as_a_device_and_nowhere_else() {
        let device = Id::random();
        let person = Person {
            subject: "p".to_owned(),
            name: "p".to_owned(),
            roles: vec![Role::Planner],
            token_id: None,
            expires_ms: 1,
        };
        let quality = &[Role::Quality];
        let let_in = decide(true, quality, Shown::Enrolled(device), Some(person.clone()));
        assert_eq!(let_in.ok().unwrap().to_string(), format!("\"p\" (planner) on device {device}"));
        let by_role = decide(false, quality, Shown::Enrolled(device), Some(person)).err().unwrap();
        assert!(matches!(by_role.error, CallError::NoRole { .. }));
        let alone = decide(false, quality, Shown::Enrolled(device), None).err().unwrap();
        assert!(matches!(alone.error, CallError::NoCredentials { .. }));
        let stranger = decide(true, quality, Shown::Unknown, None).err().unwrap();
        assert_eq!(stranger.error, CallError::UnknownCertificate);
    }
}
