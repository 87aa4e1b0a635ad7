use chrono::{DateTime, Utc};

use crate::bytes::Hash;
use crate::fact::{Kind, Subject};
use crate::rules::erasures::{Effect, KEEP_SIGNER_NAME_YEARS as YEARS, name_kept_until_ms};
use crate::rules::testing::*;
use crate::rules::{Enrolments, Texts};
use crate::v1::{self, Authority};

fn ms(text: &str) -> u64 {
    text.parse::<DateTime<Utc>>().unwrap().timestamp_millis().try_into().unwrap()
}

fn name_of(who: &str) -> Hash {
    Hash::of(format!("the name of {who}").as_bytes())
}

/// Enrols the person's name, beside what the world enrols.
fn named(w: &mut World, who: &str) {
    let name = Some(v1::AnnexRef { digest: name_of(who).to_vec() });
    let enrolled = v1::PersonEnrolled { person: id(who).to_vec(), name, ..Default::default() };
    w.custody(Kind::PersonEnrolled(enrolled));
}

fn erasing(digest: Hash) -> Kind {
    Kind::AnnexErased(v1::AnnexErased { digests: vec![digest.to_vec()], reason: "asked for".into() })
}

/// Somebody wants it erased at that time.
fn erase_by(w: &mut World, who: &str, digest: Hash, when_ms: u64) {
    let fact = w.sign(who, when_ms, vec![Subject::Roster], vec![], erasing(digest), None);
    w.put(fact, when_ms);
}

fn enrolments(w: &World) -> Enrolments {
    let mut enrolments = Enrolments::default();
    for recorded in &w.recorded {
        enrolments.add(recorded, &Texts::default());
    }
    enrolments
}

fn erased(w: &World, digest: Hash) -> bool {
    enrolments(w).erased(YEARS).contains_key(&digest)
}

#[test]
fn a_custodian_erases_an_annex_and_nobody_else_does() {
    let annex = Hash::of(b"an annex");
    for (who, goes) in [("custodian", true), ("certifier", false), ("stranger", false), ("nobody enrolled", false)] {
        let mut w = World::washing();
        erase_by(&mut w, who, annex, at(9, 0));
        assert_eq!(erased(&w, annex), goes, "{who}");
    }
}

#[test]
fn what_a_custodian_wants_erased_counts_only_with_the_roster_among_its_subjects() {
    let (mut w, annex) = (World::washing(), Hash::of(b"an annex"));
    w.act("custodian", at(9, 0), erasing(annex));
    assert!(!erased(&w, annex));
}

#[test]
fn who_gave_custody_up_erases_nothing_any_more_and_what_they_erased_before_stays_erased() {
    let (before, after) = (Hash::of(b"before"), Hash::of(b"after"));
    let mut w = World::washing();
    let granted = w.grant("planner", Authority::Custody, |g| g.engine_type = String::new());
    erase_by(&mut w, "planner", before, at(9, 0));
    w.custody_at(at(9, 1), vec![granted], vec![], Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn::default()));
    erase_by(&mut w, "planner", after, at(9, 2));
    assert!(erased(&w, before));
    assert!(!erased(&w, after));
}

#[test]
fn a_custodian_s_word_that_came_before_their_key_counts_once_it_is_enrolled() {
    let (mut w, annex) = (World::washing(), Hash::of(b"an annex"));
    erase_by(&mut w, "newcomer", annex, at(9, 0));
    assert!(!erased(&w, annex));
    w.enrol_on_card("newcomer", Authority::Custody);
    let all = enrolments(&w);
    assert_eq!(all.erased(YEARS)[&annex].by, id("newcomer"));
    assert_eq!(all.erased(YEARS)[&annex].index, w.history.size() - 1, "by the entry that let it count");
}

