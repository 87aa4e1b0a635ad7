//! What changes while the service runs: an issuer's keys, and the server's certificate.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::http::StatusCode;
use axum::routing::get;
use rcgen::{CertificateParams, KeyPair};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_service::config::TlsFiles;
use rinsebook_tests::issuer::{claims, ed_jwk, ed_token};
use serde_json::json;

use super::world::World;

const MINUTE_MS: u64 = 60_000;

fn set(key_id: &str, key: &SigningKey) -> String {
    json!({ "keys": [ed_jwk(key_id, key)] }).to_string()
}

/// The reason for which a token under this key is refused, or nothing.
async fn refused(world: &World, key_id: &str, key: &SigningKey) -> Option<&'static str> {
    let claims = claims("p-17", &["quality"], world.now_ms());
    let token = ed_token(&json!({ "alg": "EdDSA", "kid": key_id }), &claims, key);
    let answer = world.browser(None).get("/log/checkpoint", &[("authorization", &format!("Bearer {token}"))]).await;
    let answer = answer.unwrap();
    match answer.status {
        401 if answer.body.contains("no key of the token's id") => Some("key unknown"),
        401 => panic!("{answer:?}"),
        200 => None,
        _ => panic!("{answer:?}"),
    }
}

fn later(world: &World, by_ms: u64) {
    world.clock().set(world.now_ms() + by_ms);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_issuer_s_new_key_in_a_file_is_taken_within_a_minute_or_at_once_on_a_reload_and_its_old_one_no_more() {
    let world = World::open().await;
    let file = world.shop.dir.join("jwks.json");
    let (first, second, third) = (&world.issuer.ed, key::generate(), key::generate());
    assert_eq!(refused(&world, "ed-1", first).await, None);
    std::fs::write(&file, set("ed-2", &second)).unwrap();
    assert_eq!(refused(&world, "ed-2", &second).await, Some("key unknown"), "it was read less than a minute ago");
    later(&world, MINUTE_MS);
    assert_eq!(refused(&world, "ed-2", &second).await, None);
    assert_eq!(refused(&world, "ed-1", first).await, Some("key unknown"));

    std::fs::write(&file, set("ed-3", &third)).unwrap();
    assert_eq!(world.reload().await, Vec::<String>::new());
    assert_eq!(refused(&world, "ed-3", &third).await, None);
    std::fs::write(&file, "{\"keys\": [").unwrap();
    let failed = world.reload().await;
    assert!(failed.len() == 1 && failed[0].contains("jwks.json"), "{failed:?}");
    assert_eq!(refused(&world, "ed-3", &third).await, None, "the old set stays in use");
}

/// An issuer's server on this machine: what it answers, and how often it was asked.
struct Server {
    url: String,
    answers: Arc<Mutex<(StatusCode, String)>>,
    asked: Arc<AtomicUsize>,
}

impl Server {
    async fn start() -> Server {
        let answers = Arc::new(Mutex::new((StatusCode::SERVICE_UNAVAILABLE, String::new())));
        let asked = Arc::new(AtomicUsize::new(0));
        let answer = {
            let (answers, asked) = (answers.clone(), asked.clone());
            move || {
                asked.fetch_add(1, Ordering::SeqCst);
                let answer = answers.lock().unwrap().clone();
                async move { answer }
            }
        };
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/keys.json", listener.local_addr().unwrap());
        let router = Router::new().route("/keys.json", get(answer));
        tokio::spawn(async move { axum::serve(listener, router).await });
        Server { url, answers, asked }
    }

    fn says(&self, status: StatusCode, body: String) {
        *self.answers.lock().unwrap() = (status, body);
    }

    fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_issuer_s_keys_at_an_address_are_fetched_when_it_can_be_reached_and_kept_while_it_cannot() {
    let server = Server::start().await;
    let (first, second) = (key::generate(), key::generate());
    let world = World::with_url(&server.url).await;
    assert_eq!(server.asked(), 1, "the service starts although the issuer cannot answer");
    server.says(StatusCode::OK, set("ed-1", &first));
    assert_eq!(refused(&world, "ed-1", &first).await, Some("key unknown"));
    assert_eq!(server.asked(), 1, "not asked again within a minute");
    later(&world, MINUTE_MS);
    assert_eq!(refused(&world, "ed-1", &first).await, None);
    assert_eq!(server.asked(), 2);

    // Made-up key ids do not turn the service against the issuer.
    for made_up in ["a", "b", "c", "d"] {
        assert_eq!(refused(&world, made_up, &second).await, Some("key unknown"));
    }
    assert_eq!(server.asked(), 2);
    later(&world, MINUTE_MS);
    assert_eq!(refused(&world, "a", &second).await, Some("key unknown"));
    assert_eq!(refused(&world, "b", &second).await, Some("key unknown"));
    assert_eq!(server.asked(), 3);

    // Neither an error, nor a redirect, nor something else than a set takes the old keys away.
    let too_large = format!("{}{}", set("ed-2", &second), " ".repeat(300 << 10));
    let bad = [
        (StatusCode::INTERNAL_SERVER_ERROR, set("ed-2", &second)),
        (StatusCode::FOUND, set("ed-2", &second)),
        (StatusCode::OK, "<html>".to_owned()),
        (StatusCode::OK, too_large),
    ];
    for (status, body) in bad {
        server.says(status, body);
        later(&world, 16 * MINUTE_MS);
        let before = server.asked();
        assert_eq!(refused(&world, "ed-1", &first).await, None, "{status}");
        assert_eq!(server.asked(), before + 1, "{status}");
        assert_eq!(refused(&world, "ed-2", &second).await, Some("key unknown"), "{status}");
    }

    // A set that is old is read again although the key is in it: a key that the issuer took out is forgotten.
    server.says(StatusCode::OK, set("ed-2", &second));
    later(&world, 16 * MINUTE_MS);
    assert_eq!(refused(&world, "ed-1", &first).await, Some("key unknown"));
    assert_eq!(refused(&world, "ed-2", &second).await, None);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_server_s_certificate_from_files_is_shown_anew_after_a_reload_and_kept_when_the_files_are_bad() {
    let mut world = World::open().await;
    world.shop.service.take().unwrap().stop().await.unwrap();
    let key = KeyPair::generate().unwrap();
    let files = TlsFiles { certificate: world.shop.dir.join("server.pem"), key: world.shop.dir.join("server.key") };
    let certify = || {
        let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
        params.self_signed(&key).unwrap()
    };
    let first = certify();
    std::fs::write(&files.certificate, first.pem()).unwrap();
    std::fs::write(&files.key, key.serialize_pem()).unwrap();
    world.config.tls = Some(files.clone());
    world.start().await;
    let shown = async |ca: &str| {
        let mut browser = world.browser(None);
        browser.ca_pem = ca.to_owned();
        browser.get("/sign-in", &[]).await.unwrap().certificate
    };
    assert_eq!(shown(&first.pem()).await, first.der().to_vec());

    let second = certify();
    std::fs::write(&files.certificate, second.pem()).unwrap();
    assert_eq!(shown(&first.pem()).await, first.der().to_vec(), "nobody said that it changed");
    assert_eq!(world.reload().await, Vec::<String>::new());
    assert_eq!(shown(&second.pem()).await, second.der().to_vec());

    std::fs::write(&files.certificate, "no certificate").unwrap();
    let failed = world.reload().await;
    assert!(failed.len() == 1 && failed[0].contains("server.pem"), "{failed:?}");
    assert_eq!(shown(&second.pem()).await, second.der().to_vec());
    std::fs::write(&files.certificate, second.pem()).unwrap();
    std::fs::write(&files.key, KeyPair::generate().unwrap().serialize_pem()).unwrap();
    assert_eq!(world.reload().await.len(), 1, "a key of another certificate");
    assert_eq!(shown(&second.pem()).await, second.der().to_vec());
}
