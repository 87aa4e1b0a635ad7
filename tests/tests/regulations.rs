//! What a record has to hold to stand as one: each requirement, what carries it here, and what becomes of a sign-off when
//! that is taken away from a wash that was good.
//!
//! 14 CFR is the United States' Code of Federal Regulations; 121.371 and 121.709 were read in copies of the published
//! text. 145.A is Annex II of Regulation (EU) No 1321/2014; 145.A.48 was read as Regulation (EU) 2015/1536 has it, later
//! amendments number its points anew. What says "(memory)" was not read again. This is no legal advice.

use std::collections::BTreeMap;

use rinsebook_proto::rules::{Question, State, Verdict};
use rinsebook_tests::record::{Came, Delivery, Record, id, key_of};
use toml::{Table, Value};

const PROCEDURES: [&str; 2] =
    [include_str!("../../deploy/procedures/ossavar-t2.toml"), include_str!("../scenarios/procedures/two-lines.toml")];
/// 2031-03-04 00:00 UTC.
const MIDNIGHT_MS: u64 = 1_930_348_800_000;
const YEAR_MS: u64 = 366 * 24 * 3_600_000;

/// A card: when it was received, who signed it, its facts by their labels.
#[derive(Clone)]
struct Card {
    minute: u64,
    signer: &'static str,
    facts: Vec<(String, Table)>,
}

/// A wash, card by card.
#[derive(Clone)]
struct Story(Vec<Card>);

fn minute(hour: u64, minute: u64) -> u64 {
    hour * 60 + minute
}

fn clock(minute: u64, second: u64) -> String {
    format!("{:02}:{:02}:{second:02}", minute / 60, minute % 60)
}

impl Story {
    fn card<S: AsRef<str>>(&mut self, minute: u64, signer: &'static str, facts: &[(S, String)]) {
        let read = |(label, text): &(S, String)| {
            let label = label.as_ref();
            let mut fact: Table = toml::from_str(text).unwrap_or_else(|e| panic!("{label}: {e}"));
            fact.entry("at").or_insert_with(|| Value::Datetime(clock(minute, 0).parse().unwrap()));
            fact.insert("label".to_owned(), Value::String(label.to_owned()));
            (label.to_owned(), fact)
        };
        self.0.push(Card { minute, signer, facts: facts.iter().map(read).collect() });
    }

    /// Leaves a fact out.
    fn without(&mut self, label: &str) {
        let before: usize = self.0.iter().map(|card| card.facts.len()).sum();
        self.0.iter_mut().for_each(|card| card.facts.retain(|(known, _)| known != label));
        self.0.retain(|card| !card.facts.is_empty());
        assert!(before > self.0.iter().map(|card| card.facts.len()).sum(), "no fact has the label {label}");
    }

    fn fact(&mut self, label: &str) -> &mut Table {
        let all = self.0.iter_mut().flat_map(|card| &mut card.facts);
        all.filter(|(known, _)| known == label).map(|(_, fact)| fact).next().expect("a fact has the label")
    }

    /// Leaves a field out of a fact.
    fn less(&mut self, label: &str, field: &str) {
        assert!(self.fact(label).remove(field).is_some(), "{label} has no {field}");
    }

    fn set(&mut self, label: &str, field: &str, value: impl Into<Value>) {
        self.fact(label).insert(field.to_owned(), value.into());
    }

    /// Another person signs the card that holds the fact.
    fn signed_by(&mut self, label: &str, signer: &'static str) {
        let card = self.0.iter_mut().find(|card| card.facts.iter().any(|(known, _)| known == label));
        card.expect("a card holds the fact").signer = signer;
    }

