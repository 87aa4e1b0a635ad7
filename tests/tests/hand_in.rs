//! An audit from its first byte to the quality page: the log audited at a real service's address, cosigned, handed in over
//! TLS, and told; and all that is refused.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use rinsebook_client::query::hand_in::{HandInArgs, run_hand_in};
use rinsebook_client::query::through::Through;
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::verify::{Args, run};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::Clock;
use rinsebook_proto::cosignature::cosign;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::{Checkpoint, CosignerKey};
use rinsebook_service::Config;
use rinsebook_service::backup::backup;
use rinsebook_service::caller::Role;
use rinsebook_service::identity::Identity;
use rinsebook_tests::person::{Person, token};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected};

const NAME: &str = "quality.example/auditor";

/// A shop, and an auditor with a key and a token, whom its service is configured with.
struct Audited {
    shop: Shop,
    signer: SigningKey,
    config: Config,
}

impl Audited {
    async fn open() -> Audited {
        let shop = Shop::open().await.unwrap();
        let signer = key::generate();
        std::fs::write(shop.dir.join("auditor.pem"), key::to_pem(&signer, b"open this").unwrap().as_bytes()).unwrap();
        std::fs::write(shop.dir.join("secret"), "open this\n").unwrap();
        for (file, role) in [("auditor.token", Role::Quality), ("planner.token", Role::Planner)] {
            std::fs::write(shop.dir.join(file), token(&shop, file, &[role]).unwrap()).unwrap();
        }
        let auditors = vec![CosignerKey::new(NAME, signer.verifying_key())];
        let config = Config { auditors, ..Config::local(&shop.data()) };
        let mut audited = Audited { shop, signer, config };
        audited.restart().await;
        audited
    }

    async fn restart(&mut self) {
        self.shop.service.take().unwrap().stop().await.unwrap();
        let running = rinsebook_service::start(self.config.clone(), self.shop.clock.clone()).await.unwrap();
        self.shop.desk.home.set_address(&format!("https://localhost:{}", running.address.port())).unwrap();
        self.shop.service = Some(running);
    }

    fn address(&self) -> &str {
        &self.shop.desk.home.about.address
    }

    fn file(&self, name: &str) -> PathBuf {
        self.shop.dir.join(name)
    }

    fn ca(&self) -> PathBuf {
        self.shop.service.as_ref().unwrap().authority_file()
    }

    /// Audits the log at the service's address, cosigns it, and gives the file.
    async fn audit(&self, to: &str) -> PathBuf {
        let args = Args {
            log: format!("{}/log", self.address()),
            log_key: Some(self.shop.service.as_ref().unwrap().verifier_key.clone()),
            ca: Some(self.ca()),
            token_file: Some(self.file("auditor.token")),
            cosign: Some(self.file("auditor.pem")),
            cosigner: Some(NAME.to_owned()),
            passphrase_file: Some(self.file("secret")),
            cosigned: Some(self.file(to)),
            ..Args::default()
        };
        let told = tokio::task::spawn_blocking(move || {
            let mut out = Vec::new();
            let code = run(&args, &mut out).unwrap();
            (code, String::from_utf8(out).unwrap())
        });
        let (code, told) = told.await.unwrap();
        assert_eq!(code, ExitCode::SUCCESS, "{told}");
        self.file(to)
    }

    /// Hands a file in with this token; what was told, or the error.
    async fn hand_in(&self, file: &Path, token: &str) -> Result<String, String> {
        let through = Through {
            station: None,
            token_file: Some(self.file(token)),
            address: Some(self.address().to_owned()),
            ca: Some(self.ca()),
        };
        let channel = through.connect().await.unwrap();
        let mut out = Vec::new();
        let args = HandInArgs { through, file: file.to_owned() };
        let code = run_hand_in(channel, &args, &mut out).await.map_err(|error| error.to_string())?;
        assert_eq!(code, ExitCode::SUCCESS);
        Ok(String::from_utf8(out).unwrap())
    }

