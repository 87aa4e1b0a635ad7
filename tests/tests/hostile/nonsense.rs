//! Valid and broken messages to every call, and made-up addresses of pages: nothing makes the service panic, and it goes on
//! answering.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use prost::Message as _;
use prost_reflect::{DescriptorPool, DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, Value};
use rinsebook_client::remote::{self, Channel};
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::sync::sync;
use rinsebook_proto::v1;
use rinsebook_tests::program::{Program, panics};
use rinsebook_tests::shop::{MORNING_MS, Shop, Wash};
use rinsebook_tests::web::Browser;
use rinsebook_tests::world::Dice;
use tokio::task::JoinSet;
use tonic::Code;
use tonic::client::Grpc;

use super::raw::Raw;
use super::{nightly, sign};

/// Calls outside the contract's own descriptors.
const OTHERS: [&str; 4] = [
    "grpc.health.v1.Health/Check",
    "grpc.health.v1.Health/Watch",
    "grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
    "grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
];

/// Calls under way at once; a connection takes 64.
const AT_ONCE: usize = 40;
/// Whoever does not answer within this is left; it is no assertion.
const PATIENCE: Duration = Duration::from_millis(1500);

/// Makes messages that fit their descriptors, with bytes and words that mean something in this record now and then.
struct Maker {
    dice: Dice,
    bytes: Vec<Vec<u8>>,
    words: Vec<String>,
}

impl Maker {
    fn message(&mut self, of: &MessageDescriptor, depth: u32) -> DynamicMessage {
        let mut message = DynamicMessage::new(of.clone());
        for field in of.fields() {
            if field.is_map() || self.dice.once_in(3) {
                continue;
            }
            let value = if field.is_list() {
                Value::List((0..self.dice.below(4)).map(|_| self.value(&field, depth)).collect())
            } else {
                self.value(&field, depth)
            };
            message.set_field(&field, value);
        }
        message
    }

    fn value(&mut self, field: &FieldDescriptor, depth: u32) -> Value {
        match field.kind() {
            Kind::Double => Value::F64(f64::from_bits(self.dice.number())),
            Kind::Float => Value::F32(f32::from_bits(self.dice.number() as u32)),
            Kind::Bool => Value::Bool(self.dice.once_in(2)),
            Kind::Int32 | Kind::Sint32 | Kind::Sfixed32 => Value::I32(self.number() as i32),
            Kind::Int64 | Kind::Sint64 | Kind::Sfixed64 => Value::I64(self.number() as i64),
            Kind::Uint32 | Kind::Fixed32 => Value::U32(self.number() as u32),
            Kind::Uint64 | Kind::Fixed64 => Value::U64(self.number()),
            Kind::Enum(_) => Value::EnumNumber(self.dice.below(200) as i32 - 3),
            Kind::Bytes => Value::Bytes(self.some_bytes().into()),
            Kind::String => Value::String(self.word()),
            Kind::Message(of) if depth == 0 => Value::Message(DynamicMessage::new(of)),
            Kind::Message(of) => Value::Message(self.message(&of, depth - 1)),
        }
    }

    fn number(&mut self) -> u64 {
        let edges = [0, 0, 0, 1, 1, 2, 5, 63, 64, MORNING_MS, u64::from(u32::MAX), 1 << 63, u64::MAX];
        edges[self.dice.below(edges.len() as u64) as usize]
    }

    fn some_bytes(&mut self) -> Vec<u8> {
        match self.dice.below(6) {
            0 => Vec::new(),
            1 => self.dice.bytes(16),
            2 => self.dice.bytes(32),
            3 => {
                let length = self.dice.below(300);
                self.dice.bytes(length)
            }
            _ => self.bytes[self.dice.below(self.bytes.len() as u64) as usize].clone(),
        }
    }

    fn word(&mut self) -> String {
        match self.dice.below(4) {
            0 => String::new(),
            1 => "ÿ\u{0}\u{202e}%00../".repeat(self.dice.below(40) as usize),
            _ => self.words[self.dice.below(self.words.len() as u64) as usize].clone(),
        }
    }

