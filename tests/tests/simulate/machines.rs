//! What runs on each machine: the real service, real stations, a planner who asks and a witness who cosigns.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use rinsebook_client::enrol;
use rinsebook_client::home::Home;
use rinsebook_client::remote;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::station::{Draft, Receipt, Station};
use rinsebook_client::sync::sync;
use rinsebook_client::witness::{Answer, Settings, Witness};
use rinsebook_client::{ClientError, rpc};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::clock::{Clock, ScriptedClock};
use rinsebook_proto::cosignature::AddCheckpoint;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::v1;
use rinsebook_service::Config;
use rinsebook_tests::shop::{disconnected, inspected, reconnected};
use rinsebook_tests::world::Dice;
use rinsebook_tests::world::disk::SimDisk;
use tokio::time::sleep;

use crate::network;
use crate::template::{SENDERS, STATIONS, Template, sender};

/// The service, then those who send to it.
pub(crate) const SERVICE: usize = 0;
/// Machines with a disk that matters.
pub(crate) const MACHINES: usize = 1 + SENDERS;

/// How a program that does not even start says so.
pub(crate) const UNSTARTED: &str = "it does not start: ";

/// The name of a machine in the network.
pub(crate) fn name(machine: usize) -> String {
    if machine == SERVICE { "service".to_owned() } else { sender(machine - 1) }
}

/// A machine's disk and clock, which outlive its programs.
pub(crate) struct Machine {
    pub(crate) disk: SimDisk,
    pub(crate) clock: Arc<ScriptedClock>,
}

/// A line of hoses on an engine, as far as its station has told.
#[derive(Debug, Clone)]
struct Line {
    name: String,
    /// 0: open; 1: closed; 2: inspected.
    stage: u8,
}

/// What was said and done so far, by whoever it concerns.
pub(crate) struct Known {
    /// Throws for what the programs do.
    pub(crate) dice: Dice,
    lines: Vec<Vec<Line>>,
    /// What the custodian granted, and may withdraw.
    grants: Vec<Hash>,
    /// Envelopes that each station called saved.
    pub(crate) saved: Vec<Vec<Hash>>,
    /// The log has at least so many entries, as somebody was told.
    acknowledged: u64,
    /// Answers to the planner, with the entries that were acknowledged before each question.
    pub(crate) answers: Vec<(u64, v1::Assessment)>,
    /// Checkpoints that stations proved, or the witness cosigned.
    pub(crate) checkpoints: Vec<(u64, Hash)>,
    pub(crate) cosigned: u64,
    /// The program on a machine has ended by itself, and why.
    pub(crate) ended: Vec<Option<String>>,
    /// From here on nothing is signed any more, and everything is to be sent.
    pub(crate) settling: bool,
    pub(crate) settled: Vec<bool>,
    /// Why a station could not send last.
    pub(crate) unsent_because: Vec<String>,
    /// The first thing that must never be.
    pub(crate) wrong: Option<String>,
    /// What happened when, in milliseconds of the story.
    pub(crate) told: Vec<String>,
}

/// All that the machines of one story share.
pub(crate) struct Shared {
    pub(crate) template: Arc<Template>,
    pub(crate) dir: PathBuf,
    pub(crate) machines: Vec<Machine>,
    known: Mutex<Known>,
}

impl Shared {
    pub(crate) fn new(template: Arc<Template>, dir: PathBuf, machines: Vec<Machine>, dice: Dice) -> Shared {
        let known = Known {
            dice,
            lines: vec![Vec::new(); STATIONS],
            grants: Vec::new(),
            saved: vec![Vec::new(); SENDERS],
            acknowledged: 0,
            answers: Vec::new(),
            checkpoints: Vec::new(),
            cosigned: 0,
            ended: vec![None; MACHINES],
            settling: false,
            settled: vec![false; SENDERS],
            unsent_because: vec![String::new(); SENDERS],
            wrong: None,
            told: Vec::new(),
        };
        Shared { template, dir, machines, known: Mutex::new(known) }
    }

    pub(crate) fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().expect("everything happens on one thread")
    }

    pub(crate) fn tell(&self, what: String) {
        let at_ms = turmoil::sim_elapsed().unwrap_or_default().as_millis();
        // Each telling has a folder of its own.
        let what = what.replace(&self.dir.display().to_string(), "");
        self.known().told.push(format!("{at_ms} {what}"));
    }

    fn must_not_be(&self, what: String) {
        self.tell(format!("WRONG: {what}"));
        self.known().wrong.get_or_insert(what);
    }

    fn below(&self, bound: u64) -> u64 {
        self.known().dice.below(bound)
    }

    pub(crate) fn config(&self) -> Config {
        Config { segment_bytes: 24 << 10, grow_bytes: 4 << 10, ..Config::local(&self.dir.join("service")) }
    }

    fn home(&self, name: &str) -> Home {
        let mut home = Home::open(&self.dir.join(name)).expect("its folder was copied");
        home.reach_by(network::dial());
        home
    }

    pub(crate) fn open_station(&self, n: usize) -> Result<Station, ClientError> {
        let machine = &self.machines[1 + n];
        Station::open_on(self.home(&sender(n)), machine.clock.clone(), Arc::new(machine.disk.clone()))
    }

    /// The program has ended; somebody will start it again.
    async fn ends<T>(&self, machine: usize, why: String) -> T {
        self.tell(format!("{} ends: {why}", name(machine)));
        self.known().ended[machine] = Some(why);
        std::future::pending().await
    }
}

