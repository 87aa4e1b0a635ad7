//! Who gets in, and what becomes of every fact that is sent: the outcomes, provoked by facts forged in a station's own
//! outbox so that the chain behind them fits.

use rinsebook_client::enrol;
use rinsebook_client::home::Home;
use rinsebook_client::outbox::Item;
use rinsebook_client::remote;
use rinsebook_client::rpc::intake_client::IntakeClient;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_client::station::{Draft, Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_client::verify::pack::AskedOfPack;
use rinsebook_client::verify::{Asked, check};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::clock::Clock;
use rinsebook_proto::fact::{Header, Kind, Seen, Signed, Subject};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::v1;
use rinsebook_tests::folder::copy_dir;
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash, all_well, disconnected, reconnected};
use tonic::Code;

async fn deliver(address: &str, ca: &str, identity: Option<(String, String)>, report: Vec<u8>) -> tonic::Status {
    let channel = remote::connect_as(address, ca, identity).await.unwrap();
    let hello = v1::DeliverRequest { message: Some(v1::deliver_request::Message::Hello(v1::Hello { report })) };
    match IntakeClient::new(channel).deliver(tokio_stream::iter([hello])).await {
        Err(status) => status,
        Ok(answer) => answer.into_inner().message().await.expect_err("it must be refused"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn intake_refuses_no_certificate_an_unknown_one_and_another_device_s_report() {
    let mut shop = Shop::open().await.unwrap();
    let station = shop.station("ramp-1").await.unwrap();
    let (address, ca) = (station.home.about.address.clone(), station.home.ca_pem().unwrap());
    let report = station.report().unwrap();

    let nobody = deliver(&address, &ca, None, report.clone()).await;
    assert_eq!(nobody.code(), Code::Unauthenticated, "{nobody}");

    // A certificate of our own authority, for a device that nobody enrolled.
    let stranger = shop.new_home("stranger").unwrap();
    enrol::issue_certificate(&stranger, &shop.authority_dir().unwrap()).unwrap();
    let unknown = deliver(&address, &ca, Some(stranger.tls_identity().unwrap()), report.clone()).await;
    assert_eq!(unknown.code(), Code::PermissionDenied, "{unknown}");

    let desk = shop.desk.home.tls_identity().unwrap();
    let other = deliver(&address, &ca, Some(desk), report).await;
    assert_eq!(other.code(), Code::PermissionDenied, "{other}");
    assert!(other.message().contains("another device"), "{other}");
}

#[tokio::test(flavor = "multi_thread")]
async fn reading_needs_the_certificate_of_an_enrolled_device() {
    let shop = Shop::open().await.unwrap();
    let home = &shop.desk.home;
    let channel = remote::connect_as(&home.about.address, &home.ca_pem().unwrap(), None).await.unwrap();
    let refused = OpenItemsClient::new(channel).list_items(v1::ListItemsRequest::default()).await.unwrap_err();
    assert_eq!(refused.code(), Code::Unauthenticated);
}

/// Forges facts at the station's next places.
struct Forge<'a> {
    station: &'a Station,
    run: Id,
    counter: u64,
    previous: Hash,
}

impl Forge<'_> {
    fn at(station: &Station) -> Forge<'_> {
        let (run, counter, previous) = station.place();
        Forge { station, run, counter, previous }
    }

    fn fact(&self, draft: Draft, signer: &SigningKey, change: impl FnOnce(&mut Header)) -> Vec<u8> {
        let mut subjects = draft.subjects;
        subjects.sort();
        let mut header = Header {
            record: self.station.record(),
            device: self.station.home.device,
            run: self.run,
            counter: self.counter,
            previous: self.previous,
            author_key: key::key_id(&signer.verifying_key()),
            happened_ms: draft.happened_ms,
            recorded_ms: draft.happened_ms,
            clock_offset_ms: None,
            clock_measured_ms: None,
            seen: Seen::nothing(),
            card: None,
            subjects,
            refers: draft.refers,
        };
        change(&mut header);
        Signed::sign(header, draft.kind, signer).bytes().to_vec()
    }

    fn put(&mut self, envelope: Vec<u8>) -> Item {
        let item = Item { run: self.run, counter: self.counter, envelope };
        self.counter += 1;
        self.previous = item.hash();
        item
    }
}

