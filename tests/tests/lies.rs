//! A service that lies. Whoever keeps the log holds its key and the service's own, and can sign any checkpoint and any fact of
//! the service; what they cannot do is sign for people, or take back what others hold. Each attack is played against the
//! code that a client runs, and each is caught by a check that has a name.

use rinsebook_client::verify::pack::{AskedOfPack, pack};
use rinsebook_client::verify::{Asked, Fault, Held, Policy, SeenOtherwise, check};
use rinsebook_client::witness::{Answer, Settings, Witness};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::ScriptedClock;
use rinsebook_proto::cosignature::{AddCheckpoint, cosign, cosigners};
use rinsebook_proto::entry::Entry;
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed, Subject};
use rinsebook_proto::key;
use rinsebook_proto::note::{Checkpoint, CosignerKey};
use rinsebook_proto::pack::{Pack, PackedBlob};
use rinsebook_proto::rules::{History, Question, Recorded, SignatureState, answer};
use rinsebook_proto::v1::{self, EngineAt};
use rinsebook_tests::book::{Book, By, ORIGIN, TABLET};
use rinsebook_tests::operator::{Piece, Rebuilt, pieces, rebuild};

const AIRCRAFT: Id = Id([70; 16]);
const OTHER: Id = Id([71; 16]);
const CONTRACT: &[u8] = b"what reads this";

/// A good log: enrolments, then facts by the technician in groups of two, an answer, a revocation, more facts.
struct World {
    _dir: tempfile::TempDir,
    book: Book,
    pieces: Vec<Piece>,
    answer: Vec<u8>,
}

fn about(aircraft: Id) -> Vec<Subject> {
    vec![Subject::Aircraft(aircraft), Subject::Engine("LX-1".to_owned())]
}

fn reading(tenths: i32) -> Kind {
    let engine = Some(EngineAt { position: 1, serial: "LX-1".to_owned() });
    Kind::MetalTemperature(v1::MetalTemperature { engine, metal_tenths_celsius: Some(tenths) })
}

impl World {
    fn new() -> World {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::begin(dir.path(), 1 << 20);
        for n in 0..6 {
            book.fact(By::Technician, reading(200 + n), about(AIRCRAFT));
            if n % 2 == 1 {
                book.close();
            }
        }
        let answer = assessed(&pieces(dir.path()), book.size());
        book.fact(By::Service, answered(&answer, book.size()), vec![Subject::Aircraft(AIRCRAFT)]);
        book.close();
        let revoked = v1::KeyRevoked { key_id: vec![8; 32], untrusted_from_index: None, reason: "lost".to_owned() };
        book.fact(By::Custodian, Kind::KeyRevoked(revoked), vec![Subject::Roster]);
        book.close();
        for n in 0..4 {
            book.fact(By::Technician, reading(300 + n), about(AIRCRAFT));
            book.close();
        }
        let issued = Kind::PackIssued(v1::PackIssued {
            issued_to: "an auditor".to_owned(),
            contract: Some(v1::AttachmentRef { digest: Hash::of(CONTRACT).to_vec() }),
            part: 1,
            parts: 1,
            ..v1::PackIssued::default()
        });
        book.fact(By::Service, issued, [about(AIRCRAFT), vec![Subject::Roster]].concat());
        book.close();
        let pieces = pieces(dir.path());
        World { _dir: dir, book, pieces, answer }
    }

    fn rebuilt(&self, pieces: &[Piece]) -> Rebuilt {
        rebuild(pieces, ORIGIN, &self.book.log_key)
    }