    fn played(&self) -> Record {
        let mut record = Record::founded(MIDNIGHT_MS, &PROCEDURES).unwrap();
        let mut cards = self.0.clone();
        cards.sort_by_key(|card| card.minute);
        for card in &cards {
            let mut table = Table::new();
            table.insert("day".to_owned(), Value::Datetime("2031-03-04".parse().unwrap()));
            table.insert("wash".to_owned(), "one".into());
            table.insert("aircraft".to_owned(), "ZZ-RBA".into());
            let facts = card.facts.iter().map(|(_, fact)| Value::Table(fact.clone())).collect();
            table.insert("fact".to_owned(), Value::Array(facts));
            let by = Delivery {
                station: "ramp-1".to_owned(),
                signer: card.signer.to_owned(),
                received_ms: MIDNIGHT_MS + card.minute * 60_000,
                recorded_ms: None,
                seen_size: None,
                clock_offset_ms: Some(0),
                outcome: Came::Admitted,
            };
            record.card(&table, &by).unwrap();
        }
        record
    }
}

fn state(record: &mut Record, time_ms: u64) -> State {
    record.report("ramp-1", time_ms, 0).unwrap();
    record.history.state(&id("ZZ-RBA"), record.history.size(), time_ms)
}

/// What of one engine's work stands between two lists of its elements.
fn cycles(story: &mut Story, engine: u64, from: u64) {
    let motoring = |from: u64| {
        format!(
            "engine = {engine}\nmotoring_started_ms = {}\nmotoring_ended_ms = {}\nspeed_tenths_percent = 300",
            clock(from, 0),
            clock(from + 2, 15)
        )
    };
    let cycle = |from: u64| {
        let more = format!(
            "rotation_confirmed_ms = {}\ninjection_started_ms = {}\ninjection_ended_ms = {}\nwater_tenths_celsius = 700",
            clock(from, 5),
            clock(from, 12),
            clock(from + 2, 12)
        );
        format!("kind = \"cycle-run\"\nat = {}\n{}\n{more}", clock(from + 2, 15), motoring(from))
    };
    let dry = format!("kind = \"dry-crank-run\"\nat = {}\n{}", clock(from + 22, 15), motoring(from + 20));
    let cleared =
        format!("kind = \"area-cleared\"\nat = {}\nengine = {engine}\nwatch_person = \"bex\"", clock(from - 1, 0));
    let label = |what: &str| format!("{what}-{engine}");
    story.card(
        from + 23,
        "ida",
        &[
            (&label("cleared"), cleared),
            (&label("cycle"), cycle(from)),
            (&label("second"), cycle(from + 10)),
            (&label("dry"), dry),
        ],
    );
}

/// Two engines washed, closed, inspected, run, signed off and given a release reference: nothing is left open.
fn good() -> Story {
    let mut story = Story(Vec::new());
    let opened = "kind = \"wash-opened\"\nwork_order = \"WO-1\"\nprocedure = \"Core wash with warm water, Ossavar T2 r1\"\n\
        engines = [{ engine = 1, last_shutdown_ms = 05:00:00 }, { engine = 2, last_shutdown_ms = 05:00:00 }]";
    let tools = "kind = \"tools-out\"\ntools = [\"TW-1\"]";
    story.card(minute(8, 0), "ida", &[("opened", opened.into()), ("tools-out", tools.into())]);
    let air = "kind = \"outside-conditions\"\nair_tenths_celsius = 120";
    let water = "kind = \"water-ready\"\nrig = \"rig 3\"\nwater_tenths_celsius = 700\nvolume_millilitres = 300_000\n\
        additive_per_mille = 0";
    story.card(minute(8, 10), "ida", &[("air", air.into()), ("water", water.into())]);
    for (engine, closes) in [(1, "ida"), (2, "joren")] {
        one_engine(&mut story, engine, closes);
    }
    let tools = "kind = \"tools-in\"\ntools = [\"TW-1\"]\ncomplete = true";
    let check = "kind = \"final-check-done\"\nclear = true\npanels_refitted = true";
    story.card(minute(12, 0), "ida", &[("tools-in", tools.into()), ("check", check.into())]);
    for engine in [1, 2] {
        let from = minute(12, 10) + 10 * engine;
        let run = format!(
            "kind = \"run-up-done\"\nengine = {engine}\nstarted_ms = {}\nended_ms = {}\nidle_or_above_seconds = 300\n\
             result = \"satisfactory\"",
            clock(from, 0),
            clock(from + 6, 0)
        );
        story.card(from + 6, "halka", &[(&format!("run-{engine}"), run)]);
    }
    let signed = "kind = \"signed-off\"\ndescription = \"core wash of both engines\"\ndata_reference = \"data 1\"\n\
        completion_unix_day = 2031-03-04\ncertificate_number = \"INV-0042\"\ncertificate_kind = \"invented licence\"";
    story.card(minute(13, 0), "sanne", &[("signed", signed.into())]);
    let reference = "kind = \"release-reference-recorded\"\nreference = \"LOG-7\"\nacts_on = [\"signed\"]";
    story.card(minute(13, 10), "sanne", &[("reference", reference.into())]);
    story
}

