//! Sending what the outbox holds, and learning what became of each envelope. It may break off at any point and be called
//! again: what has a receipt is not sent again, and what is sent twice is answered alike.

use std::collections::HashSet;
use std::time::Duration;

use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact;
use rinsebook_proto::tree::verify_consistency;
use rinsebook_proto::v1::{self, RefusalReason, deliver_request, deliver_response, outcome};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Streaming;

use crate::ClientError;
use crate::outbox::{Item, Outbox};
use crate::remote::{self, Channel};
use crate::rpc::{intake_client::IntakeClient, ledger_client::LedgerClient, roster_client::RosterClient};
use crate::station::{Receipt, Station};
use crate::trust;

/// Facts in one message.
const FACTS_A_MESSAGE: usize = 64;
/// The first pause before another try; it doubles up to the last.
const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LAST_PAUSE: Duration = Duration::from_secs(10);
/// A service that asks for a longer pause is tried after this all the same.
const LONGEST_HINT: Duration = Duration::from_secs(60);

/// What became of the envelopes sent.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SyncReport {
    /// In the log now.
    pub admitted: u64,
    /// In the log before.
    pub known: u64,
    /// Not taken; what a person is told of each.
    pub refused: Vec<String>,
    /// Taken but not read yet, or with something noticed.
    pub notes: Vec<String>,
    /// Copies of erased annexes that were taken away here.
    pub erased: u64,
    /// Still without an answer.
    pub left: u64,
}

/// Sends until everything has its answer, trying again as often as `tries` says when the link breaks or the service has
/// no room, then after the time that the service asks for.
pub async fn sync(station: &mut Station, tries: u32) -> Result<SyncReport, ClientError> {
    let mut report = SyncReport::default();
    let mut pause = FIRST_PAUSE;
    for attempt in 1.. {
        match once(station, &mut report).await {
            Ok(()) => break,
            Err(ClientError::Unreachable(_)) if attempt < tries => {
                tokio::time::sleep(pause).await;
                pause = (pause * 2).min(LAST_PAUSE);
            }
            // The service says how long: sooner would be in vain, and one more for it to send back.
            Err(ClientError::Busy { wait, .. }) if attempt < tries => tokio::time::sleep(wait.min(LONGEST_HINT)).await,
            Err(error) => return Err(error),
        }
    }
    report.left = station.unsent().len() as u64;
    Ok(report)
}

/// Sends what the run of this station's program signed, and nothing before it: the custodian's fact that lets a service
/// record again comes before everything that waits.
///
/// # Errors
/// As [`sync`].
pub async fn deliver_own_run(station: &mut Station) -> Result<SyncReport, ClientError> {
    let mut report = SyncReport::default();
    let channel = remote::connect(&station.home).await?;
    let mut link = Link::open(channel.clone()).await?;
    link.hello(station).await?;
    let (run, ..) = station.place();
    let waiting: Vec<Item> = station.unsent().into_iter().filter(|item| item.run == run).collect();
    link.blobs(station, &waiting).await?;
    let outcomes = link.facts(&waiting).await?;
    take(station, channel, &mut report, outcomes).await?;
    report.left = station.unsent().iter().filter(|item| item.run == run).count() as u64;
    Ok(report)
}

async fn once(station: &mut Station, report: &mut SyncReport) -> Result<(), ClientError> {
    let channel = remote::connect(&station.home).await?;
    let mut link = Link::open(channel.clone()).await?;
    link.hello(station).await?;
    // Nothing is handed to a log that does not continue what this station has proof of.
    // Before it has seen anything there is nothing to prove: the log key of the first contact is kept, no more.
    match station.seen().size {
        0 => trust::key(station, channel.clone()).await.map(|_| ())?,
        _ => advance(station, channel.clone()).await?,
    }
    let mut stalled = false;
    loop {
        let waiting = station.unsent();
        let Some(batch) = next_batch(&waiting) else { break };
        link.blobs(station, &batch).await?;
        let outcomes = link.facts(&batch).await?;
        let before = report.admitted + report.known + report.refused.len() as u64;
        take(station, channel.clone(), report, outcomes).await?;
        let progressed = report.admitted + report.known + report.refused.len() as u64 > before;
        if !progressed && stalled {
            break;
        }
        stalled = !progressed;
    }
    advance(station, channel.clone()).await?;
    report.erased += erase(station, channel).await?;
    // The last word: drained, and what was seen.
    link.hello(station).await
}

