//! Everything that a caller may show, and what it is worth.

use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer as Authority, KeyPair};
use rinsebook_client::enrol;
use rinsebook_proto::key;
use rinsebook_service::caller::Role;
use rinsebook_service::tokens::revoked::revoke;
use rinsebook_tests::issuer::{but, claims, ed_token};
use serde_json::json;

use super::world::World;

/// What something shown is worth.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Worth {
    Nothing,
    /// The certificate of an enrolled device.
    Device,
    /// A certificate of our authority, for a device that nobody enrolled.
    NotEnrolled,
    /// A certificate of another authority.
    OtherAuthority,
    /// A token that is refused for this reason.
    Bad(&'static str),
    /// A good token of a person who may be these.
    Person(&'static [&'static str]),
    /// An enrolled device, and a token that is refused for this reason.
    DeviceAndBad(&'static str),
}

pub(super) struct Shown {
    pub(super) what: &'static str,
    pub(super) identity: Option<(String, String)>,
    pub(super) token: Option<String>,
    pub(super) worth: Worth,
}

fn other_authority() -> (String, String) {
    let (ca_key, key) = (KeyPair::generate().unwrap(), KeyPair::generate().unwrap());
    let mut params = CertificateParams::default();
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.distinguished_name.push(DnType::CommonName, "rinsebook local authority");
    let authority = params.self_signed(&ca_key).unwrap();
    let authority = Authority::from_ca_cert_pem(&authority.pem(), ca_key).unwrap();
    let certificate = CertificateParams::default().signed_by(&key, &authority).unwrap();
    (certificate.pem(), key.serialize_pem())
}

const EACH_ROLE: [(&str, &[&str]); 6] = [
    ("the role station", &["station"]),
    ("the role planner", &["planner"]),
    ("the role quality", &["quality"]),
    ("the role custodian", &["custodian"]),
    ("no role", &[]),
    ("a role of somebody else's", &["Planner", "admin", "planner quality"]),
];

/// All of it.
pub(super) fn everything(world: &World) -> Vec<Shown> {
    let mut all = certificates(world);
    let token = |what, token, worth| Shown { what, identity: None, token: Some(token), worth };
    all.extend(bad_tokens(world).into_iter().map(|(what, bad, why)| token(what, bad, Worth::Bad(why))));
    for (what, roles) in EACH_ROLE {
        let good = world.issuer.token(&claims(what, roles, world.now_ms()));
        all.push(token(what, good, Worth::Person(roles)));
    }
    let planner = claims("by RS256", &["planner"], world.now_ms());
    all.push(token("RS256", world.issuer.rs256(&planner), Worth::Person(&["planner"])));
    let several = but(&planner, "aud", json!(["others", "rinsebook"]));
    all.push(token("several audiences", world.issuer.token(&several), Worth::Person(&["planner"])));
    let own = world.own_issuer().issue("Mira", &[Role::Quality], 1, world.now_ms()).unwrap();
    all.push(token("a token of the service's own", own.token, Worth::Person(&["quality"])));
    // Both.
    let desk = Some(world.shop.desk.home.tls_identity().unwrap());
    let expired = but(&planner, "exp", world.now_ms() / 1000 - 1);
    all.push(Shown {
        what: "an enrolled device with an expired token",
        identity: desk,
        token: Some(world.issuer.token(&expired)),
        worth: Worth::DeviceAndBad("TOKEN_EXPIRED"),
    });
    all
}

fn certificates(world: &World) -> Vec<Shown> {
    let stranger = world.shop.new_home("stranger").unwrap();
    enrol::issue_certificate(&stranger, &world.shop.authority_dir().unwrap()).unwrap();
    let desk = world.shop.desk.home.tls_identity().unwrap();
    [
        ("nothing", None, Worth::Nothing),
        ("an enrolled device", Some(desk), Worth::Device),
        ("a device that nobody enrolled", Some(stranger.tls_identity().unwrap()), Worth::NotEnrolled),
        ("another authority's certificate", Some(other_authority()), Worth::OtherAuthority),
    ]
    .map(|(what, identity, worth)| Shown { what, identity, token: None, worth })
    .into()
}

/// Each would be good for everything, but for one thing.
fn bad_tokens(world: &World) -> Vec<(&'static str, String, &'static str)> {
    let (issuer, now) = (&world.issuer, world.now_ms() / 1000);
    let good = claims("bad tokens", &["planner", "quality", "custodian"], world.now_ms());
    let whole = issuer.token(&good);
    let (_, signature) = whole.rsplit_once('.').unwrap();
    let (altered, _) = issuer.token(&but(&good, "sub", "somebody else")).rsplit_once('.').map(own).unwrap();
    let revoked = but(&good, "jti", "taken back");
    revoke(&world.config.keys_dir(), "taken back").unwrap();
    let header = json!({ "alg": "EdDSA", "kid": "ed-1" });
    let stranger = key::generate();
    let own_stranger = but(&good, "iss", world.own_issuer().issuer());
    vec![
        ("expired", issuer.token(&but(&good, "exp", now)), "TOKEN_EXPIRED"),
        ("expired under RS256", issuer.rs256(&but(&good, "exp", now - 1)), "TOKEN_EXPIRED"),
        ("not good yet", issuer.token(&but(&good, "nbf", now + 60)), "TOKEN_NOT_YET"),
        ("wrong audience", issuer.token(&but(&good, "aud", "others")), "TOKEN_AUDIENCE"),
        ("wrong audiences", issuer.token(&but(&good, "aud", json!(["others", "rinsebook2"]))), "TOKEN_AUDIENCE"),
        ("wrong issuer", issuer.token(&but(&good, "iss", "https://other.invalid")), "TOKEN_ISSUER"),
        ("the service's name on another's token", issuer.token(&own_stranger), "TOKEN_KEY_UNKNOWN"),
        ("alg=none", issuer.unsigned(&good), "TOKEN_ALGORITHM"),
        ("HS256 with the public key", issuer.hs256(&good), "TOKEN_ALGORITHM"),
        (
            "RS256 under an Ed25519 key",
            ed_token(&json!({"alg": "RS256", "kid": "ed-1"}), &good, &issuer.ed),
            "TOKEN_KEY_UNKNOWN",
        ),
        ("unknown key", ed_token(&json!({"alg": "EdDSA", "kid": "ed-9"}), &good, &issuer.ed), "TOKEN_KEY_UNKNOWN"),
        ("no key id", ed_token(&json!({"alg": "EdDSA"}), &good, &issuer.ed), "TOKEN_KEY_UNKNOWN"),
        ("another's key under a known id", ed_token(&header, &good, &stranger), "TOKEN_SIGNATURE"),
        ("altered", format!("{altered}.{signature}"), "TOKEN_SIGNATURE"),
        ("revoked", issuer.token(&revoked), "TOKEN_REVOKED"),
        ("no subject", issuer.token(&but(&good, "sub", json!(null))), "TOKEN_MALFORMED"),
        ("no expiry", issuer.token(&but(&good, "exp", json!(null))), "TOKEN_MALFORMED"),
        (
            "what must be understood and is not",
            ed_token(&json!({"alg": "EdDSA", "kid": "ed-1", "crit": ["x"]}), &good, &issuer.ed),
            "TOKEN_MALFORMED",
        ),
        ("garbage", "garbage-that-is-no-token".to_owned(), "TOKEN_MALFORMED"),
        ("more than a token can be", format!("{whole}{}", "A".repeat(9000)), "TOKEN_MALFORMED"),
    ]
}

fn own((a, b): (&str, &str)) -> (String, String) {
    (a.to_owned(), b.to_owned())
}