    /// As it fits, or with something broken about it.
    fn spoiled(&mut self, mut bytes: Vec<u8>) -> Vec<u8> {
        let at = self.dice.below(bytes.len() as u64 + 1) as usize;
        match self.dice.below(5) {
            0 => bytes.truncate(at),
            1 if at < bytes.len() => bytes[at] ^= 1 << self.dice.below(8),
            2 => {
                let more = self.dice.bytes(9);
                bytes.splice(at..at, more);
            }
            3 => {
                let length = self.dice.below(200);
                bytes = self.dice.bytes(length);
            }
            _ => {}
        }
        bytes
    }
}

/// Makes one call and reads a little of what comes; what it came to.
async fn call(channel: Channel, path: String, messages: Vec<Vec<u8>>) -> String {
    let mut client = Grpc::new(channel);
    client.ready().await.expect("the service takes calls");
    let asked = async {
        let path = format!("/{path}").parse().expect("a path");
        let request = tonic::Request::new(tokio_stream::iter(messages));
        let mut answers = match client.streaming(request, path, Raw).await {
            Ok(answers) => answers.into_inner(),
            Err(status) => return status.code(),
        };
        for _ in 0..3 {
            match answers.message().await {
                Ok(Some(_)) => {}
                Ok(None) => break,
                Err(status) => return status.code(),
            }
        }
        Code::Ok
    };
    tokio::time::timeout(PATIENCE, asked)
        .await
        .map_or_else(|_| "still answering".to_owned(), |code| format!("{code:?}"))
}

async fn page(browser: Arc<Browser>, path: String) -> String {
    match tokio::time::timeout(PATIENCE, browser.get(&path, &[])).await {
        Ok(Ok(answer)) => format!("page {}", answer.status),
        Ok(Err(_)) => "page closed".to_owned(),
        Err(_) => "still answering".to_owned(),
    }
}

/// Waits until no more than so many calls are under way, and counts what the others came to.
async fn counted(under_way: &mut JoinSet<String>, at_once: usize, told: &mut BTreeMap<String, u64>) {
    while under_way.len() > at_once
        && let Some(one) = under_way.join_next().await
    {
        *told.entry(one.unwrap()).or_default() += 1;
    }
}

fn made_up_path(maker: &mut Maker) -> String {
    let known = ["/", "/events", "/aircraft/", "/wash/", "/quality", "/log/tile/", "/log/tile/entries/", "/assets/"];
    let mut path = known[maker.dice.below(known.len() as u64) as usize].to_owned();
    for _ in 0..maker.dice.below(3) {
        path += &match maker.dice.below(6) {
            0 => hex::encode(maker.some_bytes()),
            1 => format!("{}", maker.number()),
            2 => "%ff%00".to_owned(),
            3 => "../".to_owned(),
            4 => "/record".to_owned(),
            _ => "000.p/7".to_owned(),
        };
    }
    if maker.dice.once_in(2) {
        let names = ["after", "state", "last", "show", "at", "q", "type"];
        let name = names[maker.dice.below(names.len() as u64) as usize];
        path += &format!("?{name}={}", hex::encode(maker.some_bytes()));
    }
    path
}

/// The shop's service as a program, with something in its record, and what means something there.
async fn begun(shop: &mut Shop) -> (Program, rinsebook_client::station::Station, Vec<Vec<u8>>) {
    let mut station = shop.station("ramp-1").await.unwrap();
    let wash = Wash::of(shop.aircraft);
    station.sign_card(&shop.technician.key, vec![wash.opened(shop, MORNING_MS)]).unwrap();
    sign(&mut station, &shop.technician.key, &wash, "a", 6);
    sync(&mut station, 3).await.unwrap();
    shop.service.take().unwrap().stop().await.unwrap();
    // Nothing of this is about limits: they would hide what lies behind them.
    let wide = "[limits]\ncalls_a_second = 1000000\ncalls_burst = 1000000\ncalls_a_caller = 1000\n\
                facts_a_second = 1000000\nfacts_burst = 1000000\nintake_streams_a_device = 64\n";
    let program = Program::start(&shop.dir, &shop.data(), wide, "info").unwrap();
    station.home.set_address(&program.address()).unwrap();
    let mut known = vec![shop.aircraft.to_vec(), wash.id.to_vec(), station.record().to_vec(), shop.procedure.to_vec()];
    known.extend(station.outbox_items().iter().map(|item| item.envelope.clone()));
    known.extend(station.outbox_items().iter().map(|item| item.hash().to_vec()));
    known.extend(station.outbox_items().first().map(|item| item.run.to_vec()));
    known.extend(station.report().ok());
    (program, station, known)
}