/// The oldest envelopes of one run.
fn next_batch(waiting: &[Item]) -> Option<Vec<Item>> {
    let run = waiting.first()?.run;
    Some(waiting.iter().take_while(|item| item.run == run).take(FACTS_A_MESSAGE).cloned().collect())
}

/// One intake stream.
struct Link {
    send: mpsc::Sender<v1::DeliverRequest>,
    answers: Streaming<v1::DeliverResponse>,
}

impl Link {
    async fn open(channel: Channel) -> Result<Link, ClientError> {
        let (send, messages) = mpsc::channel(4);
        let answers = IntakeClient::new(channel).deliver(ReceiverStream::new(messages)).await?.into_inner();
        Ok(Link { send, answers })
    }

    async fn ask(&mut self, message: deliver_request::Message) -> Result<deliver_response::Message, ClientError> {
        let gone = || ClientError::Unreachable("the stream ended".to_owned());
        // A closed channel means that the stream has ended; its last answer says why.
        let _ = self.send.send(v1::DeliverRequest { message: Some(message) }).await;
        self.answers.message().await?.and_then(|answer| answer.message).ok_or_else(gone)
    }

    async fn hello(&mut self, station: &mut Station) -> Result<(), ClientError> {
        let hello = v1::Hello { report: station.report()? };
        match self.ask(deliver_request::Message::Hello(hello)).await? {
            deliver_response::Message::Standing(standing) => {
                station.measured(standing.service_time_ms);
                match Hash::from_slice(&standing.record) {
                    Some(record) => station.joins(record),
                    None => Ok(()),
                }
            }
            _ => Err(out_of_turn()),
        }
    }

    async fn blobs(&mut self, station: &Station, batch: &[Item]) -> Result<(), ClientError> {
        let facts = batch.iter().filter_map(Outbox::fact);
        let named = facts.flat_map(|fact| fact.kind().map(fact::blobs_named).unwrap_or_default());
        for digest in named.map(fact::BlobNamed::digest) {
            let Some(blob) = station.blob(&digest) else { continue };
            match self.ask(deliver_request::Message::Blobs(v1::Blobs { blobs: vec![blob] })).await? {
                deliver_response::Message::BlobsKept(_) => {}
                _ => return Err(out_of_turn()),
            }
        }
        Ok(())
    }

    async fn facts(&mut self, batch: &[Item]) -> Result<v1::Outcomes, ClientError> {
        let item = |item: &Item| v1::IntakeItem {
            run: item.run.to_vec(),
            counter: item.counter,
            envelope: item.envelope.clone(),
        };
        let facts = v1::Facts { items: batch.iter().map(item).collect() };
        match self.ask(deliver_request::Message::Facts(facts)).await? {
            deliver_response::Message::Outcomes(outcomes) => Ok(outcomes),
            _ => Err(out_of_turn()),
        }
    }
}

fn out_of_turn() -> ClientError {
    ClientError::Answered("the service answered out of turn; is it another version?".to_owned())
}

