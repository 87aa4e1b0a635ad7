//! `explain` and `procedure diff` as people type them: one open line, one torque outside the window, settled by the very
//! card that the explanation gives; and two revisions of a procedure.

use std::path::Path;
use std::process::Command;

use rinsebook_client::demo::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};
use rinsebook_client::sync::sync;
use rinsebook_proto::fact::Kind;

/// Its code, what it gave, what it said.
fn run(arguments: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_rinsebook")).args(arguments).output().unwrap();
    let [out, err] = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap());
    (output.status.code().unwrap(), out, err)
}

fn good(arguments: &[&str]) -> String {
    let (code, out, err) = run(arguments);
    assert_eq!(code, 0, "{arguments:?}\n{out}\n{err}");
    out
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The card as it was given, its blanks filled in as its words ask.
fn card(told: &str) -> String {
    let indented = told.lines().skip_while(|line| !line.trim_start().starts_with("wash = "));
    let card = indented.take_while(|line| line.is_empty() || line.starts_with("    ")).collect::<Vec<_>>().join("\n");
    let blank = |line: &str| line.trim_start().split(" =  ").next().unwrap_or_default().to_owned();
    let filled = card.lines().map(|line| match blank(line).as_str() {
        "outcome" => "outcome = \"accepted\"".to_owned(),
        "reason" => "reason = \"made again within the window and inspected\"".to_owned(),
        _ => line.to_owned(),
    });
    filled.collect::<Vec<_>>().join("\n")
}

#[tokio::test(flavor = "multi_thread")]
async fn an_open_line_and_a_torque_outside_its_window_are_explained_and_the_card_given_settles_the_finding() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let desk = shop.dir.join("desk");
    let desk = text(&desk).to_owned();
    let asked = |which: &str| good(&["explain", "ZZ-RBA", which, "--station", &desk]);
    let nothing = good(&["explain", "ZZ-RBA", "--station", &desk]);
    assert!(nothing.contains("nothing open in this record; this is not a release"), "{nothing}");

    let wash = Wash::of(shop.aircraft);
    let loose = |engine| match reconnected("MV-2")(engine) {
        Kind::LineReconnected(mut b) => {
            b.torque_millinewton_metres = Some(12_000);
            Kind::LineReconnected(b)
        }
        other => other,
    };
    let second = 1_000;
    let facts = vec![
        wash.opened(&shop, MORNING_MS),
        wash.on(1, disconnected("PS-1"), MORNING_MS + second),
        wash.on(1, disconnected("MV-2"), MORNING_MS + 2 * second),
        wash.on(1, loose, MORNING_MS + 3 * second),
    ];
    station.sign_card(&shop.technician.key, facts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let open = shop.open_items().await.unwrap();

    // What can be asked for is listed, and each of it is answered.
    let all = good(&["explain", "ZZ-RBA", "--station", &desk]);
    let handles: Vec<&str> = all.lines().filter_map(|line| line.strip_prefix("  ")).collect();
    assert!(handles.contains(&"line-disconnected 1 PS-1") && handles.len() >= 5, "{all}");
    for handle in &handles {
        assert!(asked(handle).starts_with(&format!("ZZ-RBA  {handle}\n")), "{handle}");
    }

    let line = asked("line-disconnected 1 PS-1");
    for part in [
        "A line of the engine is open",
        "closed by     The same line of the same engine is reconnected.",
        "signed by Ida Rasko (invented)",
        "blocks        Yes, now.",
        "CAUTION",
        "it is not a release to service\n",
    ] {
        assert!(line.contains(part), "{part} in:\n{line}");
    }
    let hash = line.lines().find_map(|l| l.trim().strip_prefix("envelope ")).unwrap().to_owned();
    let recorded = good(&["show", &hash, "--station", &desk]);
    assert!(line.contains(recorded.lines().nth(1).unwrap().trim()), "the sentence of show: {recorded}");
    assert_eq!(asked(&hash[..8]), line, "by its hash");
    assert_eq!(asked("line-disconnected:PS-1"), line, "as assess supposes it closed");

    // As it was known before, it is not there; and what is not there is said together with what is.
    let before = ["explain", "ZZ-RBA", "torque-out", "--station", &desk, "--at-size", "14"];
    assert_eq!(run(&before).0, 2);
    let (code, out, why) = run(&["explain", "ZZ-RBA", "line-disconnected 2 PS-1", "--station", &desk]);
    assert!(code == 2 && out.is_empty() && why.contains("line-disconnected 1 PS-1; "), "{why}");

    let json = good(&["explain", "ZZ-RBA", "torque-out", "--station", &desk, "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let one = &json["explained"][0];
    assert_eq!((&one["finding"]["rule"], &one["words"]["rule"]), (&"torque-out".into(), &"torque-out".into()));
    assert_eq!(one["facts"].as_array().unwrap().len(), 1);

    // The card settles it, signed by another person; the joint stays as it is.
    let told = asked("torque-out");
    assert!(told.contains("major: it blocks the aircraft"), "{told}");
    let names = rinsebook_client::names::Names::default();
    let context = rinsebook_client::card::Context { names: &names, now_ms: MORNING_MS + 9 * second, folder: None };
    let blank = card(&told).replace("outcome = \"accepted\"", "outcome = ");
    assert!(rinsebook_client::card::Card::parse(&blank, &context).is_err(), "with blanks it is no card");
    let filled = rinsebook_client::card::Card::parse(&card(&told), &context).unwrap();
    let drafts = filled.facts.into_iter().map(|fact| fact.draft).collect();
    station.sign_card(&shop.certifier.key, drafts).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let told = asked("torque-out");
    assert!(told.contains("accepted: the breach was real") && !told.contains("[[fact]]"), "{told}");
    let left = shop.open_items().await.unwrap();
    let (findings, metal): (Vec<_>, Vec<_>) = open.iter().partition(|item| item.contains("finding-open"));
    assert_eq!(findings.len(), 1, "{open:?}");
    assert!(metal.iter().all(|item| left.contains(item)), "settling closes no joint: {left:?}");
}

#[test]
fn a_kind_is_explained_without_a_station_and_a_word_that_means_none_names_those_near_it() {
    for word in ["run-up-overdue", "same-hands", "Run up overdue"] {
        let (code, out, _) = run(&[&["explain"], word.split(' ').collect::<Vec<_>>().as_slice()].concat());
        assert_eq!((code, out.contains("closed by")), (0, true), "{word}: {out}");
    }
    let json: serde_json::Value = serde_json::from_str(&good(&["explain", "freeze-watch", "--json"])).unwrap();
    assert!(json["words"]["caution"][0].as_str().unwrap().contains("freeze"), "{json}");
    let (code, out, why) = run(&["explain", "run-up-overdu"]);
    assert!(code == 2 && out.is_empty() && why.contains("did you mean run-up-overdue"), "{why}");
}

#[test]
fn two_revisions_are_compared_by_meaning_and_what_is_no_procedure_is_not_compared() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, body: &str| {
        let file = dir.path().join(name);
        std::fs::write(&file, body).unwrap();
        text(&file).to_owned()
    };
    let first = include_str!("../../deploy/procedures/ossavar-t2.toml");
    let old = write("r1.toml", first);
    let new = write("r2.toml", &first.replace("revision = 1", "revision = 2").replace("soak_s = 300", "soak_s = 600"));
    let (code, out, _) = run(&["procedure", "diff", &old, &new]);
    assert!(
        code == 3 && out.contains("    soak: 5 min (300 s) → 10 min (600 s)\n1 difference in what is asked\n"),
        "{out}"
    );
    let (code, out, _) = run(&["procedure", "diff", &old, &new, "--json"]);
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, &json["changes"][0]["path"], &json["same_meaning"]), (3, &"cycle.soak_s".into(), &false.into()));

    let spaced = write("spaced.toml", &format!("# checked again\n{first}"));
    assert!(good(&["procedure", "diff", &old, &spaced]).contains("the same in meaning"));
    let odd = write("odd.toml", "title = 1");
    let (code, out, why) = run(&["procedure", "diff", &old, &odd]);
    assert!(code == 5 && out.is_empty() && why.contains("cannot be compared"), "{why}");
    let (code, _, why) = run(&["procedure", "diff", &old, "Core wash r7"]);
    assert!(code == 2 && why.contains("--station"), "{why}");
}