#[tokio::test(flavor = "multi_thread")]
async fn no_message_to_any_call_and_no_address_of_a_page_makes_the_service_panic() {
    let seed = std::env::var("RINSEBOOK_SEED").ok().and_then(|seed| seed.parse().ok());
    let seed = seed.unwrap_or_else(|| std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos() as u64);
    println!("RINSEBOOK_SEED={seed}");
    let mut shop = Shop::open().await.unwrap();
    let (mut program, mut station, bytes) = begun(&mut shop).await;
    let words = ["ZZ-RBA", "Ossavar T2", "PS-1", "1", "00"].map(str::to_owned).to_vec();
    let mut maker = Maker { dice: Dice::new(seed), bytes, words };
    let pool = DescriptorPool::decode(rinsebook_proto::FILE_DESCRIPTOR_SET).unwrap();
    let mut calls: Vec<(String, Option<MessageDescriptor>)> = pool
        .services()
        .flat_map(|service| service.methods().collect::<Vec<_>>())
        .map(|m| (format!("{}/{}", m.parent_service().full_name(), m.name()), Some(m.input())))
        .collect();
    calls.extend(OTHERS.map(|path| (path.to_owned(), None)));
    let channel = remote::connect(&station.home).await.unwrap();
    let identity = Some(station.home.tls_identity().unwrap());
    let browser = Arc::new(Browser { port: program.port, ca_pem: station.home.ca_pem().unwrap(), identity });

    let rounds = if nightly() { 600 } else { 40 };
    let (mut told, mut pages) = (BTreeMap::new(), 0_u64);
    let mut under_way = JoinSet::new();
    for _ in 0..rounds {
        for (path, of) in &calls {
            let count = if path.ends_with("Deliver") { maker.dice.below(4) + 1 } else { 1 };
            let messages = (0..count).map(|_| {
                let fits = of.as_ref().map_or_else(Vec::new, |of| maker.message(of, 4).encode_to_vec());
                maker.spoiled(fits)
            });
            under_way.spawn(call(channel.clone(), path.clone(), messages.collect()));
        }
        for _ in 0..4 {
            under_way.spawn(page(browser.clone(), made_up_path(&mut maker)));
            pages += 1;
        }
        // Some calls answer for ever: the next round does not wait for them.
        counted(&mut under_way, AT_ONCE, &mut told).await;
        assert!(program.runs(), "the service ended; seed {seed}");
    }
    counted(&mut under_way, 0, &mut told).await;
    let log = program.log().unwrap();
    assert_eq!(panics(&log), Vec::<&str>::new(), "seed {seed}");
    // What fits and what does not were both among them.
    assert!(["Ok", "InvalidArgument", "page 200"].iter().all(|one| told.contains_key(*one)), "{told:?}");
    assert!(!told.contains_key("page 500"), "{told:?}");
    sign(&mut station, &shop.technician.key, &Wash::of(shop.aircraft), "after", 3);
    let report = sync(&mut station, 5).await.unwrap();
    assert!(report.left == 0 && report.refused.is_empty(), "{report:?}");
    let request = v1::AssessRequest { aircraft: shop.aircraft.to_vec(), ..v1::AssessRequest::default() };
    OpenItemsClient::new(remote::connect(&station.home).await.unwrap()).assess(request).await.unwrap();
    let _ = writeln!(
        std::io::stderr(),
        "messages to {} calls in {rounds} rounds, {pages} pages, seed {seed}, panics 0: {told:?}",
        calls.len()
    );
}

/// Set for the process that panics on purpose.
const PANIC: &str = "RINSEBOOK_TEST_PANIC";

#[test]
fn a_panic_would_be_seen() {
    if std::env::var_os(PANIC).is_some() {
        let _ = std::thread::spawn(|| panic!("made to")).join();
        return;
    }
    let output = Command::new(std::env::current_exe().unwrap())
        .args(["nonsense::a_panic_would_be_seen", "--exact", "--nocapture"])
        .env(PANIC, "1")
        .output()
        .unwrap();
    assert_eq!(panics(&String::from_utf8_lossy(&output.stderr)).len(), 1);
}