fn one_engine(story: &mut Story, engine: u64, closes: &'static str) {
    let of = |kind: &str, rest: &str| format!("kind = \"{kind}\"\nengine = {engine}\n{rest}");
    let each = |names: &[&str], kind: &str, field: &str, rest: &str| -> Vec<(String, String)> {
        let one = |name: &&str| (format!("{kind} {engine} {name}"), of(kind, &format!("{field} = \"{name}\"\n{rest}")));
        names.iter().map(one).collect()
    };
    let (lines, fixtures) = (["PS-1", "MV-2"], ["spray adapter", "supply hose", "effluent collector"]);
    let isolations = ["ignition", "reverser"];
    let metal = ("metal".to_owned() + &engine.to_string(), of("metal-temperature", "metal_tenths_celsius = 300"));
    story.card(minute(8, 11), "ida", &[metal]);
    story.card(minute(8, 20), "ida", &each(&isolations, "isolated", "isolation", ""));
    story.card(minute(8, 25), "ida", &each(&["fan cowl"], "access-opened", "access", ""));
    story.card(minute(8, 30), "ida", &each(&lines, "line-disconnected", "line", ""));
    story.card(minute(8, 35), "ida", &each(&fixtures, "fixture-fitted", "fixture", ""));
    cycles(story, engine, minute(8, 40) + 30 * engine);
    story.card(minute(10, 20), "ida", &each(&fixtures, "fixture-removed", "fixture", ""));
    let tool = "tool = { tool = \"TW-1\", calibration_due_unix_day = 2031-12-31 }";
    let joint =
        |torque: u32, locking: &str| format!("torque_millinewton_metres = {torque}\nlocking = \"{locking}\"\n{tool}");
    story.card(minute(10, 30), closes, &each(&["PS-1"], "line-reconnected", "line", &joint(17_000, "wire")));
    story.card(minute(10, 35), closes, &each(&["MV-2"], "line-reconnected", "line", &joint(28_000, "self-locking")));
    for line in lines {
        let rest = format!("result = \"satisfactory\"\nacts_on = [\"line-reconnected {engine} {line}\"]");
        story.card(minute(10, 45), "tuva", &each(&[line], "inspected", "line", &rest));
    }
    story.card(
        minute(10, 50),
        closes,
        &each(&["PS-1"], "leak-checked", "line", "method = \"leak\"\nresult = \"satisfactory\""),
    );
    story.card(minute(11, 0), "ida", &each(&isolations, "isolation-restored", "isolation", "tested = true"));
    story.card(minute(11, 10), "ida", &each(&["fan cowl"], "access-closed", "access", ""));
    let rest = format!("all_latched = true\nacts_on = [\"access-closed {engine} fan cowl\"]");
    story.card(minute(11, 15), "tuva", &each(&["fan cowl"], "latches-seen", "access", &rest));
}

/// One requirement.
struct Row {
    /// Where it stands.
    source: &'static str,
    /// What it asks, in a few words of ours.
    asks: &'static str,
    /// The facts, items and findings that carry it.
    carried_by: &'static str,
    /// Takes that away.
    less: fn(&mut Story),
    /// What stands in the way then: item or rule, each of them.
    then: &'static [&'static str],
}