    /// What the verifier of whole logs says of it, with what it holds from before.
    fn verified(&self, pieces: &[Piece], held: &[Held]) -> &'static str {
        let dir = tempfile::tempdir().unwrap();
        self.rebuilt(pieces).write(dir.path());
        let key = self.book.verifier_key();
        named(check(dir.path(), &Asked { log_key: Some(&key), held, ..Asked::default() }, &mut |_| {}).map(|_| ()))
    }

    fn packed(&self, pieces: &[Piece]) -> Pack {
        let blob = |content: &[u8]| PackedBlob { salt: vec![], content: content.to_vec() };
        self.rebuilt(pieces).pack(vec![blob(CONTRACT), blob(&self.answer)])
    }

    fn unpacked(&self, made: &Pack, policy: Option<&Policy>) -> &'static str {
        let key = self.book.verifier_key();
        named(
            pack(&made.encode().unwrap(), &AskedOfPack { log_key: Some(&key), policy, ..AskedOfPack::default() })
                .map(|_| ()),
        )
    }

    /// The first fact of that kind by number among the pieces.
    fn position(&self, kind: impl Fn(&Kind) -> bool) -> usize {
        let is = |piece: &Piece| signed(piece).kind().is_some_and(&kind);
        self.pieces.iter().position(is).unwrap()
    }

    fn held(&self, at: usize, cosigned_s: Option<u64>) -> (Held, Policy) {
        let (witness, name) = (key::generate(), "witness.example/w1");
        let note = &self.rebuilt(&self.pieces).notes[at].1;
        let policy = Policy { witnesses: vec![CosignerKey::new(name, witness.verifying_key())], quorum: 0 };
        let mut cosignatures = Vec::new();
        if let Some(seconds) = cosigned_s {
            let line = cosign(note, &witness, name, seconds).unwrap();
            cosignatures = cosigners(&format!("{note}{line}"), &policy.witnesses).unwrap();
        }
        (Held { checkpoint: Checkpoint::read_unverified(note).unwrap(), cosignatures }, policy)
    }
}

fn signed(piece: &Piece) -> Signed {
    Signed::parse(&piece.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap()
}

/// Another fact in a piece's place and in its signer's name, signed by whoever keeps the log.
fn forged(instead_of: &Piece, kind: Kind) -> Vec<u8> {
    let (header, own) = (signed(instead_of).header().clone(), key::generate());
    let own_id = key::key_id(&own.verifying_key());
    let named = rinsebook_proto::fact::Header { author_key: own_id, ..header.clone() };
    let mut bytes = Signed::sign(named, kind, &own).bytes().to_vec();
    let at = bytes.windows(32).position(|window| window == own_id.0).unwrap();
    bytes[at..at + 32].copy_from_slice(&header.author_key.0);
    bytes
}

/// `check: part` of a bad answer, or `good`.
fn named(told: Result<(), Fault>) -> &'static str {
    match told {
        Ok(()) => "good",
        Err(Fault::Bad { check, part, .. }) => Box::leak(format!("{check}: {part}").into_boxed_str()),
        Err(other) => panic!("{other}"),
    }
}

fn history(pieces: &[Piece]) -> History {
    let mut history = History::new();
    for (index, piece) in pieces.iter().enumerate() {
        let fact = std::sync::Arc::new(signed(piece));
        let recorded = Recorded {
            index: index as u64,
            received_ms: piece.received_ms,
            clock_unsure: false,
            fact,
            signature: SignatureState::Good,
        };
        history.add(recorded, &|_| None);
    }
    history
}

/// The answer that the facts give, as bytes.
fn assessed(pieces: &[Piece], size: u64) -> Vec<u8> {
    let time_ms = pieces.last().unwrap().received_ms;
    let question =
        Question { aircraft: AIRCRAFT, planned_start_ms: None, assume_closed: vec![], epoch: 1, size, time_ms };
    prost::Message::encode_to_vec(&answer::assessment(&history(pieces).assess(&question)))
}

fn answered(answer: &[u8], size: u64) -> Kind {
    let told: v1::Assessment = prost::Message::decode(answer).unwrap();
    Kind::QuestionAnswered(v1::QuestionAnswered {
        asked_by: String::new(),
        epoch: 1,
        at_size: size,
        at_time_ms: told.as_of.unwrap().time_ms,
        rules_version: told.rules_version,
        assessment: Some(v1::AttachmentRef { digest: Hash::of(answer).to_vec() }),
    })
}

fn is_reading(tenths: i32) -> impl Fn(&Kind) -> bool {
    move |kind| matches!(kind, Kind::MetalTemperature(b) if b.metal_tenths_celsius == Some(tenths))
}

#[test]
fn the_truth_passes_every_check() {
    let world = World::new();
    assert_eq!(world.verified(&world.pieces, &[]), "good");
    let (held, policy) = world.held(3, Some(world.pieces[8].received_ms / 1000));
    assert_eq!(world.verified(&world.pieces, &[held]), "good");
    assert_eq!(world.unpacked(&world.packed(&world.pieces), Some(&policy)), "good");
}