/// The service's program.
pub(crate) async fn service(shared: Arc<Shared>) -> turmoil::Result {
    let machine = &shared.machines[SERVICE];
    let disk = Arc::new(machine.disk.clone());
    let opened = rinsebook_service::run::open_on(&shared.config(), machine.clock.clone(), disk).await;
    let mut at_work = match opened {
        Ok(at_work) => at_work,
        Err(error) => return shared.ends(SERVICE, format!("{UNSTARTED}{error}")).await,
    };
    shared.tell(format!("service starts with {} entries", at_work.start.entries));
    let router = at_work.router.clone();
    let ended = tokio::select! {
        biased;
        error = at_work.failed() => error.to_string(),
        served = network::serve(shared.template.clone(), router) => format!("{served:?}"),
    };
    shared.ends(SERVICE, ended).await
}

/// The program of a station, or of the custodian's desk: signs, and sends when it feels like it.
pub(crate) async fn station(shared: Arc<Shared>, n: usize) -> turmoil::Result {
    let mut station = match shared.open_station(n) {
        Ok(station) => station,
        Err(error) => return shared.ends(1 + n, format!("{UNSTARTED}{error}")).await,
    };
    shared.tell(format!("{} starts with {} envelopes", sender(n), station.outbox_items().len()));
    loop {
        let pause_ms = if n < STATIONS { 20 + shared.below(300) } else { 300 + shared.below(900) };
        sleep(Duration::from_millis(pause_ms)).await;
        let settling = shared.known().settling;
        if !settling && shared.below(3) < 2 {
            let (signer, drafts) = if n < STATIONS { card(&shared, n) } else { custody(&shared) };
            let grants = drafts.iter().any(|draft| matches!(draft.kind, Kind::AuthorityGranted(_)));
            match station.sign_card(signer, drafts) {
                Ok(saved) => {
                    shared.tell(format!("{} saves {}", sender(n), saved.len()));
                    let mut known = shared.known();
                    known.grants.extend(saved.iter().filter(|_| grants));
                    known.saved[n].extend(saved);
                }
                Err(error) => return shared.ends(1 + n, error.to_string()).await,
            }
        }
        if settling || shared.below(2) == 0 {
            send(&shared, n, &mut station).await;
        }
    }
}

async fn send(shared: &Shared, n: usize, station: &mut Station) {
    let sent = sync(station, 1).await;
    let receipts = station.outbox_items().iter().filter_map(|item| match station.receipt(&item.hash()) {
        Some(Receipt::InLog(index, _)) => Some(index + 1),
        _ => None,
    });
    let acknowledged = receipts.max().unwrap_or(0);
    let mut known = shared.known();
    known.acknowledged = known.acknowledged.max(acknowledged);
    drop(known);
    match sent {
        Ok(report) => {
            shared.tell(format!("{} sends: {} new, {} known", sender(n), report.admitted, report.known));
            if !report.refused.is_empty() {
                shared.must_not_be(format!("refused: {:?}", report.refused));
            }
            let seen = station.seen();
            let mut known = shared.known();
            known.checkpoints.push((seen.size, seen.root));
            known.settled[n] = known.settling && report.left == 0;
        }
        Err(error @ ClientError::Diverged(_)) => shared.must_not_be(format!("{}: {error}", sender(n))),
        Err(error) => {
            shared.tell(format!("{} does not reach: {error}", sender(n)));
            shared.known().unsent_because[n] = error.to_string();
        }
    }
}

/// Some acts on lines of the station's own, and now and then on one that all stations speak of.
fn card(shared: &Shared, n: usize) -> (&SigningKey, Vec<Draft>) {
    let now_ms = shared.machines[1 + n].clock.wall_ms();
    let Known { dice, lines, .. } = &mut *shared.known();
    let lines = &mut lines[n];
    let (template, wash) = (&shared.template, &shared.template.wash);
    if dice.once_in(8) {
        let shared_line = format!("S-{}", dice.below(2));
        let draft = match dice.below(3) {
            0 => wash.on(1, reconnected(&shared_line), now_ms),
            1 => wash.on(1, inspected(&shared_line), now_ms),
            _ => wash.on(1, disconnected(&shared_line), now_ms),
        };
        let who = if dice.once_in(2) { &template.technician } else { &template.inspector };
        return (who, vec![draft]);
    }
    if dice.once_in(4)
        && let Some(line) = lines.iter_mut().find(|line| line.stage == 1)
    {
        line.stage = 2;
        return (&template.inspector, vec![wash.on(1, inspected(&line.name), now_ms)]);
    }
    let mut drafts = Vec::new();
    for act in 0..=dice.below(3) {
        // Acts of one card are some time apart, as people do them.
        let happened_ms = now_ms.saturating_sub((3 - act) * 1_500);
        let open = lines.iter_mut().find(|line| line.stage == 0).filter(|_| dice.once_in(2));
        if let Some(line) = open {
            line.stage = 1;
            drafts.push(wash.on(1, reconnected(&line.name), happened_ms));
        } else {
            let name = format!("{}-{}", sender(n), lines.len());
            drafts.push(wash.on(1, disconnected(&name), happened_ms));
            lines.push(Line { name, stage: 0 });
        }
    }
    (&template.technician, drafts)
}