const ROWS: &[Row] = &[
    Row {
        source: "14 CFR 43.9(a)(1) (memory)",
        asks: "a description of the work",
        carried_by: "signed-off.description",
        less: |story| story.less("signed", "description"),
        then: &["signed-off-early", "sign-off-due"],
    },
    Row {
        source: "14 CFR 43.9(a)(1) (memory)",
        asks: "or a reference to acceptable data",
        carried_by: "signed-off.data_reference",
        less: |story| story.less("signed", "data_reference"),
        then: &["signed-off-early", "sign-off-due"],
    },
    Row {
        source: "14 CFR 43.9(a)(2) (memory)",
        asks: "the date of completion",
        carried_by: "signed-off.completion_unix_day",
        less: |story| story.less("signed", "completion_unix_day"),
        then: &["signed-off-early", "sign-off-due"],
    },
    Row {
        source: "14 CFR 43.9(a)(3) (memory)",
        asks: "the name of who did the work, where another approves",
        carried_by: "every fact's signature by a person enrolled; unread-fact",
        less: |story| story.signed_by("line-reconnected 1 PS-1", "nemo"),
        then: &["unread-fact", "line-disconnected", "signed-off-early"],
    },
    Row {
        source: "14 CFR 43.9(a)(4) (memory)",
        asks: "the certificate number of the approver",
        carried_by: "signed-off.certificate_number",
        less: |story| story.less("signed", "certificate_number"),
        then: &["signed-off-early", "sign-off-due"],
    },
    Row {
        source: "14 CFR 43.9(a)(4) (memory)",
        asks: "the kind of certificate held",
        carried_by: "signed-off.certificate_kind",
        less: |story| story.less("signed", "certificate_kind"),
        then: &["signed-off-early", "sign-off-due"],
    },
    Row {
        source: "14 CFR 43.9(a)(4) (memory)",
        asks: "the signature of somebody who may approve",
        carried_by: "signed-off, signed with certify; beyond-authority",
        less: |story| story.signed_by("signed", "ida"),
        then: &["beyond-authority", "sign-off-due"],
    },
    Row {
        source: "14 CFR 121.709(b)(2)(i)",
        asks: "work done as the operator's manual requires",
        carried_by: "the procedure's limits; torque-out, line-unsecured",
        less: |story| story.set("line-reconnected 1 PS-1", "torque_millinewton_metres", 20_001),
        then: &["torque-out", "line-unsecured", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.709(b)(2)(ii)",
        asks: "required items inspected",
        carried_by: "inspected; inspection-due",
        less: |story| story.without("inspected 1 PS-1"),
        then: &["inspection-due", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.709(b)(2)(ii)",
        asks: "by an authorised person",
        carried_by: "authority inspect; beyond-authority, inspection-due",
        less: |story| story.signed_by("inspected 1 PS-1", "joren"),
        then: &["beyond-authority", "inspection-due", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.709(b)(2)(iii)",
        asks: "no known condition that makes it unairworthy",
        carried_by: "defect-raised; defect-open",
        less: |story| {
            let defect = "kind = \"defect-raised\"\nengine = 1\ntext = \"a dent in the intake lip\"";
            story.card(minute(12, 5), "ida", &[("dent", defect.into())]);
        },
        then: &["defect-open", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.709(b)(2)(iv)",
        asks: "condition for safe operation, as far as the work goes",
        carried_by: "run-up-done; run-up-due",
        less: |story| story.without("run-2"),
        then: &["run-up-due", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.371(c)",
        asks: "nobody inspects a required item whose work they did",
        carried_by: "who signed and helped; self-inspected, inspection-due",
        less: |story| story.signed_by("line-reconnected 1 PS-1", "tuva"),
        then: &["self-inspected", "inspection-due", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.371(c)",
        asks: "no way out for a lone person",
        carried_by: "re-inspected-alone, which never counts where the procedure requires an inspector",
        less: |story| {
            story.without("inspected 1 PS-1");
            let alone = "kind = \"reinspected-alone\"\nengine = 1\nline = \"PS-1\"\nresult = \"satisfactory\"\n\
                reason = \"nobody else on station\"\nacts_on = [\"line-reconnected 1 PS-1\"]";
            story.card(minute(12, 1), "halka", &[("alone", alone.into())]);
            let settled = "kind = \"finding-settled\"\nrule = \"re-inspected-alone\"\noutcome = \"accepted\"\n\
                act_counts = true\nacts_on = [\"line-reconnected 1 PS-1\", \"alone\"]";
            story.card(minute(12, 2), "sanne", &[("settled", settled.into())]);
        },
        then: &["inspection-due", "signed-off-early"],
    },
    Row {
        source: "14 CFR 121.369(b) (memory)",
        asks: "work interrupted by a shift change is properly completed",
        carried_by: "handed-over, countersigned; handover-due",
        less: |story| {
            let handed = "kind = \"handed-over\"\nopen_items = [\"cowls to close\"]";
            story.card(minute(11, 5), "ida", &[("handed", handed.into())]);
        },
        then: &["handover-due", "signed-off-early"],
    },
    Row {
        source: "145.A.47(c) (memory)",
        asks: "what is left is communicated to who takes over",
        carried_by: "wash-interrupted, wash-resumed by the same person; handover-due",
        less: |story| {
            let left = "kind = \"wash-interrupted\"\nreason = \"end of shift\"";
            story.card(minute(11, 5), "ida", &[("left", left.into())]);
            story.card(minute(11, 6), "joren", &[("back", "kind = \"wash-resumed\"".into())]);
        },
        then: &["handover-due", "signed-off-early"],
    },
    Row {
        source: "145.A.48(a)",
        asks: "after the work, clear of tools, equipment, material",
        carried_by: "final-check-done; final-check-due",
        less: |story| story.without("check"),
        then: &["final-check-due", "signed-off-early"],
    },
    Row {
        source: "145.A.48(a)",
        asks: "and panels removed are refitted",
        carried_by: "final-check-done.panels_refitted; final-check-due",
        less: |story| story.set("check", "panels_refitted", false),
        then: &["final-check-due", "signed-off-early"],
    },
    Row {
        source: "145.A.48(a)",
        asks: "the same, of tools by their identity",
        carried_by: "tools-in; tool-check-due",
        less: |story| story.without("tools-in"),
        then: &["tool-check-due", "signed-off-early"],
    },
    Row {
        source: "145.A.48(b)",
        asks: "errors captured after a critical task: latches",
        carried_by: "latches-seen; latch-check-due",
        less: |story| story.without("latches-seen 2 fan cowl"),
        then: &["latch-check-due", "signed-off-early"],
    },
    Row {
        source: "145.A.48(d)",
        asks: "damage is assessed",
        carried_by: "defect-raised on a line; line-damaged, defect-open",
        less: |story| {
            let defect = "kind = \"defect-raised\"\nengine = 2\nline = \"PS-1\"\ntext = \"chafed\"";
            story.card(minute(12, 5), "ida", &[("chafed", defect.into())]);
        },
        then: &["line-damaged", "defect-open", "signed-off-early"],
    },
    Row {
        source: "145.A.50(a) (memory)",
        asks: "all work ordered is done",
        carried_by: "opened and closed, or not used with a reason; unaccounted",
        less: |story| {
            story.without("isolated 2 reverser");
            story.without("isolation-restored 2 reverser");
        },
        then: &["unaccounted", "signed-off-early"],
    },
    Row {
        source: "145.A.50(e) (memory)",
        asks: "incomplete work is stated",
        carried_by: "cycles-short, stated in the sign-off",
        less: |story| story.without("second-2"),
        then: &["cycles-short"],
    },
    Row {
        source: "FAA AC 120-78B (guidance; memory)",
        asks: "a signature that is the signatory's alone, and secure",
        carried_by: "a key of each person; key-revoked from an entry on; key-not-trusted",
        less: |story| {
            let key_id = rinsebook_proto::key::key_id(&key_of("sanne").verifying_key());
            let revoked = format!("kind = \"key-revoked\"\nkey_id = \"{key_id}\"\nuntrusted_from_index = 0");
            story.card(minute(14, 0), "mira", &[("revoked", revoked)]);
        },
        then: &["key-not-trusted", "sign-off-due"],
    },
];

/// Names of items and rules unsettled.
fn in_the_way(state: &State) -> BTreeMap<&'static str, usize> {
    let mut names = BTreeMap::new();
    let items = state.items.iter().map(|item| item.kind.name());
    let rules = state.findings.iter().filter(|finding| finding.settled.is_none()).map(|finding| finding.rule.name());
    items.chain(rules).for_each(|name| *names.entry(name).or_default() += 1);
    names
}

#[test]
fn a_wash_that_lacks_nothing_is_signed_off_and_nothing_stays_open_or_found() {
    let mut record = good().played();
    let state = state(&mut record, MIDNIGHT_MS + 15 * 3_600_000);
    assert!(in_the_way(&state).is_empty(), "{:?}", in_the_way(&state));
    assert!(state.washes[0].signed_off_by.is_some());
}

#[test]
fn a_wash_that_lacks_what_a_regulation_asks_is_not_signed_off_with_effect() {
    let mut wrong = Vec::new();
    for row in ROWS {
        let mut story = good();
        (row.less)(&mut story);
        let mut record = story.played();
        let state = state(&mut record, MIDNIGHT_MS + 15 * 3_600_000);
        let found = in_the_way(&state);
        let missing: Vec<_> = row.then.iter().filter(|name| !found.contains_key(**name)).collect();
        let stated = row.then == ["cycles-short"];
        if !missing.is_empty() || (state.washes[0].signed_off_by.is_some() && !stated) {
            let what = format!("{}: {} (carried by {})", row.source, row.asks, row.carried_by);
            wrong.push(format!("{what}\n  not told: {missing:?}\n  told: {found:?}"));
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), ROWS.len(), wrong.join("\n"));
}

/// 145.A.55: three years from release; 14 CFR 145.219: two years (both from memory). Nothing here ages out.
#[test]
fn three_years_later_every_fact_is_there_and_every_answer_is_the_same() {
    let mut record = good().played();
    let entries = record.history.size();
    let now_ms = MIDNIGHT_MS + 15 * 3_600_000;
    let question = |time_ms: u64, size: u64| Question {
        aircraft: id("ZZ-RBA"),
        planned_start_ms: None,
        assume_closed: vec![],
        epoch: 1,
        size,
        time_ms,
    };
    let before = record.history.assess(&question(MIDNIGHT_MS + 11 * 3_600_000, entries));
    state(&mut record, now_ms);
    let later_ms = now_ms + 3 * YEAR_MS;
    let later = state(&mut record, later_ms);
    assert!(in_the_way(&later).is_empty() && later.washes[0].signed_off_by.is_some());
    assert_eq!(record.history.assess(&question(later_ms, record.history.size())).verdict, Verdict::NothingOpen);
    let again = record.history.assess(&question(MIDNIGHT_MS + 11 * 3_600_000, entries));
    assert_eq!(again, before, "what could be known at eleven that morning");
    assert!((0..entries).all(|index| record.history.recorded(index).is_some()));
}

/// 145.A.48(c): the risk of one error repeated in identical tasks.
#[test]
fn one_person_who_closes_the_same_line_on_two_engines_with_no_second_person_is_found() {
    for (second, found) in [("ida", true), ("joren", false)] {
        let mut story = Story(Vec::new());
        let opened = "kind = \"wash-opened\"\nwork_order = \"WO-1\"\nprocedure = \"Two lines r1\"\n\
            engines = [{ engine = 1, last_shutdown_ms = 05:00:00 }, { engine = 2, last_shutdown_ms = 05:00:00 }]";
        story.card(minute(8, 0), "ida", &[("opened", opened.into())]);
        for (engine, who) in [(1, "ida"), (2, second)] {
            let line = format!("engine = {engine}\nline = \"MV-2\"");
            let off = format!("kind = \"line-disconnected\"\n{line}");
            story.card(minute(8, 10), who, &[(&format!("off-{engine}"), off)]);
            story.card(
                minute(8, 30),
                who,
                &[(&format!("on-{engine}"), format!("kind = \"line-reconnected\"\n{line}"))],
            );
        }
        let mut record = story.played();
        let told = in_the_way(&state(&mut record, MIDNIGHT_MS + 9 * 3_600_000));
        assert_eq!(told.contains_key("same-hands"), found, "{told:?}");
    }
}