#[test]
fn one_an_entry_altered() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    let at = world.position(is_reading(203));
    // The reading itself, inside the payload that the technician signed.
    let place = lie[at].envelope.windows(2).position(|two| two == [0x10, 0x96]).expect("the reading: 203 as a varint");
    lie[at].envelope[place + 1] ^= 0x08;
    assert_eq!(world.verified(&lie, &[]), "signature: signature");
}

#[test]
fn two_an_entry_dropped() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    lie.remove(world.position(is_reading(203)));
    assert_eq!(world.verified(&lie, &[]), "link: device chain");
}

#[test]
fn three_an_entry_inserted_in_somebody_s_name() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    let at = world.position(is_reading(301));
    // The operator has keys of their own: the name is the technician's, the signature is not.
    let envelope = forged(&lie[at], reading(999));
    lie.insert(at, Piece { envelope, ..lie[at].clone() });
    assert_eq!(world.verified(&lie, &[]), "signature: signature");
}

#[test]
fn four_two_entries_swapped() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    let at = world.position(is_reading(202));
    let (one, other) = (lie[at].envelope.clone(), lie[at + 1].envelope.clone());
    (lie[at].envelope, lie[at + 1].envelope) = (other, one);
    assert_eq!(world.verified(&lie, &[]), "link: device chain");
}

#[test]
fn five_the_tail_cut_off() {
    let world = World::new();
    let cut = &world.pieces[..world.pieces.len() - 3];
    let (held, _) = world.held(world.rebuilt(&world.pieces).notes.len() - 1, None);
    assert_eq!(world.verified(cut, &[]), "good", "by itself a shorter log is a log");
    assert_eq!(world.verified(cut, &[held]), "root: held");
}

#[test]
fn six_the_whole_rolled_back_and_gone_on_otherwise() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    // The last facts of the technician never happened; the service's own go on in their place.
    let at = world.position(is_reading(300));
    lie.truncate(at);
    let (held, _) = world.held(world.rebuilt(&world.pieces).notes.len() - 2, None);
    assert_eq!(world.verified(&lie, &[held]), "root: held");
}

#[test]
fn seven_another_view_for_another_client() {
    let world = World::new();
    let at = world.position(is_reading(300));
    // What the second client is shown lacks the technician's facts from there on.
    let shown = world.rebuilt(&[&world.pieces[..at], &world.pieces[at + 4..]].concat());
    let truth = world.rebuilt(&world.pieces);
    // Both clients' checkpoints come to one witness.
    let dir = tempfile::tempdir().unwrap();
    let witness = Witness::open(Settings {
        name: "witness.example/w1".to_owned(),
        signer: key::generate(),
        state: dir.path().join("state"),
        logs: vec![world.book.verifier_key()],
        clock: std::sync::Arc::new(ScriptedClock::at(world.pieces[0].received_ms)),
    })
    .unwrap();
    let size = shown.entries.len() as u64;
    let first = AddCheckpoint { old_size: 0, proof: vec![], note: shown.note().to_owned() };
    assert!(matches!(witness.add_checkpoint(first.to_string().as_bytes()), Answer::Cosigned(_)));
    let proof = truth.tree.consistency(size, truth.entries.len() as u64).unwrap();
    let second = AddCheckpoint { old_size: size, proof, note: truth.note().to_owned() };
    assert!(matches!(witness.add_checkpoint(second.to_string().as_bytes()), Answer::BadProof(_)));
}

#[test]
fn eight_a_fork_after_a_checkpoint_that_a_signer_had_seen() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    // A fact of the service's own, before what the technician saw, is another now: the service can sign it anew.
    let at = world.position(|kind| matches!(kind, Kind::QuestionAnswered(_)));
    lie[at].received_ms += 1;
    assert_eq!(world.verified(&lie, &[]), "root: seen");
}