    async fn hand_in_note(&self, note: &str) -> Result<String, String> {
        let file = self.file("note");
        std::fs::write(&file, note).unwrap();
        self.hand_in(&file, "auditor.token").await
    }

    /// What the quality page says below "Last audit".
    async fn told(&self) -> String {
        last_audit(&self.shop).await
    }

    fn size(&self) -> u64 {
        self.shop.service.as_ref().unwrap().entries()
    }

    fn kept(&self) -> PathBuf {
        self.shop.data().join(format!("audits/{}.note", hex::encode(self.signer.verifying_key().as_bytes())))
    }
}

async fn last_audit(shop: &Shop) -> String {
    let page = Person::signs_in(shop, "Q", &[Role::Quality]).await.unwrap().get("/quality").await.unwrap().body;
    let (_, after) = page.split_once("<h3>Last audit</h3>").unwrap_or_else(|| panic!("{page}"));
    after.split_once("</section>").unwrap().0.to_owned()
}

async fn record_a_line(shop: &Shop, station: &mut Station) {
    station.home.set_address(&shop.desk.home.about.address).unwrap();
    let wash = Wash::of(shop.aircraft);
    let drafts = vec![wash.opened(shop, MORNING_MS), wash.on(2, disconnected("PS-1"), MORNING_MS)];
    station.sign_card(&shop.technician.key, drafts).unwrap();
    all_well(&sync(station, 3).await.unwrap()).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn an_audit_that_was_handed_in_is_told_with_what_came_since_and_after_a_restart_and_in_a_copy_too() {
    let mut audited = Audited::open().await;
    let mut station = audited.shop.station("ramp-1").await.unwrap();
    assert!(audited.told().await.contains("No audit was handed in."), "{}", audited.told().await);

    let (cosigned, size) = (audited.audit("cosigned").await, audited.size());
    let told = audited.hand_in(&cosigned, "auditor.token").await.unwrap();
    assert!(told.starts_with(&format!("taken in: {NAME}, up to entry {}, cosigned ", size - 1)), "{told}");
    let row = |size: u64, since: u64| format!("{NAME}</th><td>{}</td><td>{since}</td>", size - 1);
    assert!(audited.told().await.contains(&row(size, 0)), "{}", audited.told().await);

    record_a_line(&audited.shop, &mut station).await;
    let since = audited.size() - size;
    assert!(since >= 2 && audited.told().await.contains(&row(size, since)), "{}", audited.told().await);
    audited.restart().await;
    assert!(audited.told().await.contains(&row(size, since)), "{}", audited.told().await);

    let copy = audited.file("copy");
    backup(&audited.config, &copy).unwrap();
    let name = audited.kept().file_name().unwrap().to_owned();
    assert_eq!(std::fs::read(copy.join("audits").join(name)).unwrap(), std::fs::read(&cosigned).unwrap());

    // A further audit takes its place, and the first does not come back.
    let (further, size) = (audited.audit("further").await, audited.size());
    audited.hand_in(&further, "auditor.token").await.unwrap();
    let told = audited.hand_in(&cosigned, "auditor.token").await.unwrap();
    assert!(told.starts_with("not kept: ") && told.contains("a newer audit"), "{told}");
    assert!(audited.told().await.contains(&row(size, 0)), "{}", audited.told().await);

    // One byte of what is kept: it is no evidence any more, and the service starts.
    let mut bytes = std::fs::read(audited.kept()).unwrap();
    bytes[10] ^= 1;
    std::fs::write(audited.kept(), &bytes).unwrap();
    audited.restart().await;
    assert!(audited.told().await.contains("No audit was handed in."), "{}", audited.told().await);
    assert_eq!(std::fs::read(audited.kept().with_extension("aside-1")).unwrap(), bytes);
    audited.hand_in(&further, "auditor.token").await.unwrap();
    assert!(audited.told().await.contains(&row(size, 0)), "{}", audited.told().await);
}

#[tokio::test(flavor = "multi_thread")]
async fn whatever_is_no_auditor_s_word_on_this_log_is_refused_with_its_reason_and_changes_nothing() {
    let audited = Audited::open().await;
    let cosigned = std::fs::read_to_string(audited.audit("cosigned").await).unwrap();
    let good = Checkpoint::read_unverified(&cosigned).unwrap();
    let log_key = Identity::open(&audited.config).unwrap().log_key.clone();
    let now_s = audited.shop.clock.wall_ms() / 1000;
    let by = |signer: &SigningKey, log: &SigningKey, checkpoint: Checkpoint, at_s: u64| {
        let note = checkpoint.sign(log);
        let line = cosign(&note, signer, NAME, at_s).unwrap();
        note + &line
    };
    let signed = |checkpoint: Checkpoint| by(&audited.signer, &log_key, checkpoint, now_s);
    let with_origin = |origin: &str| Checkpoint { origin: origin.to_owned(), ..good.clone() };

    // The last line is the auditor's; its signature's last bytes, and its time.
    let altered = |back: usize| {
        let mut bytes = cosigned.clone().into_bytes();
        let at = bytes.len() - back;
        bytes[at] = if bytes[at] == b'A' { b'B' } else { b'A' };
        String::from_utf8(bytes).unwrap()
    };
    let unsigned_by_the_auditor = good.sign(&log_key);
    let bare = cosigned.split_once("\n\n").unwrap().0.to_owned() + "\n";
    for (what, note, why) in [
        ("another log's name", signed(with_origin("invented.example/log/1")), "of another log"),
        ("an epoch that never was", signed(with_origin("rinsebook.invalid/local/2")), "of another log"),
        ("another log's key", by(&audited.signer, &key::generate(), good.clone(), now_s), "this log did not sign it"),
        ("a fork", signed(Checkpoint { root: Hash::of(b"told otherwise"), ..good.clone() }), "has another root"),
        ("too large", signed(Checkpoint { size: good.size + 1, ..good.clone() }), "entries are missing here"),
        ("a stranger's key", by(&key::generate(), &log_key, good.clone(), now_s), "none of the auditors"),
        ("no auditor's line", unsigned_by_the_auditor, "none of the auditors"),
        ("an altered cosignature", altered(8), "was altered since it was cosigned"),
        ("an altered time", altered(96), "was altered since it was cosigned"),
        ("a time to come", by(&audited.signer, &log_key, good.clone(), now_s + 121), "121 seconds ahead"),
        ("no note", "nothing\n".to_owned(), "not a signed note"),
        ("a note without lines", bare, "not a signed note"),
    ] {
        let told = audited.hand_in_note(&note).await;
        assert!(told.as_ref().is_err_and(|told| told.contains(why)), "{what}: {told:?}");
        assert!(audited.told().await.contains("No audit was handed in."), "{what}");
        assert!(!audited.kept().exists(), "{what}");
    }
    let file = audited.file("cosigned");
    let told = audited.hand_in(&file, "planner.token").await.unwrap_err();
    assert!(told.contains("quality or custodian"), "{told}");
    assert!(!audited.kept().exists());

    // The very same means, and nothing wrong: one line of the auditor's, and a clock that is ahead by two minutes.
    for note in [cosigned.clone(), by(&audited.signer, &log_key, good.clone(), now_s + 120)] {
        assert!(audited.hand_in_note(&note).await.unwrap().starts_with("taken in: "), "{note}");
        assert_eq!(std::fs::read_to_string(audited.kept()).unwrap(), note);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn where_no_auditor_is_configured_the_page_says_so_and_an_audit_is_refused_with_what_to_do() {
    let mut audited = Audited::open().await;
    let cosigned = audited.audit("cosigned").await;
    audited.config.auditors.clear();
    audited.restart().await;
    assert!(audited.told().await.contains("No auditor is named"), "{}", audited.told().await);
    let told = audited.hand_in(&cosigned, "auditor.token").await.unwrap_err();
    assert!(told.contains("[[auditor]]") && told.contains("key show"), "{told}");
}
