//! The words of every kind and rule, what a person may type for one, and how one is shown.

use rinsebook_proto::v1::{self, EngineAt, FactRef};

use super::*;
use crate::query::OpenOn;

fn every() -> Vec<Meant> {
    ItemKind::ALL.iter().map(|kind| Meant::Item(*kind)).chain(Rule::ALL.iter().map(|rule| Meant::Rule(*rule))).collect()
}

fn shown(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> String {
    let mut out = Vec::new();
    write(&mut out).unwrap();
    String::from_utf8(out).unwrap()
}

fn of_kind(meant: Meant) -> String {
    shown(|out| shown::kind(meant, out))
}

#[test]
fn every_kind_and_rule_says_what_it_is_and_what_closes_it_within_eighty_columns() {
    for meant in every() {
        let told = of_kind(meant);
        assert!(told.contains("\n  closed by ") && told.contains("\n  Approved maintenance data"), "{told}");
        assert!(!told.contains("See the procedure."), "nobody said what closes it: {told}");
        let longest = told.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(longest <= 80, "{told}");
        // One of a kind: no text was put under two names.
        let same = every().into_iter().filter(|other| of_kind(*other).lines().nth(1) == told.lines().nth(1));
        assert!(same.count() <= if told.contains("metal") || told.contains("the air") { 2 } else { 1 }, "{told}");
    }
}

#[test]
fn no_words_say_that_an_aircraft_may_go() {
    for meant in every() {
        let told = of_kind(meant).split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        for word in ["released", "airworthy", "cleared for flight", "fit for flight", "serviceable", "may fly"] {
            assert!(!told.contains(word), "{word} in: {told}");
        }
    }
}

#[test]
fn where_an_engine_turns_or_freezes_or_scalds_there_is_a_caution() {
    for (name, care) in [
        ("run-up-due", Care::Turning),
        ("run-up-overdue", Care::Turning),
        ("leak-check-due", Care::Turning),
        ("drying-due", Care::Starter),
        ("motoring-rest", Care::Starter),
        ("starter-overrun", Care::Starter),
        ("freeze-watch", Care::Freezing),
        ("too-cold-outside", Care::Freezing),
        ("soaking", Care::HotWater),
        ("water-hot", Care::HotWater),
        ("line-disconnected", Care::Power),
    ] {
        let told = of_kind(Meant::by_name(name).unwrap());
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.contains(&format!("CAUTION {}", care.text())), "{told}");
    }
}

#[test]
fn a_word_that_means_nothing_is_answered_with_those_near_it() {
    assert_eq!(handle::near("run-up-overdu")[0], "run-up-overdue");
    assert_eq!(handle::near("samehands")[0], "same-hands");
    assert!(handle::near("torque").contains(&"torque-out"));
    assert!(handle::near("freeze").contains(&"freeze-watch"));
    assert!(handle::near("xyzzy-plugh-quux").is_empty());
    let why = unknown("inspecton-due").to_string();
    assert!(why.contains("did you mean inspection-due"), "{why}");
    assert!(unknown("xyzzy-plugh-quux").to_string().contains("there are line-disconnected, "));
}

fn fact(index: u64, byte: u8) -> FactRef {
    FactRef {
        index,
        envelope_hash: vec![byte; 32],
        happened_ms: 1_930_377_600_000,
        kind: "line-reconnected".to_owned(),
    }
}

fn item(kind: ItemKind, engine: u32, subject: &str, index: u64) -> v1::OpenItem {
    v1::OpenItem {
        kind: kind as i32,
        name: kind.name().to_owned(),
        engine: (engine > 0).then(|| EngineAt { position: engine, serial: format!("OT-{engine}") }),
        subject: subject.to_owned(),
        opened_by: Some(fact(index, u8::try_from(index).unwrap())),
        blocks: v1::Blocks::Yes as i32,
        text: format!("{} {subject} in a sentence.", kind.name()),
        closes: kind.closes().to_owned(),
        who_may: kind.who_may().into_iter().map(|a| a as i32).collect(),
        ..v1::OpenItem::default()
    }
}

fn list() -> v1::AircraftItems {
    let finding = v1::Finding {
        rule: "torque-out".to_owned(),
        severity: v1::Severity::Major as i32,
        engine: Some(EngineAt { position: 2, serial: "OT-2".to_owned() }),
        subject: "PS-1".to_owned(),
        rests_on: vec![fact(16, 0xab)],
        text: "Line PS-1 was torqued outside the window.".to_owned(),
        ..v1::Finding::default()
    };
    v1::AircraftItems {
        registration: "ZZ-RBA".to_owned(),
        aircraft: vec![7; 16],
        items: vec![
            item(ItemKind::InspectionDue, 1, "PS-1", 14),
            item(ItemKind::InspectionDue, 2, "PS-1", 15),
            item(ItemKind::InspectionDue, 2, "MV-2", 17),
            item(ItemKind::AccessOpen, 12, "fan cowl", 18),
            item(ItemKind::SignOffDue, 0, "", 12),
            item(ItemKind::FindingOpen, 2, "torque-out abababab", 16),
        ],
        findings: vec![finding],
    }
}