fn refusal<'a>(station: &'a Station, item: &Item) -> &'a str {
    match station.receipt(&item.hash()) {
        Some(Receipt::Refused(why)) => why,
        other => panic!("refused was expected: {other:?}"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn damaged_changed_foreign_and_oversized_facts_are_refused_by_name_and_what_stands_behind_them_goes_on() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    let signer = &shop.technician.key;
    let draft = || wash.on(1, disconnected("PS-1"), MORNING_MS);

    let mut forge = Forge::at(&station);
    let mut cut = forge.fact(draft(), signer, |_| {});
    cut.truncate(cut.len() - 9);
    let cut = forge.put(cut);
    let mut changed = forge.fact(draft(), signer, |_| {});
    let at = changed.windows(4).position(|w| w == b"PS-1").unwrap();
    changed[at + 3] = b'2';
    let changed = forge.put(changed);
    let foreign = forge.fact(draft(), signer, |header| header.record = Hash::of(b"another record"));
    let foreign = forge.put(foreign);
    let oversized = forge.put(vec![7; 20_000]);
    let good = forge.fact(draft(), signer, |_| {});
    let good = forge.put(good);
    let items = vec![cut.clone(), changed.clone(), foreign.clone(), oversized.clone(), good.clone()];
    station.append(items).unwrap();

    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.admitted, report.refused.len(), report.left), (2, 4, 0), "{report:?}");
    assert!(refusal(&station, &cut).contains("damaged"));
    assert!(refusal(&station, &changed).contains("signature"));
    assert!(refusal(&station, &foreign).contains("another record"));
    assert!(refusal(&station, &oversized).contains("larger than 16 KiB"));
    assert!(matches!(station.receipt(&good.hash()), Some(Receipt::InLog(..))));
    let unread = shop.open_items().await.unwrap().iter().filter(|i| i.starts_with("unread-fact")).count();
    assert_eq!(unread, 4, "each refusal blocks the wash that its station signs in");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fork_is_recorded_once_and_a_gap_asks_for_the_missing_place() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let forge = Forge::at(&station);
    let fork = forge.fact(wash.on(2, disconnected("PS-1"), MORNING_MS), &shop.technician.key, |_| {});
    let fork = Item { run: forge.run, counter: forge.counter, envelope: fork };
    let opened = wash.opened(&shop, MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    station.append(vec![fork.clone()]).unwrap();
    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!(report.refused.len(), 1);
    assert!(refusal(&station, &fork).contains("two copies"));

    let mut forge = Forge::at(&station);
    forge.counter += 1;
    let ahead = forge.fact(wash.on(1, reconnected("PS-1"), MORNING_MS), &shop.technician.key, |_| {});
    let ahead = Item { run: forge.run, counter: forge.counter, envelope: ahead };
    station.append(vec![ahead.clone()]).unwrap();
    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.admitted, report.left), (0, 1), "it waits for the place before it");
    assert!(station.receipt(&ahead.hash()).is_none());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fact_by_a_key_not_enrolled_yet_blocks_unread_and_one_from_a_fast_clock_is_noted() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let newcomer = key::generate();
    let line = wash.on(1, disconnected("PS-1"), MORNING_MS);
    station.sign_card(&newcomer, vec![line]).unwrap();
    let ahead = wash.on(2, disconnected("PS-1"), shop.clock.wall_ms() + 600_000);
    station.sign_card(&shop.technician.key, vec![ahead]).unwrap();
    let report = sync(&mut station, 3).await.unwrap();
    assert_eq!((report.admitted, report.notes.len()), (2, 2), "{report:?}");
    assert!(report.notes.iter().any(|n| n.contains("not enrolled yet")));
    assert!(report.notes.iter().any(|n| n.contains("date and time")));
    let open = shop.open_items().await.unwrap();
    assert!(open.iter().any(|i| i.starts_with("unread-fact")), "{open:?}");
    assert!(open.contains(&"line-disconnected 1 PS-1".to_owned()), "what opens, opens: {open:?}");

    let person = Id::random();
    let now = shop.clock.wall_ms();
    let enrolled = v1::PersonEnrolled { person: person.to_vec(), ..v1::PersonEnrolled::default() };
    let drafts = vec![
        enrol::roster_fact(Kind::PersonEnrolled(enrolled), vec![], now),
        enrol::roster_fact(Kind::KeyEnrolled(enrol::person_key(person, &newcomer)), vec![], now),
        enrol::grant(person, v1::Authority::Perform, now),
    ];
    shop.desk.sign_card(&shop.custodian.key, drafts).unwrap();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    let open = shop.open_items().await.unwrap();
    assert!(!open.iter().any(|i| i.starts_with("unread-fact")), "{open:?}");
    assert!(open.contains(&"line-disconnected 1 PS-1".to_owned()), "{open:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fact_waits_for_the_text_that_it_names() {
    let mut shop = Shop::open().await.unwrap();
    let missing = Hash::of(b"a text that nobody keeps");
    let kind = Kind::DefectRaised(v1::DefectRaised {
        engine: None,
        line: String::new(),
        text: Some(v1::AttachmentRef { digest: missing.to_vec() }),
    });
    let subjects = vec![Subject::Aircraft(shop.aircraft)];
    let draft = Draft { happened_ms: MORNING_MS, kind, subjects, refers: vec![] };
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    let report = sync(&mut shop.desk, 3).await.unwrap();
    assert_eq!((report.admitted, report.left), (0, 1));
    shop.desk.keep_blob(b"a text that nobody keeps", false).unwrap();
    let report = sync(&mut shop.desk, 3).await.unwrap();
    assert_eq!((report.admitted, report.left), (1, 0));
}

