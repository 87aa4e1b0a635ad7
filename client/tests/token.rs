//! Planners and auditors who have a token and no station.

use std::path::Path;
use std::process::{Command, Output};

use rinsebook_client::demo::shop::Shop;
use rinsebook_proto::clock::Clock;
use rinsebook_service::Config;
use rinsebook_service::caller::Role;
use rinsebook_service::tokens::own::OwnIssuer;

fn run(line: &str, through: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_rinsebook")).args(line.split(' ')).args(through).output().unwrap()
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

/// A token in a file of the shop's; the file and the token.
fn issued(shop: &Shop, name: &str, role: Role) -> (String, String) {
    let issuer = OwnIssuer::open(&Config::local(&shop.data())).unwrap();
    let file = shop.dir.join(name);
    let issued = issuer.issue(name, &[role], 1, shop.clock.wall_ms()).unwrap();
    std::fs::write(&file, format!("{}\n", issued.token)).unwrap();
    (text(&file), issued.token)
}

#[tokio::test(flavor = "multi_thread")]
async fn items_assess_show_and_pack_are_asked_with_a_token_from_a_file_as_far_as_its_roles_go() {
    let shop = Shop::open().await.unwrap();
    let issue = |name: &str, role: Role| issued(&shop, name, role);
    let ((planner, token), (auditor, _)) = (issue("planner", Role::Planner), issue("auditor", Role::Quality));
    let address = shop.desk.home.about.address.clone();
    let ca = text(&shop.service.as_ref().unwrap().authority_file());
    let by = |file: &str| ["--token-file", file, "--address", &address, "--ca", &ca].map(str::to_owned);
    let ask = |line: &str, file: &str| run(line, &by(file).each_ref().map(String::as_str));

    for line in ["items", "items --json", "assess ZZ-RBA", "assess ZZ-RBA --record", "show ZZ-RBA", "show 0"] {
        let output = ask(line, &planner);
        assert!(output.status.success() && !output.stdout.is_empty(), "{line}: {output:?}");
    }
    let pack = format!("pack ZZ-RBA --issued-to authority --out {}", text(&shop.dir.join("out.pack")));
    let refused = ask(&pack, &planner);
    let why = String::from_utf8(refused.stderr).unwrap();
    assert_eq!(refused.status.code(), Some(1));
    assert!(why.contains("quality or custodian"), "{why}");
    assert!(ask(&pack, &auditor).status.success());

    // What is wrong with a token is said, and the token is not.
    let spoilt = text(&shop.dir.join("spoilt"));
    std::fs::write(&spoilt, token.replace('.', "x.")).unwrap();
    let refused = ask("items", &spoilt);
    let why = String::from_utf8(refused.stderr).unwrap();
    assert!(refused.status.code() == Some(1) && why.contains("token"), "{why}");
    assert!(!why.contains(token.rsplit('.').next().unwrap()), "{why}");
    shop.clock.set(shop.clock.wall_ms() + 3_600_000);
    let expired = ask("items", &planner);
    assert!(String::from_utf8(expired.stderr).unwrap().contains("has expired"));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_auditor_verifies_a_running_service_with_a_token_from_a_file_and_nobody_else_does() {
    let shop = Shop::open().await.unwrap();
    let ((auditor, _), (planner, _)) =
        (issued(&shop, "auditor", Role::Quality), issued(&shop, "planner", Role::Planner));
    let running = shop.service.as_ref().unwrap();
    let (ca, key) = (text(&running.authority_file()), text(&shop.dir.join("log.vkey")));
    std::fs::write(&key, &running.verifier_key).unwrap();
    let address = format!("https://localhost:{}/log", running.address.port());
    let verify = |more: &[&str]| {
        let line = format!("verify {address} --log-key {key} --json");
        let output = run(&line, more);
        (output.status.code(), String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap())
    };

    let (code, told) = verify(&["--ca", &ca, "--token-file", &auditor]);
    let told: serde_json::Value = serde_json::from_str(&told).unwrap_or_else(|e| panic!("{e}: {told}"));
    assert_eq!((code, &told["good"], &told["origin_proved"]), (Some(0), &true.into(), &true.into()), "{told}");
    assert_eq!(told["entries"].as_u64(), Some(running.entries()), "{told}");

    // A role that may not, no token, a spoilt one, a server that nobody vouches for: nothing was checked, and no token told.
    let token = std::fs::read_to_string(&auditor).unwrap().trim().to_owned();
    let spoilt = text(&shop.dir.join("spoilt"));
    std::fs::write(&spoilt, token.replace('.', "x.")).unwrap();
    for more in [
        &["--ca", &ca, "--token-file", &planner][..],
        &["--ca", &ca],
        &["--ca", &ca, "--token-file", &spoilt],
        &["--token-file", &auditor],
        &["--ca", &ca, "--token-file", "nowhere"],
    ] {
        let (code, told) = verify(more);
        assert_eq!(code, Some(5), "{more:?}: {told}");
        assert!(told.contains("\"checked\":false") && !told.contains(&token[..40]), "{more:?}: {told}");
    }
    shop.clock.set(shop.clock.wall_ms() + 3_600_000);
    assert_eq!(verify(&["--ca", &ca, "--token-file", &auditor]).0, Some(5), "it has expired");
}

#[test]
fn a_token_goes_with_an_https_address_and_an_authority_and_without_a_station() {
    let dir = tempfile::tempdir().unwrap();
    let file = text(&dir.path().join("token"));
    std::fs::write(&file, "a.b.c\n").unwrap();
    for through in [
        &[][..],
        &["--token-file", &file],
        &["--token-file", &file, "--address", "https://localhost:1"],
        &["--address", "https://localhost:1", "--ca", &file],
        &["--station", "x", "--token-file", &file, "--address", "https://localhost:1", "--ca", &file],
        // Nothing is sent where everybody could read it.
        &["--token-file", &file, "--address", "http://localhost:1", "--ca", &file],
    ] {
        for line in ["items", "watch", "show 0"] {
            let output = run(line, through);
            assert_eq!(output.status.code(), Some(2), "{line} {through:?}");
            assert!(output.stdout.is_empty() && !output.stderr.is_empty(), "{line} {through:?}");
        }
    }
}
