//! A small shop run by the commands alone, as its people would: the custodian founds and enrols, a technician signs a card,
//! the station sends it, a planner asks, an auditor verifies.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;

use rinsebook_proto::clock::SystemClock;
use rinsebook_service::{Config, Running};

struct Office {
    dir: tempfile::TempDir,
}

impl Office {
    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: &str) -> PathBuf {
        std::fs::write(self.path(name), text).unwrap();
        self.path(name)
    }

    /// Runs the program; words that begin with @ are files of the office.
    fn run(&self, line: &str) -> Output {
        let word = |word: &str| word.strip_prefix('@').map_or(word.to_owned(), |f| self.path(f).display().to_string());
        let arguments = line.split_whitespace().map(|w| word(w).replace('~', " "));
        Command::new(env!("CARGO_BIN_EXE_rinsebook")).args(arguments).output().unwrap()
    }

    /// Runs it and takes its results; it has to end with this code.
    fn told(&self, line: &str, code: i32) -> String {
        let output = self.run(line);
        let (out, err) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
        assert_eq!(output.status.code(), Some(code), "{line}\n{out}\n{err}");
        out
    }

    fn person(&self, name: &str, may: &str) {
        self.told(&format!("key new --out @{name}.pem --passphrase-file @pass --request @{name}.toml"), 0);
        let by = "--station @desk --key @mira.pem --passphrase-file @pass --yes";
        let may: String = may.split(',').map(|may| format!(" --may {may}")).collect();
        self.told(&format!("enrol person {by} --request @{name}.toml --name {name}{may}"), 0);
    }
}

