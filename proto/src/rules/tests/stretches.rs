//! A history that was put down in stretches, taken up again, and reads its facts back, answers as the one that took every
//! fact and kept it. Every world of these tests is put to it when it ends.

use std::sync::Arc;

use prost::Message;

use super::properties::Dice;
use crate::fact::Signed;
use crate::rules::testing::*;
use crate::rules::{History, ReadBack, Recorded, SignatureState, Stretch};

#[derive(Debug)]
struct Back(Vec<Arc<Signed>>);

impl ReadBack for Back {
    fn fact(&self, index: u64) -> Arc<Signed> {
        // Taken apart from its bytes, as from a log.
        Arc::new(Signed::parse(self.0[index as usize].bytes(), usize::MAX).unwrap())
    }
}

/// The entries one by one, as a service takes them: the stretches that they come to, cut before these indices.
fn put_down(w: &World, cuts: &[u64]) -> Vec<Stretch> {
    let mut history = History::new();
    history.begin_stretch();
    let mut stretches = Vec::new();
    for recorded in &w.recorded {
        if cuts.contains(&recorded.index) {
            stretches.push(history.end_stretch().unwrap());
            history.begin_stretch();
        }
        history.add(recorded.clone(), &|digest| w.texts.get(digest).cloned());
    }
    stretches.push(history.end_stretch().unwrap());
    stretches
}

/// The first `taken` stretches taken up, and the entries behind them one by one.
fn taken_up(w: &World, stretches: &[Stretch], taken: usize) -> History {
    let back = Back(w.recorded.iter().map(|recorded| recorded.fact.clone()).collect());
    // Room for a few facts: nearly every one is read back, many of them more than once.
    let mut history = History::reading(Arc::new(back), 8_000);
    history.begin_stretch();
    let texts = |digest: &crate::bytes::Hash| w.texts.get(digest).cloned();
    for stretch in &stretches[..taken] {
        let read = Stretch::decode(stretch.encode_to_vec().as_slice()).unwrap();
        assert!(read.fits());
        let times: Vec<u64> = read.times_ms().collect();
        let whole = read.whole.iter().map(|at| {
            let fact = w.recorded[read.index(*at) as usize].fact.clone();
            read.recorded(*at, times[*at as usize], fact)
        });
        let whole: Vec<Recorded> = whole.collect();
        history.resume(&read, &whole, &texts);
        history.go_on_with(read);
    }
    for recorded in &w.recorded[history.size() as usize..] {
        history.add(recorded.clone(), &texts);
        drop(history.let_go());
    }
    history
}

/// See the module.
pub(crate) fn assert_taken_up_alike(w: &World) {
    let size = w.history.size();
    if size == 0 || w.recorded.len() as u64 != size {
        return;
    }
    let mut dice = Dice(size);
    let cuts = [1 + dice.below(size), 1 + dice.below(size)];
    let stretches = put_down(w, &cuts);
    let mut again = taken_up(w, &stretches, 1 + dice.below(stretches.len() as u64) as usize);
    let aircraft: Vec<_> = w.history.aircraft().collect();
    assert_eq!(again.aircraft().collect::<Vec<_>>(), aircraft);
    for index in 0..size {
        assert_eq!(again.aircraft_touched(index), w.history.aircraft_touched(index), "entry {index}, cut at {cuts:?}");
        assert_eq!(again.is_heard_again(index), w.history.is_heard_again(index), "entry {index}");
        assert_eq!(again.unread_because(index, size), w.history.unread_because(index, size), "entry {index}");
        drop(again.let_go());
    }
    let now_ms = w.recorded.last().map_or(0, |last| last.received_ms);
    for one in &aircraft {
        for known in [size, dice.below(size + 1)] {
            let (there, here) = (again.look(one, known, now_ms), w.history.look(one, known, now_ms));
            assert_eq!(format!("{there:?}"), format!("{here:?}"), "as known at {known}, cut at {cuts:?}");
            assert_eq!(again.rests_on(one, known), w.history.rests_on(one, known));
            drop(again.let_go());
        }
    }
    let all_of = |history: &History, kind: &str| history.facts_of_kind(kind).to_vec();
    for kind in ["wash-opened", "tool-recalled", "procedure-published", "line-reconnected"] {
        assert_eq!(all_of(&again, kind), all_of(&w.history, kind));
    }
    // What is put down after some of it was taken up is what was put down before.
    let last = again.end_stretch().unwrap();
    assert!(last.fits());
    assert_eq!(last.end(), size);
}

#[test]
fn a_stretch_that_does_not_fit_is_told_from_one_that_does() {
    let w = World::washing();
    let stretch = put_down(&w, &[]).remove(0);
    assert!(stretch.fits());
    let broken: [fn(&mut Stretch); 8] = [
        |s| s.hashes.truncate(1),
        |s| s.received_ms.push(1),
        |s| s.whole.push(u32::MAX),
        |s| s.kinds[0].name.push('x'),
        |s| s.subjects.ids.push(0),
        |s| s.subjects.beside[0] = u32::MAX,
        |s| s.runs[0].counters.push(9),
        |s| s.heard = None,
    ];
    for (number, breaks) in broken.into_iter().enumerate() {
        let mut stretch = stretch.clone();
        breaks(&mut stretch);
        assert!(!stretch.fits(), "{number}");
    }
}

#[test]
fn a_founding_fact_whose_signature_was_not_checked_brings_the_key_that_it_is_checked_with() {
    let w = World::washing();
    let unchecked = Recorded { signature: SignatureState::Unchecked, ..w.recorded[0].clone() };
    let back = Back(w.recorded.iter().map(|recorded| recorded.fact.clone()).collect());
    for mut history in [History::new(), History::reading(Arc::new(back), 8_000)] {
        history.add(unchecked.clone(), &|_| None);
        assert_eq!(history.unread_because(0, 1), None);
    }
}
