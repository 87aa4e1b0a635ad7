//! Who calls: the device whose certificate was shown, the person whose token was, or both.

use rinsebook_proto::bytes::Id;

/// What a caller may be. A role decides which calls are answered; what a *fact* may do is decided by the authority of
/// its signer on the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Signs facts on the ramp. Stations show certificates: a token with this role opens nothing.
    Station,
    /// Asks what is open and what stands in the way.
    Planner,
    /// Asks that too, and reads the log itself.
    Quality,
    /// Keeps the record.
    Custodian,
}

impl Role {
    /// All of them.
    pub const ALL: [Role; 4] = [Role::Station, Role::Planner, Role::Quality, Role::Custodian];

    /// As tokens and the command line spell it.
    pub fn name(self) -> &'static str {
        match self {
            Role::Station => "station",
            Role::Planner => "planner",
            Role::Quality => "quality",
            Role::Custodian => "custodian",
        }
    }

    /// The role of this name.
    pub fn named(name: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.name() == name)
    }
}

/// Roles as one reads them: `planner, quality`.
pub fn names(roles: &[Role]) -> String {
    roles.iter().map(|role| role.name()).collect::<Vec<_>>().join(", ")
}

/// A person, as their token says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// The token's subject: a person's id in this record, or what the issuer calls them. It may stand in the log.
    pub subject: String,
    /// What to call them. It is shown to them and written nowhere: a name in the log could not be erased.
    pub name: String,
    /// What they may be, without doubles.
    pub roles: Vec<Role>,
    /// The token's id, where it has one: by it a token is revoked.
    pub token_id: Option<String>,
    /// The token is good until then, Unix milliseconds.
    pub expires_ms: u64,
}

impl Person {
    /// Whether they have one of these roles.
    pub fn has_any(&self, roles: &[Role]) -> bool {
        self.roles.iter().any(|role| roles.contains(role))
    }
}

/// Who calls, once it is checked; every call that was let through carries it in its extensions.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Caller {
    /// The enrolled device whose certificate was shown.
    pub device: Option<Id>,
    /// The person whose token or session was shown.
    pub person: Option<Person>,
}

impl Caller {
    /// The caller that a request carries; nobody, where it was let through without asking.
    pub fn of(extensions: &axum::http::Extensions) -> Caller {
        extensions.get::<Caller>().cloned().unwrap_or_default()
    }

    /// What the log keeps of the person who asked: the subject of their token, or nothing.
    pub fn asked_by(&self) -> &str {
        self.person.as_ref().map_or("", |person| &person.subject)
    }
}

impl std::fmt::Display for Caller {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (&self.device, &self.person) {
            (None, None) => write!(f, "nobody known"),
            (Some(device), None) => write!(f, "device {device}"),
            (None, Some(person)) => write!(f, "{:?} ({})", person.subject, names(&person.roles)),
            (Some(device), Some(person)) => {
                write!(f, "{:?} ({}) on device {device}", person.subject, names(&person.roles))
            }
        }
    }
}
