use rinsebook_proto::fact::Subject;
use rinsebook_proto::v1::Locking;

use super::*;
use crate::names::Aircraft;

const MORNING_MS: u64 = 1_930_377_600_000;

fn names() -> Names {
    let mut names = Names::default();
    let engines = [("1".to_owned(), "OT-0001".to_owned()), ("2".to_owned(), "OT-0002".to_owned())];
    names.aircraft.insert("ZZ-RBA".into(), Aircraft { id: "0a".repeat(16), engines: engines.into() });
    names.people.insert("ida".into(), "0b".repeat(16));
    names.devices.insert("ramp-1".into(), "0c".repeat(16));
    names.procedures.insert("Core wash r1".into(), "0d".repeat(32));
    let wash = Wash { id: "0e".repeat(16), aircraft: "ZZ-RBA".into(), engines: vec!["OT-0002".into()] };
    names.washes.insert("north-1".into(), wash);
    names.facts.insert("north-1/ps1-on".into(), "0f".repeat(32));
    names
}

fn read(text: &str) -> Result<Card, CardError> {
    Card::parse(text, &Context { names: &names(), now_ms: 7, folder: None })
}

fn why(text: &str) -> String {
    read(text).unwrap_err().to_string()
}

#[test]
fn a_reconnection_is_read_with_its_units_its_helpers_and_the_date_of_its_tool() {
    let card = read(
        r#"
        wash = "north-1"
        day = 2031-03-04
        [[fact]]
        kind = "line-reconnected"
        at = 08:30:00
        label = "ps1-on"
        engine = 2
        line = "PS-1"
        torque_millinewton_metres = 17_000
        tool = { tool = "TW-12", calibration_due_unix_day = 2031-06-30 }
        locking = "tab-washer"
        helpers = ["ida"]
        "#,
    )
    .unwrap();
    let [fact] = card.facts.as_slice() else { panic!("one fact") };
    assert_eq!(fact.label.as_deref(), Some("north-1/ps1-on"));
    assert_eq!(fact.draft.happened_ms, MORNING_MS + 30 * 60_000);
    let Kind::LineReconnected(b) = &fact.draft.kind else { panic!("{:?}", fact.draft.kind) };
    assert_eq!(b.engine, Some(v1::EngineAt { position: 2, serial: "OT-0002".into() }));
    assert_eq!((b.torque_millinewton_metres, b.locking), (Some(17_000), Some(Locking::TabWasher as i32)));
    // 2031-06-30 is day 22,460 since 1970-01-01: Python's datetime.date(2031, 6, 30) - date(1970, 1, 1).
    assert_eq!(b.tool.as_ref().unwrap().calibration_due_unix_day, Some(22_460));
    assert_eq!(b.helpers, [vec![0x0b; 16]]);
    let about = [Subject::Aircraft(Id([0x0a; 16])), Subject::Engine("OT-0002".into()), Subject::Wash(Id([0x0e; 16]))];
    assert_eq!(fact.draft.subjects, about);
}

#[test]
fn a_wash_gets_an_id_from_its_label_and_later_facts_of_the_card_are_of_it() {
    let card = read(
        r#"
        wash = "north-2"
        aircraft = "ZZ-RBA"
        [[fact]]
        kind = "wash-opened"
        work_order = "WO-1"
        procedure = "Core wash r1"
        engines = [{ engine = 1, as_found = "clean" }, { engine = 2 }]
        devices = ["ramp-1"]
        [[fact]]
        kind = "remark"
        text = "cold morning"
        "#,
    )
    .unwrap();
    let [opened, remark] = card.facts.as_slice() else { panic!("two facts") };
    assert_eq!(opened.draft.subjects, remark.draft.subjects, "a remark on the wash is about all its engines");
    assert_eq!(opened.draft.happened_ms, 7, "without a time it happened now");
    let (label, wash) = &card.opens[0];
    assert_eq!((label.as_str(), wash.engines.len()), ("north-2", 2));
    let Kind::Remark(b) = &remark.draft.kind else { panic!() };
    let blob = &card.blobs[0];
    assert_eq!((blob.salt.len(), blob.content.as_slice()), (16, &b"cold morning"[..]));
    assert_eq!(b.text.as_ref().unwrap().digest, Hash::of_parts(&[&blob.salt, &blob.content]).to_vec());

    let mut names = names();
    card.remember(&[Hash([1; 32]), Hash([2; 32])], &mut names);
    assert_eq!(names.washes["north-2"].id.len(), 32);
}