/// The custodian lets the technician look at joints, takes that back, or says from where on a key is not trusted: what it
/// means for facts that are on their way, or in the log, their places decide.
fn custody(shared: &Shared) -> (&SigningKey, Vec<Draft>) {
    let now_ms = shared.machines[1 + STATIONS].clock.wall_ms();
    let Known { dice, grants, acknowledged, .. } = &mut *shared.known();
    let template = &shared.template;
    let draft = match dice.below(8) {
        0 => {
            let key = if dice.once_in(4) { &template.technician } else { &template.inspector };
            let revoked = v1::KeyRevoked {
                key_id: key::key_id(&key.verifying_key()).to_vec(),
                untrusted_from_index: Some(acknowledged.saturating_sub(dice.below(20))),
                reason: "lost".to_owned(),
            };
            enrol::roster_fact(Kind::KeyRevoked(revoked), vec![], now_ms)
        }
        1..=3 if !grants.is_empty() => {
            let withdrawn = v1::AuthorityWithdrawn { reason: "moved on".to_owned() };
            let named = grants[dice.below(grants.len() as u64) as usize];
            Draft { refers: vec![named], ..enrol::roster_fact(Kind::AuthorityWithdrawn(withdrawn), vec![], now_ms) }
        }
        _ => enrol::grant(template.technician_id, v1::Authority::Inspect, now_ms),
    };
    (&template.custodian, vec![draft])
}

/// The planner asks what is open, again and again.
pub(crate) async fn planner(shared: Arc<Shared>) -> turmoil::Result {
    let home = shared.home("desk");
    loop {
        sleep(Duration::from_millis(50 + shared.below(400))).await;
        let before = shared.known().acknowledged;
        let Ok(channel) = remote::connect(&home).await else { continue };
        let request = v1::AssessRequest { aircraft: shared.template.aircraft.to_vec(), ..v1::AssessRequest::default() };
        let Ok(answer) = OpenItemsClient::new(channel).assess(request).await else { continue };
        let Some(assessment) = answer.into_inner().assessment else { continue };
        shared.tell(format!("planner is told of {}", assessment.as_of.unwrap_or_default().size));
        shared.known().answers.push((before, assessment));
    }
}

/// The witness looks at the log's newest checkpoint and cosigns what continues the one before.
pub(crate) async fn witness(shared: Arc<Shared>) -> turmoil::Result {
    let settings = Settings {
        name: "w.example/1".to_owned(),
        signer: SigningKey::from_bytes(&[3; 32]),
        state: shared.dir.join("witness"),
        logs: vec![shared.template.log_key.clone()],
        clock: shared.machines[SERVICE].clock.clone(),
    };
    let witness = match Witness::open(settings) {
        Ok(witness) => witness,
        Err(error) => {
            shared.must_not_be(format!("the witness does not start: {error}"));
            return Ok(());
        }
    };
    let home = shared.home("desk");
    loop {
        sleep(Duration::from_millis(50 + shared.below(500))).await;
        let stands = witness.stands()[0].1;
        // A question without an answer is asked again.
        let Ok((request, new)) = request(&home, stands).await else { continue };
        if new.size < stands {
            shared.must_not_be(format!("a checkpoint of {} entries, after one of {stands}", new.size));
            continue;
        }
        match witness.add_checkpoint(request.to_string().as_bytes()) {
            Answer::Cosigned(_) => {
                shared.tell(format!("witness cosigns {}", new.size));
                let mut known = shared.known();
                known.cosigned += 1;
                known.checkpoints.push((new.size, new.root));
            }
            other => shared.must_not_be(format!("the witness does not cosign {} after {stands}: {other:?}", new.size)),
        }
    }
}

async fn request(home: &Home, stands: u64) -> Result<(AddCheckpoint, Checkpoint), ClientError> {
    let mut ledger: rpc::ledger_client::LedgerClient<_> = LedgerClient::new(remote::connect(home).await?);
    let note = ledger.get_checkpoint(v1::GetCheckpointRequest::default()).await?.into_inner().checkpoint_note;
    let new = Checkpoint::read_unverified(&note).map_err(|e| ClientError::Answered(e.to_string()))?;
    let mut proof = Vec::new();
    if stands > 0 && new.size > stands {
        let sizes = v1::GetConsistencyProofRequest { old_size: stands, new_size: new.size };
        let hashes = ledger.get_consistency_proof(sizes).await?.into_inner().hashes;
        proof = hashes.iter().filter_map(|hash| Hash::from_slice(hash)).collect();
    }
    Ok((AddCheckpoint { old_size: stands, proof, note }, new))
}