#[test]
fn eight_again_where_the_service_signs_its_own_anew_the_signers_contradict_it_and_a_held_checkpoint_proves_it() {
    let world = World::new();
    let (held, _) = world.held(world.rebuilt(&world.pieces).notes.len() - 3, None);
    let mut lie = world.pieces.clone();
    let at = world.position(|kind| matches!(kind, Kind::QuestionAnswered(_)));
    lie[at].received_ms += 1;
    let head = lie.pop().unwrap();
    let resigned = world.book.resigned_head(&head, &lie);
    lie.push(resigned);
    // What is left to contradict it is the word of people, told by device and fact.
    let devices = |otherwise: &[SeenOtherwise]| otherwise.iter().map(|found| found.device).collect::<Vec<_>>();
    let dir = tempfile::tempdir().unwrap();
    world.rebuilt(&lie).write(dir.path());
    let key = world.book.verifier_key();
    let good = check(dir.path(), &Asked { log_key: Some(&key), ..Asked::default() }, &mut |_| {}).unwrap();
    assert!(devices(&good.seen_otherwise).contains(&TABLET), "{good}");
    let made = world.packed(&lie).encode().unwrap();
    let good = pack(&made, &AskedOfPack { log_key: Some(&key), ..AskedOfPack::default() }).unwrap();
    assert!(devices(&good.seen_otherwise).contains(&TABLET), "{good}");
    assert_eq!(world.verified(&lie, &[held]), "root: held");
}

#[test]
fn nine_a_fact_replayed_from_another_record() {
    let (world, other) = (World::new(), World::new());
    let mut lie = world.pieces.clone();
    let at = world.position(is_reading(303));
    lie[at].envelope = other.pieces[at].envelope.clone();
    assert_eq!(world.verified(&lie, &[]), "signature: record");
}

#[test]
fn ten_the_proof_of_another_entry() {
    let world = World::new();
    let mut made = world.packed(&world.pieces);
    let proof = made.entries[4].proof.clone();
    made.entries[3].proof = proof;
    assert_eq!(world.unpacked(&made, None), "root: inclusion");
}

#[test]
fn eleven_a_key_enrolled_behind_the_custodian_s_back() {
    let world = World::new();
    let (mut lie, intruder) = (world.pieces.clone(), key::generate());
    let at = world.position(|kind| matches!(kind, Kind::KeyRevoked(_)));
    let person = Id([66; 16]);
    let kind = Kind::KeyEnrolled(v1::KeyEnrolled {
        person: person.to_vec(),
        public_key: intruder.verifying_key().as_bytes().to_vec(),
        possession: key::prove_possession(&intruder, &person.0).to_vec(),
    });
    // In the custodian's place, in the custodian's name.
    lie[at].envelope = forged(&lie[at], kind);
    assert_eq!(world.verified(&lie, &[]), "signature: signature");
}

#[test]
fn twelve_a_revocation_moved_behind_what_it_was_to_forestall() {
    let world = World::new();
    let mut lie = world.pieces.clone();
    let at = world.position(|kind| matches!(kind, Kind::KeyRevoked(_)));
    let times: Vec<u64> = lie.iter().map(|piece| piece.received_ms).collect();
    let moved = lie.remove(at);
    lie.insert(at + 2, moved);
    lie.iter_mut().zip(times).for_each(|(piece, received_ms)| piece.received_ms = received_ms);
    assert_eq!(world.verified(&lie, &[]), "root: seen", "those who signed after it had seen it");
}

#[test]
fn thirteen_an_assessment_altered() {
    let world = World::new();
    let mut told: v1::Assessment = prost::Message::decode(world.answer.as_slice()).unwrap();
    told.first_line = "Nothing stands in the way.".to_owned();
    let altered = prost::Message::encode_to_vec(&told);
    // The service signs its own fact anew, over the digest of the altered answer.
    let mut lie = world.pieces.clone();
    let at = world.position(|kind| matches!(kind, Kind::QuestionAnswered(_)));
    let header = signed(&lie[at]).header().clone();
    let kind = answered(&altered, told.as_of.unwrap().size);
    lie[at].envelope = Signed::sign(header, kind, world.book.service_key()).bytes().to_vec();
    // Those who came later had seen the true log: the pack is given out as it stood before them.
    let head = lie.last().unwrap().clone();
    lie.truncate(at + 1);
    lie.push(world.book.resigned_head(&head, &lie));
    let blob = |content: &[u8]| PackedBlob { salt: vec![], content: content.to_vec() };
    let made = world.rebuilt(&lie).pack(vec![blob(CONTRACT), blob(&altered)]);
    assert_eq!(world.unpacked(&made, None), "assessment: assessment");
}