#[test]
fn a_fact_acts_on_earlier_facts_of_its_card_on_known_labels_and_on_hashes() {
    let card = read(&format!(
        r#"
        wash = "north-1"
        [[fact]]
        kind = "tool-searched"
        tool = "T-1"
        label = "search"
        [[fact]]
        kind = "inspected"
        engine = 2
        line = "PS-1"
        result = "satisfactory"
        acts_on = ["ps1-on", "search", "{}"]
        "#,
        "ee".repeat(32)
    ))
    .unwrap();
    let fact = &card.facts[1];
    assert_eq!(fact.draft.refers, [Hash([0x0f; 32]), Hash([0xee; 32])]);
    assert_eq!(fact.earlier, [0]);
}

#[test]
fn a_correction_holds_the_new_kind_field_as_it_would_stand_in_the_fact() {
    let card = read(
        r#"
        wash = "north-1"
        [[fact]]
        kind = "corrected"
        outcome = "replace"
        acts_on = "ps1-on"
        kind_field = { kind = "line-disconnected", engine = 2, line = "PS-2" }
        "#,
    )
    .unwrap();
    let Kind::Corrected(b) = &card.facts[0].draft.kind else { panic!() };
    let replaced = v1::Fact::decode(b.kind_field.as_slice()).unwrap();
    assert!(matches!(replaced.kind, Some(Kind::LineDisconnected(line)) if line.line == "PS-2"));
}

#[test]
fn what_does_not_fit_is_said_with_its_place_and_what_to_do() {
    let fact = |rest: &str| format!("wash = \"north-1\"\nday = 2031-03-04\n[[fact]]\n{rest}");
    for (text, said) in [
        (fact("kind = \"line-opened\""), "is no kind of fact"),
        (fact("kind = \"line-disconnected\"\nlin = \"PS-1\""), "it has engine, line, tag"),
        (fact("kind = \"line-disconnected\"\nengine = 7"), "no engine 7 of ZZ-RBA is known here"),
        (fact("kind = \"line-disconnected\"\nengine = \"two\""), "it takes a table with the fields of EngineAt"),
        (fact("kind = \"inspected\"\nresult = \"fine\""), "none of satisfactory, not-satisfactory"),
        (fact("kind = \"remark\"\nat = \"08:00\""), "without quotes"),
        (fact("kind = \"remark\"\nat = 2031-03-04T08:00:00"), "write it in UTC"),
        (fact("kind = \"inspected\"\nacts_on = [\"nothing\"]"), "no fact \"nothing\" is known here"),
        (fact("kind = \"device-left\"\ndevice = \"ramp-9\""), "known: ramp-1"),
        (fact("kind = \"cycle-run\"\nspeed_tenths_percent = -1"), "out of its range"),
        ("colour = \"red\"\n[[fact]]\nkind = \"remark\"".into(), "\"colour\" is not known on a card"),
        ("wash = \"north-1\"".into(), "it has no [[fact]]"),
        ("wash = \"south-1\"\n[[fact]]\nkind = \"remark\"".into(), "no wash \"south-1\" is known here"),
        ("wash = \"north-1\"\n[[fact]]\nkind = \"wash-opened\"".into(), "is open already"),
    ] {
        let told = why(&text);
        assert!(told.contains(said) && told.ends_with("nothing was signed"), "{told}");
    }
    assert!(why(&fact("kind = \"remark\"\nat = \"x\"")).starts_with("fact 1 (remark): "));
}

