//! Questions over the network, one at a time, as a planner's program asks them.

use std::time::Instant;

use anyhow::{Result, ensure};
use rinsebook_client::remote::Channel;
use rinsebook_client::rpc::ledger_client::LedgerClient;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_proto::v1;

use super::clocks::percentile;
use super::figure::{Figure, Reach, Round};
use super::server::Server;
use super::start::opened_before;
use super::{Run, runtime};
use crate::fleet::{Fleet, aircraft};

/// Questions of one round.
const QUESTIONS: usize = 2000;
/// Those that warm connections and caches up, and are not counted.
const WARM: usize = 200;
/// Aircraft with open items on a page of the fleet's.
const PAGE: i32 = 20;
/// Aircraft that a round asks about: they have the same facts of their own in every log.
const ASKED_ABOUT: u64 = 64;
/// So many rounds ask about others: the smallest log has washes of 200.
const ROUNDS_APART: u64 = 3;

/// Times of each question, in milliseconds.
#[derive(Debug, Clone, Default)]
pub(super) struct Asked {
    pub(super) items: Vec<f64>,
    pub(super) assess: Vec<f64>,
    /// Of these, those that nobody had asked before.
    first_items: Vec<f64>,
    first_assess: Vec<f64>,
}

async fn ask(channel: Channel, round: u64) -> Result<Asked> {
    let mut client = OpenItemsClient::new(channel);
    let mut asked = Asked::default();
    for question in 0..QUESTIONS + WARM {
        let number = round % ROUNDS_APART * ASKED_ABOUT + question as u64 % ASKED_ABOUT;
        let id = aircraft(number).to_vec();
        let begun = Instant::now();
        let request = v1::ListItemsRequest { aircraft: id.clone(), ..Default::default() };
        client.list_items(request).await?;
        let items = begun.elapsed().as_secs_f64() * 1e3;
        let begun = Instant::now();
        let request = v1::AssessRequest { aircraft: id, ..Default::default() };
        let answer = client.assess(request).await?.into_inner();
        ensure!(answer.assessment.is_some(), "an answer holds an assessment");
        let assess = begun.elapsed().as_secs_f64() * 1e3;
        if question >= WARM {
            asked.items.push(items);
            asked.assess.push(assess);
        } else if (question as u64) < ASKED_ABOUT {
            asked.first_items.push(items);
            asked.first_assess.push(assess);
        }
    }
    Ok(asked)
}

/// One round of questions to the log of this size.
pub(super) fn asked(size: u64) -> Result<(Fleet, Server)> {
    let fleet = Fleet::of(size)?;
    opened_before(&fleet)?;
    let server = Server::start(&fleet)?;
    Ok((fleet, server))
}

/// Rounds of both questions.
pub(super) fn rounds(run: &Run, size: u64) -> Result<Vec<Asked>> {
    let (fleet, server) = asked(size)?;
    let runtime = runtime()?;
    let ask = |round| runtime.block_on(async { ask(server.channel(&fleet, 0).await?, round as u64).await });
    let rounds = (0..run.rounds).map(ask);
    let rounds = rounds.collect::<Result<Vec<Asked>>>()?;
    server.stop()?;
    Ok(rounds)
}

