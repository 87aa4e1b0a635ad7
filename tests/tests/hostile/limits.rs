//! Each limit, met: who meets it is told, with a hint that is good, and nothing of theirs is lost.

use std::time::Duration;

use rinsebook_client::rpc::intake_client::IntakeClient;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_client::station::Station;
use rinsebook_client::sync::sync;
use rinsebook_client::{ClientError, remote};
use rinsebook_proto::v1::{self, deliver_request::Message};
use rinsebook_service::limits::Limits;
use rinsebook_tests::shop::{Shop, Wash, all_well};
use rinsebook_tests::web::Browser;
use rinsebook_tests::wire::{self, is_closed};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Code, Status, Streaming};
use tonic_types::StatusExt;

use super::{all_recorded, sign, with_limits};

/// What somebody is told who meets a limit: the time to wait.
fn hint(status: &Status) -> Duration {
    assert_eq!(status.code(), Code::ResourceExhausted, "{status:?}");
    assert_eq!(status.get_details_error_info().unwrap().reason, "BUSY");
    status.get_details_retry_info().and_then(|info| info.retry_delay).expect("a hint when to try again")
}

fn port(shop: &Shop) -> u16 {
    shop.service.as_ref().unwrap().address.port()
}

#[tokio::test(flavor = "multi_thread")]
async fn who_calls_too_often_is_told_after_what_time_to_call_again_and_nobody_else_is() {
    let mut shop = Shop::open().await.unwrap();
    with_limits(&mut shop, Limits { calls_a_second: 2, calls_burst: 6, ..Limits::default() }, &mut []).await;
    let ca_pem = shop.desk.home.ca_pem().unwrap();
    let stranger = remote::connect_as(&shop.desk.home.about.address, &ca_pem, None).await.unwrap();
    let mut ledger = LedgerClient::new(stranger);
    let mut answered = 0;
    let status = loop {
        match ledger.get_identity(v1::GetIdentityRequest {}).await {
            Ok(_) => answered += 1,
            Err(status) => break status,
        }
    };
    assert!(answered >= 6, "{answered}");
    let browser = Browser { port: port(&shop), ca_pem, identity: None };
    let page = browser.get("/sign-in", &[]).await.unwrap();
    assert_eq!(page.status, 429, "the same caller, by its address: {page:?}");
    assert!(page.header("retry-after").unwrap().parse::<u64>().unwrap() >= 1);
    let device = remote::connect(&shop.desk.home).await.unwrap();
    LedgerClient::new(device).get_identity(v1::GetIdentityRequest {}).await.expect("another caller");
    tokio::time::sleep(hint(&status)).await;
    ledger.get_identity(v1::GetIdentityRequest {}).await.expect("the hint is good");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_that_sends_faster_than_is_taken_waits_as_it_is_told_and_loses_and_doubles_nothing() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let limits = Limits { facts_a_second: 100, facts_burst: 100, ..Limits::default() };
    with_limits(&mut shop, limits, &mut [&mut station]).await;
    let wash = Wash::of(shop.aircraft);
    for card in 0..5 {
        sign(&mut station, &shop.technician.key, &wash, &card.to_string(), 50);
    }
    let told = sync(&mut station, 1).await.unwrap_err();
    let ClientError::Busy { wait, .. } = &told else { panic!("{told:?}") };
    assert!(*wait > Duration::ZERO && *wait <= Duration::from_secs(1), "{told:?}");
    assert!(!station.unsent().is_empty(), "or the limit was not met");
    let report = sync(&mut station, 100).await.unwrap();
    assert_eq!((report.left, report.refused.len()), (0, 0), "{report:?}");
    assert_eq!(all_recorded(&station), 250);
}

/// An intake stream by hand.
struct Stream {
    send: mpsc::Sender<v1::DeliverRequest>,
    answers: Streaming<v1::DeliverResponse>,
}

impl Stream {
    async fn open(station: &Station) -> Result<Stream, Status> {
        let (send, messages) = mpsc::channel(1);
        let channel = remote::connect(&station.home).await.unwrap();
        let answers = IntakeClient::new(channel).deliver(ReceiverStream::new(messages)).await?.into_inner();
        Ok(Stream { send, answers })
    }

