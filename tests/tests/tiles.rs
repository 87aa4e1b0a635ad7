//! The log as static files, for those who trust nobody: written, served by a plain file server, audited from there.

#![allow(clippy::print_stdout)] // Tests print their seed.

use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};

use rinsebook_client::verify::files::{Access, Files};
use rinsebook_client::verify::tiles::{export, tiles};
use rinsebook_client::verify::{Asked, Fault, Good, check};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::note::VerifierKey;
use rinsebook_proto::tiles::Tile;
use rinsebook_proto::v1::{self, EngineAt};
use rinsebook_tests::book::{Book, By};
use rinsebook_tests::shop::Shop;
use rinsebook_tests::world::Dice;

fn book(dir: &Path, entries: u64) -> Book {
    Book::of_forty_aircraft(dir, 16 << 20, entries)
}

fn audited(place: &str, key: &VerifierKey, state: Option<&Path>) -> Result<Good, Fault> {
    let files = Files::at(place, &Access::default()).unwrap();
    tiles(&files, &Asked { log_key: Some(key), state, ..Asked::default() }, &mut |_| {})
}

/// Python's own file server: it knows nothing of logs.
struct Served(Child, String);

impl Served {
    fn from(dir: &Path) -> Served {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let server = Command::new("python3")
            .args(["-m", "http.server", "--bind", "127.0.0.1", "--directory"])
            .arg(dir)
            .arg(port.to_string())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let served = Served(server, format!("http://127.0.0.1:{port}"));
        for _ in 0..600 {
            if std::net::TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return served;
            }
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        panic!("the file server does not answer");
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

#[test]
fn a_hundred_thousand_entries_are_audited_from_a_plain_file_server_with_no_service_running() {
    let dir = tempfile::tempdir().unwrap();
    let (log, out) = (dir.path().join("log"), dir.path().join("files"));
    let book = book(&log, 100_000);
    assert_eq!(export(&log, &out, false).unwrap(), 100_000);
    let server = Served::from(&out);
    let good = audited(&server.1, &book.verifier_key(), None).unwrap();
    assert_eq!((good.entries, good.signatures, good.unread, good.origin_proved), (100_000, 100_000, 0, true));
    let of_folder =
        check(&log, &Asked { log_key: Some(&book.verifier_key()), ..Asked::default() }, &mut |_| {}).unwrap();
    assert_eq!(good.root, of_folder.root);
}

#[test]
fn an_audit_goes_on_where_the_last_one_ended_and_notices_what_was_changed_or_taken_away_before() {
    let dir = tempfile::tempdir().unwrap();
    let (log, out, state) = (dir.path().join("log"), dir.path().join("files"), dir.path().join("audit.json"));
    let mut written = book(&log, 700);
    let key = written.verifier_key();
    export(&log, &out, false).unwrap();
    let place = out.display().to_string();
    assert_eq!(audited(&place, &key, Some(&state)).unwrap().resumed, 0);
    let (kept, roots) = (std::fs::read(&state).unwrap(), dir.path().join("audit.json.roots"));
    let again = || {
        std::fs::write(&state, &kept).unwrap();
        std::fs::OpenOptions::new().write(true).open(&roots).unwrap().set_len(700 * 40).unwrap();
    };

    let engine = Some(EngineAt { position: 1, serial: "BK-0001".to_owned() });
    for _ in 0..200 {
        let kind = Kind::MetalTemperature(v1::MetalTemperature { engine: engine.clone(), metal_tenths_celsius: None });
        written.fact(By::Technician, kind, vec![Subject::Engine("BK-0001".to_owned())]);
        written.close();
    }
    let longer = dir.path().join("longer");
    export(&log, &longer, false).unwrap();
    let good = audited(&longer.display().to_string(), &key, Some(&state)).unwrap();
    assert_eq!((good.resumed, good.entries, good.signatures), (700, 900, 900));
    again();
    let of_folder = Asked { log_key: Some(&key), state: Some(&state), ..Asked::default() };
    assert_eq!(check(&log, &of_folder, &mut |_| {}).unwrap().resumed, 700);

    // The longer state is kept now: the shorter log is one that was rolled back.
    let rolled_back = audited(&place, &key, Some(&state)).unwrap_err();
    assert!(matches!(rolled_back, Fault::Bad { part: "audited before", .. }), "{rolled_back}");
    // Another log under another key, of the same length, is none that goes on from there.
    again();
    let other = dir.path().join("other");
    let another = book(&other, 900);
    export(&other, &dir.path().join("other-files"), false).unwrap();
    let place = dir.path().join("other-files").display().to_string();
    let forked = audited(&place, &another.verifier_key(), Some(&state)).unwrap_err();
    assert!(matches!(forked, Fault::Bad { .. }), "{forked}");
}

#[test]
fn no_altered_byte_of_the_static_files_passes() {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(20_310_304);
    println!("RINSEBOOK_SEED={seed}");
    let mut dice = Dice::new(seed);
    let dir = tempfile::tempdir().unwrap();
    let (log, out) = (dir.path().join("log"), dir.path().join("files"));
    let key = book(&log, 300).verifier_key();
    export(&log, &out, false).unwrap();
    let place = out.display().to_string();
    audited(&place, &key, None).unwrap();
    let paths: Vec<String> = Tile::all(300, true).map(|t| t.path()).chain(["checkpoint".to_owned()]).collect();
    for path in &paths {
        let file = out.join(path);
        let whole = std::fs::read(&file).unwrap();
        for _ in 0..12 {
            let (at, bit) = (dice.below(whole.len() as u64) as usize, dice.below(8));
            let mut altered = whole.clone();
            altered[at] ^= 1 << bit;
            std::fs::write(&file, &altered).unwrap();
            let told = audited(&place, &key, None);
            assert!(told.is_err(), "{path}: byte {at}, bit {bit}");
        }
        std::fs::write(&file, &whole).unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_running_service_is_audited_over_its_own_address_by_those_who_may() {
    let shop = Shop::open().await.unwrap();
    let running = shop.service.as_ref().unwrap();
    let key = VerifierKey::parse(&running.verifier_key).unwrap();
    let address = format!("https://localhost:{}/log", running.address.port());
    let home = shop.desk.home.clone();
    let authority_pem = Some(home.ca_pem().unwrap());
    let device =
        Access { authority_pem: authority_pem.clone(), device: Some(home.tls_identity().unwrap()), token: None };
    let nobody = Access { authority_pem, ..Access::default() };
    let strangers = Access::default();
    let audit = move |access: Access| {
        let files = Files::at(&address, &access).unwrap();
        tiles(&files, &Asked { log_key: Some(&key), ..Asked::default() }, &mut |_| {})
    };
    let told = tokio::task::spawn_blocking(move || [device, nobody, strangers].map(audit)).await.unwrap();
    let [good, refused, unbelieved] = told;
    assert!(good.unwrap().entries > 10);
    assert!(matches!(refused, Err(Fault::CouldNot(_))), "{refused:?}");
    assert!(matches!(unbelieved, Err(Fault::CouldNot(_))), "nobody's certificate is believed: {unbelieved:?}");
}