#[test]
fn fourteen_a_link_that_skips_a_fact() {
    let world = World::new();
    let skipping = |entry: &mut Entry| {
        let link = entry.links.iter_mut().find(|link| matches!(link.subject, Subject::Aircraft(_))).unwrap();
        link.ordinal -= 1;
        (link.previous_index, link.previous_hash) = (0, Hash::ZERO);
    };
    let mut lie = world.pieces.clone();
    let last = lie.len() - 1;
    lie[last].tweak = Some(skipping);
    assert_eq!(world.verified(&lie, &[]), "link: subjects");
    assert_eq!(world.unpacked(&world.packed(&lie), None), "link: subjects");
}

#[test]
fn fifteen_a_fact_linked_to_another_aircraft() {
    let world = World::new();
    let elsewhere = |entry: &mut Entry| {
        let link = entry.links.iter_mut().find(|link| matches!(link.subject, Subject::Aircraft(_))).unwrap();
        link.subject = Subject::Aircraft(OTHER);
        (link.ordinal, link.previous_index, link.previous_hash) = (0, 0, Hash::ZERO);
    };
    let mut lie = world.pieces.clone();
    lie[world.position(is_reading(303))].tweak = Some(elsewhere);
    assert_eq!(world.verified(&lie, &[]), "link: subjects");
    assert_eq!(world.unpacked(&world.packed(&lie), None), "link: subjects");
}

#[test]
fn sixteen_times_received_moved_against_the_cosignatures() {
    let world = World::new();
    // A witness saw the first groups an hour before the rest is said to have come; the log says another time of each side.
    let (held, _) = world.held(3, Some(world.pieces[8].received_ms / 1000 + 3600));
    let mut later = world.pieces.clone();
    assert_eq!(
        world.verified(&later, std::slice::from_ref(&held)),
        "chain: time received",
        "entries after it, moved back"
    );
    later[8..].iter_mut().for_each(|piece| piece.received_ms += 3_600_000);
    assert_ne!(world.verified(&later, std::slice::from_ref(&held)), "chain: time received");
    let (held, _) = world.held(3, Some(world.pieces[8].received_ms / 1000 - 3600));
    assert_eq!(world.verified(&world.pieces, &[held]), "chain: time received", "entries before it, moved on");
}

#[test]
fn seventeen_a_checkpoint_signed_by_another_key() {
    let world = World::new();
    let dir = tempfile::tempdir().unwrap();
    let mut lie = world.rebuilt(&world.pieces);
    let (end, note) = lie.notes.last_mut().unwrap();
    let checkpoint = Checkpoint::read_unverified(note).unwrap();
    *note = checkpoint.sign(&key::generate());
    assert_eq!(*end, lie.entries.len());
    lie.write(dir.path());
    let key = world.book.verifier_key();
    let told = check(dir.path(), &Asked { log_key: Some(&key), ..Asked::default() }, &mut |_| {});
    assert_eq!(named(told.map(|_| ())), "root: checkpoint");
}

#[test]
fn eighteen_an_attachment_replaced_and_one_withheld() {
    let world = World::new();
    let mut made = world.packed(&world.pieces);
    made.blobs[0].content.push(b'!');
    made.blobs.sort_by_key(PackedBlob::digest);
    assert_eq!(world.unpacked(&made, None), "blob: blob");
    let mut made = world.packed(&world.pieces);
    made.blobs.remove(0);
    assert_eq!(world.unpacked(&made, None), "blob: blob");
}

#[test]
fn nineteen_a_state_that_a_signer_had_seen_withheld() {
    let world = World::new();
    let mut made = world.packed(&world.pieces);
    made.views.pop();
    assert_eq!(world.unpacked(&made, None), "root: seen");
}

#[test]
fn twenty_an_entry_left_out_of_a_pack() {
    let world = World::new();
    let mut made = world.packed(&world.pieces);
    made.entries.remove(3);
    assert_eq!(world.unpacked(&made, None), "link: subjects");
}