#[test]
fn a_fact_is_read_out_with_the_units_that_people_use() {
    let card = read(
        r#"
        wash = "north-1"
        day = 2031-03-04
        [[fact]]
        kind = "water-ready"
        rig = "rig 3"
        water_tenths_celsius = -5
        volume_millilitres = 300_500
        [[fact]]
        kind = "signed-off"
        completion_unix_day = 2031-03-04
        performer = "ida"
        certificate_number = "INV-0042"
        "#,
    )
    .unwrap();
    let told = |at: usize| describe(&card.facts[at].draft.kind, &card.blobs, &names()).unwrap();
    let pairs = |all: Vec<(String, String)>| all.iter().map(|(k, v)| format!("{k}: {v}")).collect::<Vec<_>>();
    assert_eq!(pairs(told(0)), ["rig: rig 3", "water: -0.5 °C", "volume: 300.5 L"]);
    assert_eq!(pairs(told(1)), ["completion: 2031-03-04", "performer: ida", "certificate number: INV-0042"]);
}

#[test]
fn who_acts_on_a_fact_of_another_wash_and_engine_is_about_these_too() {
    let mut names = names();
    let of_another = [Subject::Engine("SN-9".to_owned()), Subject::Wash(Id([9; 16]))];
    names.learn_subjects(&Hash([0xee; 32]), &of_another);
    let text = format!(
        "wash = \"north-1\"\n[[fact]]\nkind = \"finding-settled\"\nrule = \"torque-out\"\nacts_on = [\"{}\"]",
        "ee".repeat(32)
    );
    let card = Card::parse(&text, &Context { names: &names, now_ms: 7, folder: None }).unwrap();
    assert!(of_another.iter().all(|subject| card.facts[0].draft.subjects.contains(subject)));
    assert!(card.strangers(&names).is_empty());
    let again: Names = toml::from_str(&toml::to_string(&names).unwrap()).unwrap();
    assert_eq!(again.subjects_of(&Hash([0xee; 32])).unwrap(), of_another, "as the station's folder keeps it");
}

#[test]
fn a_fact_that_nobody_here_knows_is_a_stranger_until_it_is_asked_for() {
    let text = format!("wash = \"north-1\"\n[[fact]]\nkind = \"remark\"\nacts_on = [\"{}\"]", "ee".repeat(32));
    assert_eq!(read(&text).unwrap().strangers(&names()), [Hash([0xee; 32])]);
}

#[test]
fn an_engine_change_is_of_the_aircraft_that_the_card_names() {
    let card = read(
        r#"
        aircraft = "ZZ-RBA"
        [[fact]]
        kind = "engine-changed"
        removed = { position = 2, serial = "OT-0002" }
        "#,
    )
    .unwrap();
    let Kind::EngineChanged(b) = &card.facts[0].draft.kind else { panic!() };
    assert_eq!(b.aircraft, [0x0a; 16]);
    assert!(card.facts[0].draft.subjects.contains(&Subject::Aircraft(Id([0x0a; 16]))));
}

#[test]
fn about_adds_what_a_fact_on_anothers_wash_cannot_tell_and_takes_nothing_that_it_cannot_be_about() {
    let text = |about: &str| {
        format!(
            "wash = \"{}\"\naircraft = \"ZZ-RBA\"\n[[fact]]\nkind = \"finding-settled\"\nrule = \"torque-out\"\n\
             outcome = \"accepted\"\nreason = \"seen\"\nabout = [{about}]\n",
            "1e".repeat(16)
        )
    };
    let device = "0c".repeat(16);
    let card =
        read(&text(&format!("\"engine serial OT-0002\", \"engine serial OT-0002\", \"device {device}\""))).unwrap();
    let about = &card.facts[0].draft.subjects;
    assert!(about.contains(&Subject::Engine("OT-0002".to_owned())), "{about:?}");
    assert!(about.contains(&Subject::Device(Id::from_hex(&device).unwrap())) && about.len() == 4, "{about:?}");
    for odd in ["engine serial ", "engine 2", "wash north-1", "me"] {
        assert!(why(&text(&format!("\"{odd}\""))).contains("nothing was signed"), "{odd}");
    }
}