/// One aircraft's items and an assessment, at every size, and how they grow.
pub(super) fn items(run: &Run) -> Result<Vec<Figure>> {
    let sizes = run.sizes();
    let mut at_size = Vec::new();
    for size in &sizes {
        at_size.push(rounds(run, *size)?);
    }
    let mut figures = Vec::new();
    for (name, pick) in [
        ("items", (|a| [&a.items, &a.first_items]) as fn(&Asked) -> [&Vec<f64>; 2]),
        ("assessment", |a| [&a.assess, &a.first_assess]),
    ] {
        for (size, rounds) in sizes.iter().zip(&at_size) {
            let round = |asked: &Asked| {
                let [mut times, mut first] = pick(asked).map(Vec::clone);
                let half = percentile(&mut times, 0.5);
                let round = Round::new(percentile(&mut times, 0.99), 1.0).with("p50", half, "ms");
                round.with("p50 where nobody asked before", percentile(&mut first, 0.5), "ms")
            };
            let of = format!("{name}, p99 at {size} facts");
            let rounds = rounds.iter().map(round).collect();
            figures.push(Figure::of("items-query", of, "ms", QUESTIONS as u64, Reach::AtMost(1.0), rounds));
        }
        let median = |asked: &Asked| percentile(&mut pick(asked)[0].clone(), 0.5);
        let (small, large) = (&at_size[0], &at_size[at_size.len() - 1]);
        let growth = small.iter().zip(large).map(|(small, large)| Round::new(median(large), median(small))).collect();
        let of = format!("{name}, p50 at {} ÷ at {} facts", sizes[sizes.len() - 1], sizes[0]);
        figures.push(Figure::of("items-query", of, "ms", QUESTIONS as u64, Reach::AtMost(1.3), growth));
    }
    Ok(figures)
}

/// The first page of what is open on every aircraft.
pub(super) fn fleet(run: &Run) -> Result<Vec<Figure>> {
    let (fleet, server) = asked(run.large)?;
    let pages = 300;
    let mut items = 0;
    let mut rounds = Vec::new();
    for _ in 0..run.rounds {
        let mut times = runtime()?.block_on(async {
            let mut client = OpenItemsClient::new(server.channel(&fleet, 0).await?);
            let mut times = Vec::new();
            let first = v1::ListItemsRequest { page_size: PAGE, ..Default::default() };
            for page in 0..pages + 10 {
                let begun = Instant::now();
                let answer = client.list_items(first.clone()).await?.into_inner();
                if page >= 10 {
                    times.push(begun.elapsed().as_secs_f64() * 1e3);
                }
                items = answer.aircraft.iter().map(|aircraft| aircraft.items.len()).sum();
                ensure!(items > 0, "washes that were left have open items");
            }
            Ok::<_, anyhow::Error>(times)
        })?;
        let half = percentile(&mut times, 0.5);
        let round = Round::new(percentile(&mut times, 0.99), 5.0).with("p50", half, "ms");
        rounds.push(round.with("a page of", items as f64, "items"));
    }
    server.stop()?;
    let of = format!("p99, a page of {PAGE} of {} aircraft, {} facts", crate::fleet::AIRCRAFT, run.large);
    Ok(vec![Figure::of("fleet-query", of, "ms", pages as u64, Reach::AtMost(1.0), rounds)])
}

/// Proofs of entries all over the log.
pub(super) fn proofs(run: &Run) -> Result<Vec<Figure>> {
    let (fleet, server) = asked(run.large)?;
    let mut rounds = Vec::new();
    for _ in 0..run.rounds {
        let mut times = runtime()?.block_on(async {
            let mut client = LedgerClient::new(server.channel(&fleet, 0).await?);
            let mut times = Vec::new();
            for question in 0..(QUESTIONS + WARM) as u64 {
                // A stride that meets every part of the log in turn.
                let index = question * 7_919_993 % run.large;
                let begun = Instant::now();
                let request = v1::GetInclusionProofRequest { index, ..Default::default() };
                let proof = client.get_inclusion_proof(request).await?.into_inner();
                ensure!(!proof.hashes.is_empty(), "a proof has hashes");
                if question >= WARM as u64 {
                    times.push(begun.elapsed().as_secs_f64() * 1e3);
                }
            }
            Ok::<_, anyhow::Error>(times)
        })?;
        let half = percentile(&mut times, 0.5);
        rounds.push(Round::new(percentile(&mut times, 0.99), 1.0).with("p50", half, "ms"));
    }
    server.stop()?;
    let of = format!("p99 at {} facts", run.large);
    Ok(vec![Figure::of("proofs", of, "ms", QUESTIONS as u64, Reach::AtMost(1.0), rounds)])
}
