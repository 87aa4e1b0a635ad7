use rinsebook_client::verify::log_dir;
use rinsebook_proto::entry::Entry;
use rinsebook_proto::rules::{History, Recorded, SignatureState};

use super::*;
use std::sync::Arc;

fn history(fleet: &Fleet) -> History {
    let mut history = History::new();
    let text =
        std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/procedures/ossavar-t2.toml")).unwrap();
    journal::scan(&RealDisk, &fleet.log(), journal::Kind::Log, |group| {
        for data in &group.records {
            let entry = Entry::decode(data).unwrap();
            let fact = Signed::parse(&entry.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
            let recorded = Recorded {
                index: entry.index,
                received_ms: entry.received_ms,
                clock_unsure: false,
                fact: Arc::new(fact),
                signature: SignatureState::Good,
            };
            history.add(recorded, &|digest| (*digest == Hash::of(&text)).then(|| text.clone()));
        }
        Ok::<_, String>(rinsebook_proto::tree::leaf_hash(group.records.last().unwrap()).0)
    })
    .unwrap();
    history
}

#[test]
fn the_log_verifies_and_has_nothing_open_but_what_was_left() {
    let dir = tempfile::tempdir().unwrap();
    let fleet = Fleet::in_folder(&dir.path().join("fleet"), 2400, 24).unwrap();
    let good = log_dir(&fleet.log(), None).unwrap();
    assert_eq!(good.unread, 0);
    assert!(good.entries >= 2400, "{good:?}");
    let history = history(&fleet);
    let state = |number| history.state(&aircraft(number), history.size(), now_ms());
    let done = state(0);
    assert_eq!((done.items, done.findings), (vec![], vec![]));
    assert_eq!(done.washes.len(), 2);
    assert!(state(9).items.len() > 10);
}

#[test]
fn a_wash_has_as_many_facts_as_is_said() {
    let mut pen = Pen::new(Hash::ZERO, named("tablet"), Hash::ZERO, Seen::nothing());
    let plan = Plan {
        aircraft: aircraft(1),
        wash: named("a wash"),
        serials: serials(1),
        procedure: writer::procedure_digest(),
        opened_ms: BEGIN_MS,
        left: false,
    };
    assert_eq!(writer::sign_wash(&mut pen, &plan).len() as u64, FACTS_A_WASH);
}
