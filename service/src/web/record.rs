//! The record of one wash, for print and for keeping: it carries its own proof and checks itself in the browser.
//!
//! Everything visible in it is one of two things, and both are compared with what is shown:
//!
//! - A *signed fact* is shown as nothing but what follows from its bytes. The script takes the entry's bytes, proves that
//!   the log holds them under its checkpoint, checks the signer's signature, reads the fact by the contract that is built
//!   into the script, and puts the words that come out beside the words that stand in the page. A digest of the words in
//!   the page would prove nothing: whoever alters the words alters the digest with them. The bytes they cannot alter
//!   without breaking the signature.
//! - What the *rules derive* (findings, comparisons, sentences) follows from many facts, and a script that derived it again
//!   would be the whole rule book. So the service signs those strings together, with the key that the founding entry names,
//!   in an envelope of a type of its own; the script compares string by string. This rests on the service's word;
//!   `rinsebook verify` derives it anew from a pack and needs nobody's.
//!
//! Words that stand in neither, facts left out, added or put in another order, turn the record bad too. What this cannot
//! show: a forger may change the checker as well as the record. The page says so, and what to do for proof.

mod code;
pub(super) mod contract;
mod evidence;
mod sections;
mod shown;
mod values;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Envelope;
use serde_json::json;

use super::people::People;
use super::wash::Look;
use super::{Frame, PageError, Pages, Viewer, html, words};
use evidence::{Evidence, Proved};
use sections::Told;
use shown::{Block, Section};

/// The type of the envelope in which the service signs what it derived.
const DERIVED_TYPE: &str = "application/vnd.rinsebook.derived.v1+json";

#[derive(Template)]
#[template(path = "record.html")]
struct Page {
    frame: Frame,
    before: Vec<Section>,
    facts: Vec<Proved>,
    between: Section,
    enrolments: Vec<Proved>,
    after: Section,
    verifier_key: String,
    note: String,
    statement: String,
    annexes: Vec<String>,
}

/// The record's page.
pub(super) async fn page(pages: State<Pages>, viewer: Viewer, Path(name): Path<String>) -> Result<Response, PageError> {
    let look = Look::at(&pages, &name).await?;
    let frame = Frame::new("Record of a wash", viewer, &pages);
    let parts = pages.0.clone();
    let made = tokio::task::spawn_blocking(move || make(&parts, &look, frame));
    html(&made.await.map_err(|_| PageError::Drawing)??)
}

fn make(pages: &Pages, look: &Look, frame: Frame) -> Result<Page, PageError> {
    let known = pages.queries.view().known();
    let evidence = Evidence::gather(pages, &look.id, &known)?;
    let history = pages.queries.view().history();
    let people = People::new(&history, pages.queries.blobs());
    let attachment = |digest: &Hash| {
        let blob = pages.queries.blobs().read(digest)?;
        Some(words::line(std::str::from_utf8(&blob.content).ok()?))
    };
    let told = Told { look, history: &history, people: &people, attachment: &attachment };
    let mut before = sections::before(&told, look.timeline(&history).svg());
    before.push(vec![
        Block::heading("The facts as they were signed"),
        Block::text("Each is shown as its bytes say, checked by itself: place in the log, signature, words."),
    ]);
    let between = vec![
        Block::heading("Who could sign"),
        Block::text("The entries by which the keys and people above were enrolled."),
    ];
    let after = place(pages, &told, &evidence, known.size);
    let indices = |facts: &[Proved]| facts.iter().map(|fact| fact.index).collect::<Vec<u64>>();
    let texts: Vec<Vec<String>> =
        before.iter().chain([&between, &after]).map(|section| shown::strings(section)).collect();
    let derived = json!({
        "what": "record of a wash",
        "origin": pages.signing.origin(),
        "wash": look.id.to_string(),
        "size": look.as_of.size,
        "time_ms": look.as_of.time_ms,
        "facts": indices(&evidence.facts),
        // Whose keys count is the service's word here: a key that somebody without custody enrolled stands on the log too.
        "enrolments": indices(&evidence.enrolments),
        "sections": texts,
    });
    let statement = Envelope::sign(derived.to_string().into_bytes(), DERIVED_TYPE, &pages.identity.fact_key);
    Ok(Page {
        frame,
        before,
        facts: evidence.facts,
        between,
        enrolments: evidence.enrolments,
        after,
        verifier_key: pages.signing.verifier_key().to_string(),
        note: BASE64.encode(known.note),
        statement: BASE64.encode(statement.bytes()),
        annexes: evidence.annexes,
    })
}

/// Where it stands in the log, for whoever wants to look it up: of the sign-off, or of the newest fact.
fn place(pages: &Pages, told: &Told<'_>, evidence: &Evidence, size: u64) -> Section {
    let signed = told.sign_off().map(|(deed, _, _)| deed.original_index);
    let named = evidence.facts.iter().rev().find(|fact| signed.is_none_or(|index| index == fact.index));
    let origin = pages.signing.origin();
    let mut out = vec![Block::heading("Where it stands in the log")];
    if let Some(fact) = named {
        let what = if signed.is_some() { "The sign-off" } else { "The newest fact, since nothing is signed off," };
        let hash = BASE64.encode(fact.entry_hash.0);
        let said = format!("{origin} {} {hash}", fact.index);
        let lines = vec![
            format!("{what} is entry {} of the log {origin}.", fact.index),
            format!("Its entry hash, base64: {hash}"),
            "The code holds log, entry and entry hash, with spaces between.".to_owned(),
        ];
        out.extend(code::svg(&said).map(|svg| Block::Code { svg, lines }));
    }
    out.push(Block::text(format!(
        "Proved to the checkpoint of size {size}, under the log key {}",
        pages.signing.verifier_key()
    )));
    out.push(Block::text(
        "For proof ask for a pack of this aircraft, and run: rinsebook verify, with a log key that you did not get from this page.",
    ));
    out
}
