//! What enemies do, each from an address of its own, until they are stopped.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use rinsebook_client::rpc::intake_client::IntakeClient;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_proto::v1::{self, deliver_request::Message};
use rinsebook_tests::wire::{self, is_closed};
use tokio::io::AsyncWriteExt;
use tokio_stream::StreamExt;
use tonic::transport::Channel;

/// Connections that are knocked with at once.
const KNOCKS: usize = 1000;

/// Everything that an enemy knows. Two of them have stolen an enrolled device each.
#[derive(Clone)]
pub(crate) struct Enemy {
    pub(crate) port: u16,
    pub(crate) ca_pem: String,
    pub(crate) stolen: [(String, String); 2],
    pub(crate) stop: Arc<AtomicBool>,
    /// What they did, to be told in the end: an attack that did nothing proves nothing.
    pub(crate) done: Arc<[AtomicU64; 5]>,
}

pub(crate) const ATTACKS: [&str; 5] = ["connections", "unread answers", "MiB sent", "header floods", "trickles"];

impl Enemy {
    fn goes_on(&self) -> bool {
        !self.stop.load(Ordering::SeqCst)
    }

    fn did(&self, attack: usize, count: u64) {
        self.done[attack].fetch_add(count, Ordering::SeqCst);
    }

    async fn channel(&self, from: &str, stolen: usize, window_bytes: u32) -> Option<Channel> {
        wire::channel(from, self.port, &self.ca_pem, &self.stolen[stolen], window_bytes).await.ok()
    }

    /// A thousand connections that never shake hands; those that are closed are opened again.
    pub(crate) async fn knock(self) {
        let mut held = Vec::new();
        while self.goes_on() {
            while held.len() < KNOCKS && self.goes_on() {
                let Ok(connection) = wire::tcp("127.0.1.1", self.port).await else { break };
                held.push(connection);
                self.did(0, 1);
            }
            let mut open = Vec::new();
            for connection in held {
                if !is_closed(&connection).await {
                    open.push(connection);
                }
            }
            held = open;
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    /// Asks for the whole log and for every change, again and again, and reads nothing.
    pub(crate) async fn never_read(self) {
        let mut held = Vec::new();
        let mut channels = Vec::new();
        while self.goes_on() {
            let Some(channel) = self.channel("127.0.1.2", 0, 1024).await else {
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            };
            for _ in 0..32 {
                let entries = LedgerClient::new(channel.clone()).read_entries(v1::ReadEntriesRequest::default()).await;
                let watch = OpenItemsClient::new(channel.clone()).watch_items(v1::WatchItemsRequest::default()).await;
                self.did(1, u64::from(entries.is_ok()) + u64::from(watch.is_ok()));
                held.push((entries, watch));
            }
            channels.push(channel);
            if channels.len() > 8 {
                (held, channels) = (Vec::new(), Vec::new());
            }
        }
    }

    /// Messages of almost 4 MiB on as many intake streams as there are, whose answers are not read.
    pub(crate) async fn huge_messages(self) {
        while self.goes_on() {
            let Some(channel) = self.channel("127.0.1.3", 1, 1 << 20).await else {
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            };
            let mut streams = Vec::new();
            for _ in 0..6 {
                let enemy = self.clone();
                let messages = std::iter::repeat_with(move || {
                    enemy.did(2, 4);
                    let item = v1::IntakeItem { run: vec![1; 16], counter: 9, envelope: vec![7; 1_040_000] };
                    v1::DeliverRequest { message: Some(Message::Facts(v1::Facts { items: vec![item; 4] })) }
                });
                let enemy = self.clone();
                let messages = tokio_stream::iter(messages).take_while(move |_| enemy.goes_on());
                streams.push(IntakeClient::new(channel.clone()).deliver(messages).await);
            }
            tokio::time::sleep(Duration::from_secs(2)).await;
        }
    }

    /// Heads without an end.
    pub(crate) async fn flood_headers(self) {
        while self.goes_on() {
            let Ok(mut stream) = wire::tls("127.0.1.4", self.port, &self.ca_pem).await else {
                tokio::time::sleep(Duration::from_millis(20)).await;
                continue;
            };
            let mut number = 0_u64;
            let line = |number: u64| format!("x-{number}: {}\r\n", "x".repeat(2000));
            let _ = stream.write_all(b"GET / HTTP/1.1\r\nhost: localhost\r\n").await;
            while self.goes_on() && stream.write_all(line(number).as_bytes()).await.is_ok() {
                number += 1;
            }
            self.did(3, 1);
        }
    }

    /// Many connections that send a byte now and then, and never a whole head.
    pub(crate) async fn trickle(self) {
        let mut held = Vec::new();
        while self.goes_on() {
            while held.len() < 60 {
                let Ok(mut stream) = wire::tls("127.0.1.5", self.port, &self.ca_pem).await else { break };
                let _ = stream.write_all(b"GET /sign-in HTTP/1.1\r\nx: ").await;
                held.push(stream);
                self.did(4, 1);
            }
            let mut open = Vec::new();
            for mut stream in held {
                if stream.write_all(b"x").await.is_ok() {
                    open.push(stream);
                }
            }
            held = open;
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
}