#[test]
fn a_revocation_that_reaches_back_lets_copies_stay_and_excuses_what_is_gone() {
    let (mut w, annex) = (World::washing(), Hash::of(b"an annex"));
    w.grant("planner", Authority::Custody, |g| g.engine_type = String::new());
    let index = w.history.size();
    erase_by(&mut w, "planner", annex, at(9, 0));
    let revoked = v1::KeyRevoked {
        key_id: key_id_of("planner").to_vec(),
        untrusted_from_index: Some(index),
        reason: "stolen".into(),
    };
    w.custody(Kind::KeyRevoked(revoked));
    let all = enrolments(&w);
    assert!(all.erasures().effective(YEARS).contains_key(&annex));
    assert!(!all.erased(YEARS).contains_key(&annex));
}

#[test]
fn an_attachment_is_never_erased() {
    let mut w = World::washing();
    erase_by(&mut w, "custodian", text_digest(), at(9, 0));
    assert!(!erased(&w, text_digest()));
    assert_eq!(enrolments(&w).erasures().all()[0].effect(YEARS), Effect::Attachment);
}

#[test]
fn a_name_goes_at_once_where_its_owner_never_signed_work_and_after_three_years_where_they_did() {
    let until = name_kept_until_ms(at(8, 1), YEARS);
    for (who, when, goes) in [
        ("planner", at(9, 0), true),
        ("custodian", at(9, 0), true),
        ("tech", at(9, 0), false),
        ("tech", until - 1, false),
        ("tech", until, true),
    ] {
        let mut w = World::washing();
        named(&mut w, who);
        erase_by(&mut w, "custodian", name_of(who), when);
        assert_eq!(erased(&w, name_of(who)), goes, "{who} at {when}");
    }
}

#[test]
fn a_sign_off_by_another_person_holds_the_names_of_all_who_signed_anything_of_that_wash() {
    let late = ms("2027-06-01T12:00:00Z");
    let of_work_alone = name_kept_until_ms(at(8, 1), YEARS);
    let mut w = World::washing().unfinished();
    named(&mut w, "tech");
    w.act("certifier", late, Kind::SignedOff(signed_off()));
    erase_by(&mut w, "custodian", name_of("tech"), of_work_alone);
    assert!(!erased(&w, name_of("tech")));
    erase_by(&mut w, "custodian", name_of("tech"), name_kept_until_ms(late, YEARS));
    assert!(erased(&w, name_of("tech")), "it can be said again once the time is over");
}

#[test]
fn other_annexes_of_a_signer_go_at_once() {
    let (mut w, licence) = (World::washing(), Hash::of(b"a licence"));
    let enrolled = v1::PersonEnrolled {
        person: id("tech").to_vec(),
        licence: Some(v1::AnnexRef { digest: licence.to_vec() }),
        ..Default::default()
    };
    w.custody(Kind::PersonEnrolled(enrolled));
    erase_by(&mut w, "custodian", licence, at(9, 0));
    assert!(erased(&w, licence));
}

#[test]
fn a_clock_in_doubt_cannot_tell_that_a_name_s_time_is_over() {
    let mut w = World::washing();
    named(&mut w, "tech");
    w.clock_unsure = true;
    erase_by(&mut w, "custodian", name_of("tech"), ms("2040-01-01T00:00:00Z"));
    assert!(!erased(&w, name_of("tech")));
    let why = enrolments(&w).erasures().all()[0].why_not(YEARS).unwrap();
    assert!(why.contains("confirm the clock"), "{why}");
}

#[test]
fn what_is_signed_after_an_erasure_took_effect_brings_no_name_back() {
    let mut w = World::new();
    named(&mut w, "tech");
    erase_by(&mut w, "custodian", name_of("tech"), at(7, 0));
    w.open_wash("tech", at(8, 0));
    assert!(erased(&w, name_of("tech")));
}

#[test]
fn years_are_those_of_the_calendar() {
    for (last, years, until) in [
        ("2027-01-15T08:00:00Z", 3, "2030-01-15T08:00:00Z"),
        ("2028-02-29T08:00:00Z", 3, "2031-02-28T08:00:00Z"),
        ("2028-02-29T08:00:00Z", 4, "2032-02-29T08:00:00Z"),
    ] {
        assert_eq!(name_kept_until_ms(ms(last), years), ms(until));
    }
    assert_eq!(name_kept_until_ms(u64::MAX, 3), u64::MAX, "a time that no calendar has is never over");
}