/// Sends blobs alone; how many are said to be kept.
async fn bring(station: &Station, blobs: Vec<v1::Blob>) -> usize {
    let channel = remote::connect(&station.home).await.unwrap();
    let message = |message| v1::DeliverRequest { message: Some(message) };
    let report = station.report().unwrap();
    let messages = [
        message(v1::deliver_request::Message::Hello(v1::Hello { report })),
        message(v1::deliver_request::Message::Blobs(v1::Blobs { blobs })),
    ];
    let mut answers = IntakeClient::new(channel).deliver(tokio_stream::iter(messages)).await.unwrap().into_inner();
    answers.message().await.unwrap();
    match answers.message().await.unwrap().and_then(|answer| answer.message) {
        Some(v1::deliver_response::Message::BlobsKept(kept)) => kept.digests.len(),
        other => panic!("{other:?}"),
    }
}

/// What the service answers to the station's next fact, sent without its blobs.
async fn delivered(station: &Station, item: &Item) -> v1::outcome::Result {
    let channel = remote::connect(&station.home).await.unwrap();
    let message = |message| v1::DeliverRequest { message: Some(message) };
    let report = station.report().unwrap();
    let (run, counter, envelope) = (item.run.to_vec(), item.counter, item.envelope.clone());
    let items = vec![v1::IntakeItem { run, counter, envelope }];
    let messages = [
        message(v1::deliver_request::Message::Hello(v1::Hello { report })),
        message(v1::deliver_request::Message::Facts(v1::Facts { items })),
    ];
    let mut answers = IntakeClient::new(channel).deliver(tokio_stream::iter(messages)).await.unwrap().into_inner();
    answers.message().await.unwrap();
    match answers.message().await.unwrap().and_then(|answer| answer.message) {
        Some(v1::deliver_response::Message::Outcomes(mut told)) => told.outcomes.remove(0).result.unwrap(),
        other => panic!("{other:?}"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_blob_brought_in_the_other_form_satisfies_no_fact_and_keeps_nobody_from_bringing_the_right_one() {
    let mut shop = Shop::open().await.unwrap();
    let (signer, salt) = (shop.custodian.key.clone(), vec![7; 16]);
    let annex = |content: &[u8]| v1::Blob { salt: salt.clone(), content: content.to_vec() };
    let attachment = |content: &[u8]| v1::Blob { salt: vec![], content: [&salt[..], content].concat() };
    let digest = |blob: &v1::Blob| Hash::of_parts(&[&blob.salt, &blob.content]);
    let text = |blob: &v1::Blob| Some(v1::AttachmentRef { digest: digest(blob).to_vec() });
    let cases = [
        // An annex whose digest was brought as an attachment, and the other way round.
        (attachment(b"a word"), annex(b"a word"), {
            let text = Some(v1::AnnexRef { digest: digest(&annex(b"a word")).to_vec() });
            Kind::Remark(v1::Remark { text })
        }),
        (annex(b"a text"), attachment(b"a text"), {
            let text = text(&attachment(b"a text"));
            Kind::DefectRaised(v1::DefectRaised { engine: None, line: String::new(), text })
        }),
    ];
    for (wrong, right, kind) in cases {
        assert_eq!(bring(&shop.desk, vec![wrong.clone()]).await, 1);
        let subjects = vec![Subject::Aircraft(shop.aircraft)];
        let draft = Draft { happened_ms: MORNING_MS, kind, subjects, refers: vec![] };
        let mut forge = Forge::at(&shop.desk);
        let envelope = forge.fact(draft, &signer, |_| {});
        let item = forge.put(envelope);
        match delivered(&shop.desk, &item).await {
            v1::outcome::Result::Refused(refused) => {
                assert_eq!(refused.reason(), v1::RefusalReason::BlobMissing);
                assert_eq!(refused.missing_digests, [digest(&right).to_vec()]);
                let salt = format!("a salt of {} bytes", right.salt.len());
                assert!(refused.recorded_index.is_none() && refused.message.contains(&salt), "{refused:?}");
            }
            other => panic!("{other:?}"),
        }
        // The wrong form again changes nothing; the right one is kept beside it, and the fact is taken.
        assert_eq!(bring(&shop.desk, vec![wrong.clone(), right.clone()]).await, 2);
        assert!(matches!(delivered(&shop.desk, &item).await, v1::outcome::Result::Admitted(_)));
        shop.desk.append(vec![item]).unwrap();
        shop.desk.keep(&right).unwrap();
        all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
        for blob in [wrong, right] {
            let channel = remote::connect(&shop.desk.home).await.unwrap();
            let request = v1::GetBlobRequest { digest: digest(&blob).to_vec(), salted: Some(!blob.salt.is_empty()) };
            let given = RecordsClient::new(channel).get_blob(request).await.unwrap().into_inner();
            assert_eq!((given.salt, given.content), (blob.salt, blob.content));
        }
    }
    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let about = Some(v1::issue_pack_request::About::Aircraft(shop.aircraft.to_vec()));
    let request = v1::IssuePackRequest { about, issued_to: "an auditor".to_owned(), purpose: String::new() };
    let made = rinsebook_client::query::pack::issued(channel, request).await.unwrap();
    rinsebook_client::verify::pack::pack(&made, &AskedOfPack::default()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let blobs = shop.data().join("blobs");
    let asked = Asked { blobs: Some(&blobs), ..Asked::default() };
    check(&shop.data().join("log"), &asked, &mut |_| {}).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pack_whose_words_no_fact_can_hold_is_not_issued_and_the_log_stays_readable() {
    let mut shop = Shop::open().await.unwrap();
    let aircraft = shop.aircraft.to_vec();
    let ask = async |home: &Home, (issued_to, purpose): (usize, usize)| {
        let channel = remote::connect(home).await.unwrap();
        let about = Some(v1::issue_pack_request::About::Aircraft(aircraft.clone()));
        let request = v1::IssuePackRequest { about, issued_to: "a".repeat(issued_to), purpose: "p".repeat(purpose) };
        rinsebook_client::query::pack::issued(channel, request).await
    };
    let size = shop.service.as_ref().unwrap().entries();
    for words in [(33_000, 0), (9, 33_000), (20_000, 20_000), (9, 70_000), (9, 1_000_000)] {
        let told = ask(&shop.desk.home, words).await.unwrap_err().to_string();
        // The longest are not even read.
        let why = if words.1 < 65_000 { "a fact holds 32768; write less" } else { "message length too large" };
        assert!(told.contains(why), "{words:?}: {told}");
    }
    assert_eq!(shop.service.as_ref().unwrap().entries(), size, "nothing of them was recorded");
    // As many as there may be: the error says what would be taken.
    let told = ask(&shop.desk.home, (9, 32_768)).await.unwrap_err().to_string();
    let (_, bytes) = told.split_once("would take ").unwrap();
    let over: usize = bytes.split(' ').next().unwrap().parse::<usize>().unwrap() - 32_768;
    assert!(ask(&shop.desk.home, (9, 32_769 - over)).await.is_err());
    let made = ask(&shop.desk.home, (9, 32_768 - over)).await.unwrap();
    rinsebook_client::verify::pack::pack(&made, &AskedOfPack::default()).unwrap();
    // The service reads its log again, and so does whoever checks it.
    shop.restart(&mut []).await.unwrap();
    let good = ask(&shop.desk.home, (9, 9)).await.unwrap();
    rinsebook_client::verify::pack::pack(&good, &AskedOfPack::default()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    check(&shop.data().join("log"), &Asked::default(), &mut |_| {}).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_says_to_have_seen_another_log_is_taken_and_told_beside_a_good_verdict_of_log_and_pack() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let (wash, signer) = (Wash::of(shop.aircraft), shop.technician.key.clone());
    station.sign_card(&signer, vec![wash.opened(&shop, MORNING_MS)]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let size = shop.service.as_ref().unwrap().entries();
    let another = [
        Seen { epoch: 1, size: size - 1, root: Hash::of(b"another log") },
        Seen { epoch: 1, size: u64::MAX, root: Hash::ZERO },
        Seen { epoch: u32::MAX, size, root: Hash::ZERO },
        Seen { epoch: 1, size: 0, root: Hash::ZERO },
    ];
    let mut forge = Forge::at(&station);
    let items: Vec<Item> = another
        .into_iter()
        .map(|seen| {
            let envelope = forge.fact(wash.on(1, disconnected("PS-1"), MORNING_MS), &signer, |h| h.seen = seen);
            forge.put(envelope)
        })
        .collect();
    station.append(items).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    let device = station.home.device;

    let channel = remote::connect(&shop.desk.home).await.unwrap();
    let about = Some(v1::issue_pack_request::About::Aircraft(shop.aircraft.to_vec()));
    let request = v1::IssuePackRequest { about, issued_to: "an auditor".to_owned(), purpose: String::new() };
    let made = rinsebook_client::query::pack::issued(channel, request).await.unwrap();
    let of_pack = rinsebook_client::verify::pack::pack(&made, &AskedOfPack::default()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let of_log = check(&shop.data().join("log"), &Asked::default(), &mut |_| {}).unwrap();
    for found in [of_pack.seen_otherwise, of_log.seen_otherwise] {
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].device, found[0].facts), (device, 4), "{found:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_key_enrolled_by_a_former_custodian_is_told_unread_and_by_a_custodian_in_office_is_not() {
    for withdrawn in [false, true] {
        let mut shop = Shop::open().await.unwrap();
        let now = shop.clock.wall_ms();
        let grant = enrol::grant(shop.inspector.id, v1::Authority::Custody, now);
        let grant = shop.desk.sign_card(&shop.custodian.key, vec![grant]).unwrap();
        all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
        if withdrawn {
            let kind = Kind::AuthorityWithdrawn(v1::AuthorityWithdrawn { reason: "left the office".to_owned() });
            let mut draft = enrol::roster_fact(kind, vec![], now);
            draft.refers = grant;
            shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
            all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
        }
        let (newcomer, person) = (key::generate(), Id::random());
        let kind = Kind::KeyEnrolled(enrol::person_key(person, &newcomer));
        shop.desk.sign_card(&shop.inspector.key, vec![enrol::roster_fact(kind, vec![], now)]).unwrap();
        all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
        let line = Wash::of(shop.aircraft).on(1, disconnected("PS-1"), now);
        shop.desk.sign_card(&newcomer, vec![line]).unwrap();
        let report = sync(&mut shop.desk, 3).await.unwrap();
        let unread = report.notes.iter().any(|note| note.contains("not enrolled yet"));
        assert_eq!((report.admitted, unread), (1, withdrawn), "{report:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_whose_report_key_is_not_proved_is_not_taken() {
    let mut shop = Shop::open().await.unwrap();
    let home = shop.new_home("unproved").unwrap();
    let digest = enrol::issue_certificate(&home, &shop.authority_dir().unwrap()).unwrap();
    let mut enrolled = enrol::device(&home, digest, "North ramp").unwrap();
    enrolled.possession[0] ^= 1;
    let also = vec![Subject::Device(home.device)];
    let draft = enrol::roster_fact(Kind::DeviceEnrolled(enrolled), also, shop.clock.wall_ms());
    shop.desk.sign_card(&shop.custodian.key, vec![draft]).unwrap();
    all_well(&sync(&mut shop.desk, 3).await.unwrap()).unwrap();
    let mut station = Station::open(home, shop.clock.clone()).unwrap();
    assert!(sync(&mut station, 1).await.is_err(), "its report proves nothing");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_hands_no_fact_to_a_log_that_went_back() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    let older = shop.dir.join("older");
    copy_dir(&shop.data(), &older);

    shop.restart(&mut [&mut station]).await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened]).unwrap();
    all_well(&sync(&mut station, 3).await.unwrap()).unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    std::fs::remove_dir_all(shop.data()).unwrap();
    copy_dir(&older, &shop.data());

    shop.restart(&mut [&mut station]).await.unwrap();
    // A new run, which the older log would take without a question.
    let home = station.home.clone();
    drop(station);
    let mut station = Station::open(home, shop.clock.clone()).unwrap();
    let line = wash.on(1, disconnected("PS-1"), MORNING_MS);
    let signed = station.sign_card(&shop.technician.key, vec![line]).unwrap();
    let stopped = sync(&mut station, 1).await.unwrap_err();
    assert!(matches!(stopped, rinsebook_client::ClientError::Diverged(_)), "{stopped}");
    assert_eq!(station.receipt(&signed[0]), None, "nothing was handed over");
    assert!(!shop.open_items().await.unwrap().contains(&"line-disconnected 1 PS-1".to_owned()));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_whose_wall_clock_was_set_blocks_every_answer_until_the_custodian_confirms_its_clock() {
    let mut shop = Shop::open().await.unwrap();
    assert_eq!(shop.assess().await.unwrap().verdict, v1::Verdict::NothingOpen as i32);
    let clear = async |shop: &mut Shop| {
        sync(&mut shop.desk, 3).await.unwrap();
        let answer = shop.assess().await.unwrap();
        let in_doubt = answer.first_line.contains("the service's clock is in doubt");
        assert_eq!(answer.verdict == v1::Verdict::Blocked as i32, in_doubt, "{}", answer.first_line);
        !in_doubt
    };
    let confirm = |shop: &mut Shop, signer: &SigningKey| {
        let confirmed = v1::ClockConfirmed { from_index: 0, method: "the tower's clock".to_owned() };
        let now = shop.clock.wall_ms();
        let draft = enrol::roster_fact(Kind::ClockConfirmed(confirmed), vec![], now);
        shop.desk.sign_card(signer, vec![draft]).unwrap();
    };
    shop.clock.set_wall_alone(shop.clock.wall_ms() + 120_000);
    assert!(clear(&mut shop).await, "two minutes are not enough");
    shop.clock.set_wall_alone(shop.clock.wall_ms() + 1);
    assert!(!clear(&mut shop).await);
    shop.clock.set_wall_alone(shop.clock.wall_ms() - 120_001);
    assert!(!clear(&mut shop).await, "setting it back proves nothing");
    shop.clock.set_wall_alone(shop.clock.wall_ms() + 600_000);
    let technician = shop.technician.key.clone();
    confirm(&mut shop, &technician);
    assert!(!clear(&mut shop).await, "a technician has no say in it");
    let custodian = shop.custodian.key.clone();
    confirm(&mut shop, &custodian);
    assert!(clear(&mut shop).await);
    assert!(clear(&mut shop).await, "the service compares with what was confirmed from here on");
    shop.clock.set(shop.clock.wall_ms() + 3_600_000);
    assert!(clear(&mut shop).await, "an hour passes on both clocks");
    shop.clock.set_wall_alone(shop.clock.wall_ms() - 600_000);
    assert!(!clear(&mut shop).await, "back at the first base it is off by ten minutes");
    let now = shop.clock.wall_ms();
    shop.restart(&mut []).await.unwrap();
    assert_eq!(shop.clock.wall_ms(), now);
    assert!(!clear(&mut shop).await, "a new start takes no doubt away");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_whose_clock_was_set_back_shows_all_that_is_recorded_at_once() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    let opened = wash.opened(&shop, MORNING_MS);
    let line = wash.on(1, disconnected("PS-1"), MORNING_MS);
    station.sign_card(&shop.technician.key, vec![opened, line]).unwrap();
    sync(&mut station, 2).await.unwrap();
    let open = "line-disconnected 1 PS-1".to_owned();
    assert!(shop.open_items().await.unwrap().contains(&open));
    shop.clock.set_wall_alone(MORNING_MS - 3_600_000);
    assert!(shop.open_items().await.unwrap().contains(&open), "nothing is appended yet that would tell of the doubt");
    assert_eq!(shop.assess().await.unwrap().verdict, v1::Verdict::Blocked as i32);
}