async fn serve(dir: &Path) -> Running {
    rinsebook_service::start(Config::local(&dir.join("service")), Arc::new(SystemClock)).await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shop_is_founded_enrolled_washed_in_asked_and_verified_by_commands_alone() {
    let office = Office { dir: tempfile::tempdir().unwrap() };
    let running = serve(office.dir.path()).await;
    let address = format!("https://localhost:{}", running.address.port());
    let ca = running.authority_file().display().to_string();
    let authority = running.authority.dir().display().to_string();
    let log_key = running.verifier_key.clone();
    office.write("pass", "correct horse\n");
    let told = tokio::task::spawn_blocking(move || {
        let by = "--station @desk --key @mira.pem --passphrase-file @pass --yes";

        // The custodian founds the record.
        office.told("key new --out @mira.pem --passphrase-file @pass", 0);
        office.told(&format!("station new @desk --label desk --address {address} --ca {ca}"), 0);
        office.told(&format!("enrol found {by} --authority {authority} --name Mira --place Records"), 0);
        office.told(&format!("enrol found {by} --authority {authority} --name Mira --place Records"), 2);
        office.person("ida", "perform");
        office.person("tuva", "perform,inspect");
        let text = include_str!("../../deploy/procedures/ossavar-t2.toml");
        office.write("wash.toml", text);
        assert!(office.told("procedure check @wash.toml", 0).starts_with("good: "));
        office.write("odd.toml", &text.replace("count = 2 ", "count = 200 "));
        let bad = office.told("procedure check @odd.toml", 3);
        assert!(bad.contains("line 26: 200 lies outside 1 to 20"), "{bad}");
        office.told(&format!("procedure publish @wash.toml {by}"), 0);
        let listed = "--registration ZZ-RBA --type Invented --engine 1:OT-1:Ossavar~T2 --engine 2:OT-2:Ossavar~T2";
        office.told(&format!("enrol aircraft {by} {listed}"), 0);
        office.told(&format!("enrol aircraft {by} {listed}"), 2);

        // A station is made, is enrolled, and learns the names; before that it signs nothing.
        office.told(&format!("station new @ramp --label ramp-1 --address {address} --ca {ca}"), 0);
        office.write("card.toml", CARD);
        let ida = "--station @ramp --key @ida.pem --passphrase-file @pass --yes";
        office.told(&format!("fact @card.toml {ida}"), 2);
        office.told(&format!("enrol device {by} --device @ramp --authority {authority} --place North"), 0);
        office.told("sync --station @ramp", 0);

        // The technician signs; nothing is sent yet, and what stands in the way is exit code 4.
        assert_eq!(office.told("items --station @desk", 0).lines().count(), 1 + NOTHING_LINES);
        let signed = office.run(&format!("fact @card.toml {ida}"));
        let (saved, shown) = (String::from_utf8(signed.stdout).unwrap(), String::from_utf8(signed.stderr).unwrap());
        assert_eq!(saved.lines().count(), 2, "{saved}\n{shown}");
        assert!(shown.contains("2. line-disconnected") && shown.contains("line: PS-1"), "{shown}");
        let status = office.told("station status @ramp", 0);
        assert!(status.contains("2 of them not answered for yet"), "{status}");
        let sent = office.told("sync --station @ramp --json", 0);
        assert_eq!(serde_json::from_str::<serde_json::Value>(&sent).unwrap()["admitted"], 2);
        let open = office.told("items --station @desk ZZ-RBA", 4);
        assert!(open.contains("line-disconnected") && open.contains("line PS-1"), "{open}");
        let json = office.told("assess --station @ramp ZZ-RBA --json", 4);
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(json["assessment"]["verdict"], "blocked");

        // A card that does not fit says why, and signs nothing.
        office.write("odd-card.toml", &CARD.replace("north-1", "north-2").replace("line =", "lin ="));
        let odd = office.run(&format!("fact @odd-card.toml {ida}"));
        let why = String::from_utf8(odd.stderr).unwrap();
        assert_eq!(odd.status.code(), Some(2));
        assert!(why.contains("\"lin\" is not one of its fields") && why.contains("nothing was signed"), "{why}");

        // Its fact as recorded, and the procedure as published.
        let hash = saved.lines().nth(1).unwrap().split_whitespace().nth(1).unwrap();
        let fact = office.told(&format!("show --station @desk {hash}"), 0);
        assert!(fact.contains("line-disconnected"), "{fact}");
        let all = office.told("procedure show --station @ramp", 0);
        assert!(all.contains("Core wash with warm water, Ossavar T2 r1"), "{all}");
        let one = office.told("procedure show --station @ramp Core~wash~with~warm~water,~Ossavar~T2~r1", 0);
        assert_eq!(one, text, "the very text");
        let named = "Core~wash~with~warm~water,~Ossavar~T2~r1";
        let same = office.told(&format!("procedure diff {named} @wash.toml --station @ramp"), 0);
        assert!(same.contains("the very same text"), "{same}");
        office.write("next.toml", &text.replace("count = 2 ", "count = 3 "));
        let changed = office.told(&format!("procedure diff {named} @next.toml --station @ramp"), 3);
        assert!(changed.contains("valid cycles asked: 2 → 3"), "{changed}");
        let explained = office.told("explain --station @desk ZZ-RBA line-disconnected 2 PS-1", 0);
        assert!(explained.contains("closed by     The same line"), "{explained}");
        office
    });
    let office = told.await.unwrap();
    running.stop().await.unwrap();
    office.write("log.vkey", &log_key);
    let verified = office.told("verify @service/log --log-key @log.vkey --blobs @service/blobs", 0);
    assert!(verified.contains("good: "), "{verified}");
    office.told("items --station @desk", 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_custodian_erases_a_name_by_command_and_is_shown_before_what_goes() {
    let office = Office { dir: tempfile::tempdir().unwrap() };
    let running = serve(office.dir.path()).await;
    let address = format!("https://localhost:{}", running.address.port());
    let ca = running.authority_file().display().to_string();
    let authority = running.authority.dir().display().to_string();
    office.write("pass", "correct horse\n");
    let told = tokio::task::spawn_blocking(move || {
        let by = "--station @desk --key @mira.pem --passphrase-file @pass --yes";
        office.told("key new --out @mira.pem --passphrase-file @pass", 0);
        office.told(&format!("station new @desk --label desk --address {address} --ca {ca}"), 0);
        office.told(&format!("enrol found {by} --authority {authority} --name Mira --place Records"), 0);
        office.person("pell", "plan");
        let names = std::fs::read_to_string(office.path("desk/names.toml")).unwrap();
        assert!(names.contains("pell"), "{names}");

        office.told(&format!("enrol erase nobody {by} --reason asked"), 2);
        office.told(&format!("enrol erase pell {by} --reason ~"), 2);
        // Who has no custody signs, and nothing goes.
        let pell = "--station @desk --key @pell.pem --passphrase-file @pass --yes";
        let without = office.told(&format!("enrol erase Mira {pell} --reason asked"), 1);
        assert!(without.contains("no custody") && without.contains("erased 0 of 1 annexes"), "{without}");

        let erased = office.run(&format!("enrol erase pell {by} --reason asked~for"));
        let (out, err) = (String::from_utf8(erased.stdout).unwrap(), String::from_utf8(erased.stderr).unwrap());
        assert_eq!(erased.status.code(), Some(0), "{out}\n{err}");
        assert!(err.contains("the name of person ") && err.contains("\"pell\""), "{err}");
        assert!(err.contains("annex-erased") && err.contains("reason: asked for"), "{err}");
        assert!(out.contains("erased 1 of 1 annexes"), "{out}");
        let names = std::fs::read_to_string(office.path("desk/names.toml")).unwrap();
        assert!(!names.contains("pell") && names.contains("Mira"), "{names}");

        // The name leads to nobody any more; the id still does, and says what became of it.
        office.told(&format!("enrol erase pell {by} --reason again"), 2);
        let id = err.split("the name of person ").nth(1).unwrap()[..32].to_owned();
        let again = office.run(&format!("enrol erase {id} {by} --reason again"));
        let why = String::from_utf8(again.stderr).unwrap();
        assert_eq!(again.status.code(), Some(2), "{why}");
        assert!(why.contains("erased by Mira") && why.contains("nothing was signed"), "{why}");
        office
    });
    let office = told.await.unwrap();
    running.stop().await.unwrap();
    let verified = office.told("verify @service/log --blobs @service/blobs", 0);
    assert!(
        verified.contains("erased        the name of person ") && verified.contains("by Mira (person "),
        "{verified}"
    );
    let json = office.told("verify @service/log --blobs @service/blobs --json", 0);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((&json["erased"][0]["name"], &json["erased"][0]["reason"]), (&"Mira".into(), &"asked for".into()));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_auditor_makes_a_key_audits_cosigns_and_hands_in_by_commands_alone() {
    let office = Office { dir: tempfile::tempdir().unwrap() };
    office.write("pass", "correct horse\n");
    office.told("key new --out @audit.pem --passphrase-file @pass", 0);
    office.told("key show @audit.pem --passphrase-file @pass --cosigner two~words", 2);
    let shown = office.told("key show @audit.pem --passphrase-file @pass --cosigner quality.example/a", 0);
    let key = shown.lines().find_map(|line| line.strip_prefix("cosigner    ")).unwrap_or_else(|| panic!("{shown}"));

    let config = Config::parse(&format!("listen = \"127.0.0.1:0\"\n[[auditor]]\nkey = \"{key}\"\n")).unwrap();
    let config = Config { data: office.path("service"), ..config };
    let running = rinsebook_service::start(config, Arc::new(SystemClock)).await.unwrap();
    let address = format!("https://localhost:{}", running.address.port());
    let ca = running.authority_file().display().to_string();
    let authority = running.authority.dir().display().to_string();
    let log_key = running.verifier_key.clone();
    let told = tokio::task::spawn_blocking(move || {
        let by = "--station @desk --key @mira.pem --passphrase-file @pass --yes";
        office.told("key new --out @mira.pem --passphrase-file @pass", 0);
        office.told(&format!("station new @desk --label desk --address {address} --ca {ca}"), 0);
        office.told(&format!("enrol found {by} --authority {authority} --name Mira --place Records"), 0);

        let own = "--cosign @audit.pem --cosigner quality.example/a --passphrase-file @pass";
        office.told(&format!("verify {address}/log --station @desk --log-key {log_key} {own} --cosigned @audit-1"), 0);
        let said = office.told("hand-in @audit-1 --station @desk", 0);
        assert!(said.starts_with("taken in: quality.example/a, up to entry "), "{said}");

        // The log's key and not its checkpoint; a file that is not there; nobody's name.
        office.write("log.vkey", &log_key);
        for (line, code, part) in [
            ("hand-in @log.vkey --station @desk", 2, "with --cosigned FILE"),
            ("hand-in @audit-2 --station @desk", 1, "cannot read"),
            ("hand-in @audit-1", 2, "--station"),
        ] {
            let output = office.run(line);
            let why = String::from_utf8(output.stderr).unwrap();
            assert!(output.status.code() == Some(code) && why.contains(part), "{line}: {why}");
        }
        office
    });
    let office = told.await.unwrap();
    running.stop().await.unwrap();
    office.told("hand-in @audit-1 --station @desk", 1);
}

/// What stands under an answer that names nothing.
const NOTHING_LINES: usize = 1;

const CARD: &str = r#"
wash = "north-1"
aircraft = "ZZ-RBA"

[[fact]]
kind = "wash-opened"
work_order = "WO-1"
procedure = "Core wash with warm water, Ossavar T2 r1"
engines = [{ engine = 2, as_found = "no defect seen" }]
station = "North"

[[fact]]
kind = "line-disconnected"
engine = 2
line = "PS-1"
"#;