fn found(which: &str) -> Vec<String> {
    handle::find(&list(), which).iter().map(Named::handle).collect()
}

#[test]
fn an_item_is_named_by_kind_subject_engine_entry_or_hash_and_never_by_a_part_of_these() {
    assert_eq!(found("inspection-due 2 PS-1"), ["inspection-due 2 PS-1"]);
    assert_eq!(found("inspection-due:PS-1"), ["inspection-due 1 PS-1", "inspection-due 2 PS-1"]);
    assert_eq!(found("inspection-due PS-1").len(), 2);
    assert_eq!(found("inspection-due 2"), ["inspection-due 2 PS-1", "inspection-due 2 MV-2"]);
    assert_eq!(found("inspection-due").len(), 3);
    assert_eq!(found("access-open  12 fan cowl"), ["access-open 12 fan cowl"]);
    assert_eq!(found("17"), ["inspection-due 2 MV-2"]);
    assert_eq!(found("0e0e0e0e"), ["inspection-due 1 PS-1"]);
    assert_eq!(found("sign-off-due"), ["sign-off-due"]);
    for not in ["inspection", "inspection-due 3", "inspection-due PS", "access-open 1", "0e0e", "99", "access-open 2"] {
        assert!(found(not).is_empty(), "{not}");
    }
}

#[test]
fn a_finding_is_told_once_however_it_is_named() {
    for which in ["torque-out", "torque-out abababab", "torque-out 2 PS-1", "finding-open", "16", "ABABABAB"] {
        assert_eq!(found(which), ["torque-out abababab"], "{which}");
    }
    assert_eq!(found("finding-open:torque-out abababab"), ["torque-out abababab"], "as assess takes it");
}

#[test]
fn every_handle_that_is_listed_finds_exactly_what_it_names() {
    let all = handle::all(&list());
    assert_eq!(all.len(), 6, "{all:?}");
    for handle in all {
        assert_eq!(found(&handle), [handle]);
    }
}

fn rest(index: u64, byte: u8) -> Rest {
    let text = "Engine 2: line PS-1 reconnected.".to_owned();
    let fact = v1::RecordedFact { fact: Some(fact(index, byte)), text, person: vec![1; 16], ..Default::default() };
    Rest { fact, signer: "Ida\u{1b}[2J".to_owned() }
}

#[test]
fn an_explanation_holds_the_fact_who_signed_it_its_place_and_hash_and_what_closes() {
    let open = OpenOn { list: list(), as_of: v1::AsOf { epoch: 1, size: 20, time_ms: 1_930_377_600_000 } };
    let item = shown(|out| shown::one(&Named::Item(&open.list.items[1]), &[rest(15, 15)], &open, out));
    for part in [
        "ZZ-RBA  inspection-due 2 PS-1\n",
        "  who may       Whoever holds the authority to inspect on this engine type.\n",
        "  blocks        Yes, now.",
        "    entry 15  line-reconnected\n      Engine 2: line PS-1 reconnected.\n",
        "      happened 2031-03-04 08:00:00Z, signed by Ida\u{fffd}[2J\n",
        "      envelope 0f0f0f0f",
    ] {
        assert!(item.contains(part), "{part:?} in:\n{item}");
    }
    let finding = Named::Finding(&open.list.findings[0]);
    let told = shown(|out| shown::one(&finding, &[rest(16, 0xab)], &open, out));
    for part in ["major: it blocks the aircraft", "on their own act", "kind = \"finding-settled\""] {
        assert!(told.contains(part), "{part:?} in:\n{told}");
    }
    assert!(told.contains(&format!("      \"{}\",\n", "ab".repeat(32))), "{told}");

    let mut settled = open.list.findings[0].clone();
    settled.settled_by = Some(fact(19, 0xcd));
    settled.outcome = Some(v1::FindingOutcome::Accepted as i32);
    let told = shown(|out| shown::one(&Named::Finding(&settled), &[], &open, out));
    assert!(told.contains("settled       2031-03-04 08:00Z by entry 19, accepted"), "{told}");
    assert!(!told.contains("[[fact]]") && told.contains("it closes no line"), "{told}");
}
