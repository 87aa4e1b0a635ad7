//! Keys, passphrases, tokens, sessions and names: none of them in the service's log, at the level that finds faults, nor in
//! what callers are told who are refused.

use std::path::Path;

use rinsebook_client::remote;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::roster_client::RosterClient;
use rinsebook_client::sync::sync;
use rinsebook_proto::clock::{Clock, SystemClock};
use rinsebook_proto::v1;
use rinsebook_service::Config;
use rinsebook_service::caller::Role;
use rinsebook_service::tokens::own::OwnIssuer;
use rinsebook_tests::program::Program;
use rinsebook_tests::shop::{Shop, Wash};
use rinsebook_tests::web::Browser;

use super::sign;

/// Shorter pieces stand in a log by chance.
const SHORTEST: usize = 16;

/// What must not be told of a file: its lines, which are base64 or a word, without the frame that says what it is.
fn secret_lines(file: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(file).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with("-----") && line.len() >= SHORTEST);
    lines.map(str::to_owned).collect()
}

/// Secrets of the service's own, and of a station.
fn at_rest(data: &Path, station: &Path) -> Vec<String> {
    let keys = std::fs::read_dir(data.join("keys")).unwrap().map(|file| file.unwrap().path());
    let is_secret = |file: &std::path::PathBuf| {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        name.ends_with(".pem") || name == "passphrase"
    };
    let mut files: Vec<_> = keys.filter(is_secret).collect();
    assert!(files.len() >= 3, "{files:?}");
    files.push(data.join("authority").join("ca.key"));
    files.extend(
        ["device.key", "report.pem", "passphrase"].map(|name| station.join(name)).into_iter().filter(|f| f.exists()),
    );
    files.iter().flat_map(|file| secret_lines(file)).collect()
}

fn told<'a>(text: &str, secrets: &'a [String]) -> Vec<&'a String> {
    secrets.iter().filter(|secret| text.contains(secret.as_str())).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_key_passphrase_token_session_or_name_is_in_the_log_or_in_an_error() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let issuer = OwnIssuer::open(&Config::local(&shop.data())).unwrap();
    let token = issuer.issue("p-17", &[Role::Planner], 2, SystemClock.wall_ms()).unwrap().token;
    let (claims, signature) = token.rsplit_once('.').unwrap();
    let forged = format!("{claims}.{}", signature.chars().rev().collect::<String>());
    let program = Program::start(&shop.dir, &shop.data(), "", "debug,rinsebook_service=trace").unwrap();
    station.home.set_address(&program.address()).unwrap();
    let ca_pem = station.home.ca_pem().unwrap();

    sign(&mut station, &shop.technician.key, &Wash::of(shop.aircraft), "a", 3);
    let name = station.keep_blob(b"Orla Quensel (invented)", true).unwrap();
    sync(&mut station, 3).await.unwrap();
    assert!(station.blob(&name).is_some());
    let mut errors = String::new();
    for token in [&token, &forged] {
        let channel = remote::connect_with_token(&program.address(), &ca_pem, token).await.unwrap();
        let asked = RosterClient::new(channel.clone()).list_people(v1::ListPeopleRequest::default()).await;
        errors += &asked.err().map(|status| format!("{status:?}\n")).unwrap_or_default();
        let denied = LedgerClient::new(channel).read_entries(v1::ReadEntriesRequest::default()).await;
        errors += &denied.err().map(|status| format!("{status:?}\n")).unwrap_or_default();
    }
    let browser = Browser { port: program.port, ca_pem, identity: None };
    let signed_in = browser.post("/sign-in", &[], &format!("token={token}")).await.unwrap();
    let cookie = signed_in.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
    let with = [("cookie", cookie.as_str())];
    assert_eq!(browser.get("/", &with).await.unwrap().status, 200);
    for refused in [
        browser.post("/sign-in", &[], &format!("token={forged}")).await.unwrap(),
        browser.get("/quality", &with).await.unwrap(),
        browser.get("/", &[("cookie", "__Host-rinsebook=0123456789abcdef0123")]).await.unwrap(),
    ] {
        assert!(refused.status >= 300, "{refused:?}");
        errors += &refused.body;
    }

    let mut secrets = at_rest(&shop.data(), &station.home.path(""));
    let session = cookie.split_once('=').unwrap().1.to_owned();
    let names = ["Orla Quensel", "Ida Rasko", "Mira Tolvanen"].map(str::to_owned);
    secrets.extend([token.clone(), signature.to_owned(), forged.rsplit('.').next().unwrap().to_owned(), session]);
    secrets.extend(names);
    let log = program.log().unwrap();
    assert_eq!(told(&log, &secrets), Vec::<&String>::new(), "in the log");
    assert_eq!(told(&errors, &secrets), Vec::<&String>::new(), "in an error");
    // The control: the same search finds what is told there.
    assert!(log.contains("a call was refused") && errors.contains("TOKEN_"), "{errors}");
    assert_eq!(told(&log, &["p-17".to_owned()]).len(), 1, "{log}");
}