async fn take(
    station: &mut Station,
    channel: Channel,
    report: &mut SyncReport,
    outcomes: v1::Outcomes,
) -> Result<(), ClientError> {
    let mut receipts = Vec::new();
    let note = outcomes.checkpoint_note;
    for answer in outcomes.outcomes {
        let Some(envelope) = Hash::from_slice(&answer.envelope_hash) else { continue };
        match answer.result {
            Some(outcome::Result::Admitted(a)) => {
                report.admitted += 1;
                report.notes.extend(a.notes);
                if !a.unread_because.is_empty() {
                    report.notes.push(a.unread_because);
                }
                let hash = Hash::from_slice(&a.entry_hash).unwrap_or(Hash::ZERO);
                receipts.push((envelope, Receipt::InLog(a.index, hash)));
            }
            Some(outcome::Result::Known(k)) => {
                report.known += 1;
                let hash = Hash::from_slice(&k.entry_hash).unwrap_or(Hash::ZERO);
                receipts.push((envelope, Receipt::InLog(k.index, hash)));
            }
            Some(outcome::Result::Refused(r)) => {
                let reason = RefusalReason::try_from(r.reason).unwrap_or(RefusalReason::Unspecified);
                // Gap and missing blobs are mended by sending again; everything else is the last word.
                if !matches!(reason, RefusalReason::Gap | RefusalReason::BlobMissing | RefusalReason::NotRecording) {
                    report.refused.push(r.message.clone());
                    receipts.push((envelope, Receipt::Refused(r.message)));
                }
                if matches!(reason, RefusalReason::Fork | RefusalReason::Previous) {
                    station.new_run();
                }
            }
            Some(outcome::Result::Unknown(_)) | None => {}
        }
    }
    // An acknowledgement is evidence: the checkpoint that comes with it has to cover what it acknowledges.
    let newest = receipts.iter().filter_map(|(_, receipt)| match receipt {
        Receipt::InLog(index, _) => Some(*index),
        Receipt::Refused(_) => None,
    });
    if let Some(newest) = newest.max() {
        let covers = trust::open(station, channel, &note).await?.size;
        if covers <= newest {
            let why = format!("it acknowledges entry {newest} under a checkpoint of {covers} entries");
            return Err(ClientError::Diverged(why));
        }
    }
    station.store_receipts(receipts, &note)
}

/// Takes away this station's copies of what a custodian erased; how many. A service that lists no erasures has none.
async fn erase(station: &Station, channel: Channel) -> Result<u64, ClientError> {
    let held: HashSet<Hash> = station.annexes()?.into_iter().collect();
    if held.is_empty() {
        return Ok(0);
    }
    let mut roster = RosterClient::new(channel);
    let mut request = v1::ListErasuresRequest::default();
    let mut gone = 0;
    loop {
        let page = match roster.list_erasures(request.clone()).await {
            Ok(page) => page.into_inner(),
            Err(status) if status.code() == tonic::Code::Unimplemented => return Ok(0),
            Err(status) => return Err(status.into()),
        };
        let erased = page.erasures.iter().filter_map(|erasure| Hash::from_slice(&erasure.digest));
        for digest in erased.filter(|digest| held.contains(digest)) {
            station.forget(&digest)?;
            gone += 1;
        }
        request.page_token = page.next_page_token;
        if request.page_token.is_empty() {
            return Ok(gone);
        }
    }
}

/// Moves `seen` to the newest checkpoint, once it is proved to continue the one before. Nothing is sent, and the service
/// records nothing for it: for a station that only wants to know what others did.
pub async fn follow(station: &mut Station, channel: Channel) -> Result<(), ClientError> {
    advance(station, channel).await
}

async fn advance(station: &mut Station, channel: Channel) -> Result<(), ClientError> {
    let mut ledger = LedgerClient::new(channel.clone());
    let note = ledger.get_checkpoint(v1::GetCheckpointRequest::default()).await?.into_inner();
    let note = note.checkpoint_note;
    let checkpoint = trust::open(station, channel, &note).await?;
    let seen = station.seen();
    if checkpoint.size < seen.size {
        let why = format!("it has {} entries now, and had {}", checkpoint.size, seen.size);
        return Err(ClientError::Diverged(why));
    }
    if seen.size > 0 {
        let request = v1::GetConsistencyProofRequest { old_size: seen.size, new_size: checkpoint.size };
        let proof = ledger.get_consistency_proof(request).await?.into_inner();
        let hashes: Option<Vec<Hash>> = proof.hashes.iter().map(|h| Hash::from_slice(h)).collect();
        let hashes = hashes.ok_or_else(|| ClientError::Diverged("the proof is malformed".to_owned()))?;
        verify_consistency(seen.size, checkpoint.size, &hashes, &seen.root, &checkpoint.root)
            .map_err(|e| ClientError::Diverged(e.to_string()))?;
    }
    station.saw(&note, &checkpoint)
}