    async fn ask(&mut self, message: Message) -> Result<Option<v1::DeliverResponse>, Status> {
        // The stream may have ended; its last answer says why.
        let _ = self.send.send(v1::DeliverRequest { message: Some(message) }).await;
        self.answers.message().await
    }
}

fn facts(count: usize, bytes: usize) -> Message {
    let item = v1::IntakeItem { run: vec![1; 16], counter: 0, envelope: vec![7; bytes] };
    Message::Facts(v1::Facts { items: vec![item; count] })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_has_so_many_intake_streams_and_no_more_until_one_ends() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let mut other = shop.station("ramp-2").await.unwrap();
    let limits = Limits { intake_streams_a_device: 1, ..Limits::default() };
    with_limits(&mut shop, limits, &mut [&mut station, &mut other]).await;
    let held = Stream::open(&station).await.unwrap();
    hint(&Stream::open(&station).await.err().unwrap());
    drop(Stream::open(&other).await.expect("another device's own"));
    drop(held);
    // The service learns of it when the network tells it.
    for _ in 0..200 {
        match Stream::open(&station).await {
            Ok(_) => return,
            Err(status) => hint(&status).min(Duration::from_millis(20)),
        };
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("the place did not come back");
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_that_are_too_large_or_hold_too_much_are_refused_and_the_service_goes_on() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let mut stream = Stream::open(&station).await.unwrap();
    let told = stream.ask(facts(1025, 1)).await.unwrap_err();
    assert!(told.code() == Code::InvalidArgument && told.message().contains("1024"), "{told:?}");
    let mut stream = Stream::open(&station).await.unwrap();
    assert!(stream.ask(facts(5, 1 << 20)).await.is_err(), "more than 4 MiB");
    let channel = remote::connect(&station.home).await.unwrap();
    let request = v1::GetBlobRequest { digest: vec![1; 100 << 10], salted: Some(false) };
    let told = RecordsClient::new(channel).get_blob(request).await.unwrap_err();
    assert_eq!(told.code(), Code::OutOfRange, "{told:?}");
    all_well(&sync(&mut station, 1).await.unwrap()).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reader_that_does_not_read_is_dropped_and_is_told_that_what_it_has_is_not_all() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    for card in 0..20 {
        sign(&mut station, &shop.technician.key, &wash, &card.to_string(), 50);
    }
    sync(&mut station, 3).await.unwrap();
    for (reader_seconds, whole) in [(1, false), (60, true)] {
        with_limits(&mut shop, Limits { reader_seconds, ..Limits::default() }, &mut [&mut station]).await;
        let entries = shop.service.as_ref().unwrap().entries();
        let (ca_pem, identity) = (station.home.ca_pem().unwrap(), station.home.tls_identity().unwrap());
        let channel = wire::channel("127.0.0.1", port(&shop), &ca_pem, &identity, 16 << 10).await.unwrap();
        let mut answers = LedgerClient::new(channel).read_entries(v1::ReadEntriesRequest::default()).await.unwrap();
        tokio::time::sleep(Duration::from_secs(4)).await;
        let (mut read, answers) = (0, answers.get_mut());
        let ended = loop {
            match answers.message().await {
                Ok(Some(some)) => read += some.entries.len() as u64,
                Ok(None) => break None,
                Err(status) => break Some(status.code()),
            }
        };
        if whole {
            assert_eq!((read, ended), (entries, None), "a slow reader gets all of it");
        } else {
            assert!(read < entries && ended == Some(Code::Aborted), "{read} of {entries}, {ended:?}");
        }
    }
}

/// Looks a hundred times at the most; a busy machine takes connections in, and closes them, when it comes to it.
const LOOKS: usize = 100;

/// How many of so many connections from one address stay open, none of which shakes hands; `wanted` are expected to.
async fn held_open(shop: &Shop, count: usize, wanted: usize) -> usize {
    let mut connections = Vec::new();
    for _ in 0..count {
        connections.push(wire::tcp("127.0.1.1", port(shop)).await.unwrap());
    }
    let mut open = 0;
    for _ in 0..LOOKS {
        tokio::time::sleep(Duration::from_millis(500)).await;
        open = 0;
        for connection in &connections {
            open += usize::from(!is_closed(connection).await);
        }
        if open <= wanted {
            break;
        }
    }
    open
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_connections_from_one_address_few_stay_open_and_all_do_without_the_limit() {
    let mut shop = Shop::open().await.unwrap();
    let few = Limits { handshakes_an_address: 10, header_seconds: 600, ..Limits::default() };
    with_limits(&mut shop, few.clone(), &mut []).await;
    assert_eq!(held_open(&shop, 100, 10).await, 10);
    // The control: without the limit, the same check sees all of them.
    with_limits(&mut shop, Limits { handshakes_an_address: 1000, handshakes: 1000, ..few }, &mut []).await;
    assert_eq!(held_open(&shop, 100, 100).await, 100);
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_take_no_place_of_those_who_show_a_certificate() {
    let mut shop = Shop::open().await.unwrap();
    let mut station = shop.station("ramp-1").await.unwrap();
    let limits = Limits { strangers: 2, strangers_an_address: 2, ..Limits::default() };
    with_limits(&mut shop, limits, &mut [&mut station]).await;
    let ca_pem = shop.desk.home.ca_pem().unwrap();
    let mut held = Vec::new();
    for _ in 0..8 {
        held.extend(wire::tls("127.0.0.1", port(&shop), &ca_pem).await.ok());
    }
    let all = held.len();
    for _ in 0..LOOKS {
        let mut open = Vec::new();
        for mut connection in held {
            // What waits there of TLS itself is read past; then there is nothing, or the end.
            let read = tokio::time::timeout(Duration::from_millis(100), connection.read(&mut [0; 64])).await;
            open.extend(read.is_err().then_some(connection));
        }
        held = open;
        if held.len() <= 2 {
            break;
        }
    }
    assert_eq!(held.len(), 2, "of {all}");
    all_well(&sync(&mut station, 1).await.unwrap()).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_head_that_is_too_long_or_trickles_in_for_ever_ends_the_connection() {
    let mut shop = Shop::open().await.unwrap();
    with_limits(&mut shop, Limits { header_seconds: 1, answer_seconds: 1, ..Limits::default() }, &mut []).await;
    let ca_pem = shop.desk.home.ca_pem().unwrap();
    let (port, host) = (port(&shop), "GET /sign-in HTTP/1.1\r\nhost: localhost\r\n");

    let mut long = wire::tls("127.0.0.1", port, &ca_pem).await.unwrap();
    long.write_all(host.as_bytes()).await.unwrap();
    let line = format!("x-more: {}\r\n", "x".repeat(1000));
    let mut sent = 0;
    while sent < 10_000 && long.write_all(line.as_bytes()).await.is_ok() {
        sent += 1;
    }
    let mut answer = Vec::new();
    let _ = long.read_to_end(&mut answer).await;
    let text = String::from_utf8_lossy(&answer);
    assert!(text.is_empty() || text.starts_with("HTTP/1.1 431"), "{text}");

    let body = "POST /sign-in HTTP/1.1\r\nhost: localhost\r\ncontent-length: 100000\r\n\
                content-type: application/x-www-form-urlencoded\r\norigin: https://localhost\r\n\r\ntoken=";
    for begun in [host, body] {
        let mut trickling = wire::tls("127.0.0.1", port, &ca_pem).await.unwrap();
        trickling.write_all(begun.as_bytes()).await.unwrap();
        let mut ended = false;
        for _ in 0..600 {
            tokio::time::sleep(Duration::from_millis(50)).await;
            let mut answer = [0; 1024];
            let read = tokio::time::timeout(Duration::from_millis(1), trickling.read(&mut answer)).await;
            if trickling.write_all(b"x").await.is_err() || trickling.flush().await.is_err() || read.is_ok() {
                ended = true;
                break;
            }
        }
        assert!(ended, "it trickles for ever: {begun}");
    }
}
