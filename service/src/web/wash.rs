//! One wash: its timeline, as a page and as a file.

use askama::Template;
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Subject};
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::rules::roster::Published;
use rinsebook_proto::rules::{Deed, Finding, History, Severity, State as Known};
use rinsebook_proto::v1::RevisionOutcome;

use super::people::People;
use super::timeline::{Timeline, Told};
use super::{Frame, PageError, Pages, Viewer, html, words};
use crate::query::{AsOf, Moment};

/// What is known of one wash at a moment.
pub(super) struct Look {
    pub(super) id: Id,
    pub(super) aircraft: Id,
    pub(super) as_of: AsOf,
    pub(super) state: Known,
    /// Facts in force about the aircraft, in order.
    pub(super) deeds: Vec<Deed>,
}

impl Look {
    /// The wash as the address names it.
    pub(super) async fn at(pages: &Pages, name: &str) -> Result<Look, PageError> {
        let as_of = pages.queries.settle(Moment::default()).await?;
        let missing = || PageError::Missing { what: "wash", name: words::line(name) };
        let id = Id::from_hex(name).ok_or_else(missing)?;
        let history = pages.queries.view().history();
        let aircraft = aircraft_of(&history, &id).ok_or_else(missing)?;
        let state = history.state(&aircraft, as_of.size, as_of.time_ms);
        let deeds = history.deeds(&aircraft, as_of.size, as_of.time_ms);
        Ok(Look { id, aircraft, as_of, state, deeds })
    }

    /// Facts in force of this wash.
    pub(super) fn own(&self) -> impl Iterator<Item = &Deed> {
        self.deeds.iter().filter(|deed| deed.washes.contains(&self.id))
    }

    /// Its findings, notes last.
    pub(super) fn findings(&self) -> Vec<&Finding> {
        let of_wash = |f: &&Finding| {
            f.wash == Some(self.id) || f.rests_on.iter().any(|on| self.own().any(|deed| deed.reference.hash == on.hash))
        };
        let mut findings: Vec<&Finding> = self.state.findings.iter().filter(of_wash).collect();
        findings.sort_by_key(|f| (f.severity == Severity::Note, f.rests_on.last().map(|on| on.happened_ms)));
        findings
    }

    /// The revision that holds: the one that it was opened with, or moved to.
    pub(super) fn published<'h>(&self, history: &'h History) -> Option<&'h Published> {
        let named = |deed: &Deed| match deed.kind.as_ref()? {
            Kind::WashOpened(b) => Hash::from_slice(&b.procedure.as_ref()?.digest),
            Kind::RevisionDecided(b) if b.outcome == RevisionOutcome::Move as i32 && deed.counts => {
                Hash::from_slice(&b.procedure.as_ref()?.digest)
            }
            _ => None,
        };
        let digest = self.own().filter(|deed| !deed.struck_out).filter_map(named).last()?;
        history.roster().procedure(&digest, self.as_of.size)
    }

    pub(super) fn procedure<'h>(&self, history: &'h History) -> Option<&'h Procedure> {
        self.published(history)?.text.as_deref().ok()
    }

    /// The drawing.
    pub(super) fn timeline(&self, history: &History) -> Timeline {
        let findings = self.findings();
        let procedure = self.procedure(history);
        Timeline::of(&Told { deeds: &self.deeds, wash: self.id, findings: &findings, procedure })
    }

    pub(super) fn registration(&self, history: &History) -> String {
        let known = history.roster().registration(&self.aircraft, self.as_of.size).map(words::line);
        known.filter(|r| !r.is_empty()).unwrap_or_else(|| format!("aircraft {}", self.aircraft.short()))
    }
}

fn aircraft_of(history: &History, wash: &Id) -> Option<Id> {
    let header = |index: &u64| history.recorded(*index).map(|recorded| recorded.fact.header());
    let subjects = history.facts_of(&Subject::Wash(*wash)).iter().filter_map(header).flat_map(|h| h.subjects.iter());
    subjects.into_iter().find_map(|s| if let Subject::Aircraft(id) = s { Some(*id) } else { None })
}

#[derive(Template)]
#[template(path = "wash.html")]
struct Page {
    frame: Frame,
    id: String,
    aircraft: String,
    registration: String,
    work_order: String,
    svg: String,
    findings: Vec<[String; 4]>,
    words: Vec<[String; 4]>,
}

/// The timeline with its words.
pub(super) async fn page(pages: State<Pages>, viewer: Viewer, Path(name): Path<String>) -> Result<Response, PageError> {
    let look = Look::at(&pages, &name).await?;
    let history = pages.queries.view().history();
    let people = People::new(&history, pages.queries.blobs());
    let known = look.state.washes.iter().find(|wash| wash.wash == look.id);
    let said = |deed: &Deed| {
        [
            words::second(deed.reference.happened_ms),
            words::line(&deed.text) + if deed.struck_out { " (struck out)" } else { "" },
            people.signer(deed.person.as_ref()),
            deed.reference.index.to_string(),
        ]
    };
    let page = Page {
        frame: Frame::new("Wash timeline", viewer, &pages),
        id: look.id.to_string(),
        aircraft: look.aircraft.to_string(),
        registration: look.registration(&history),
        work_order: known.map(|wash| words::line(&wash.work_order)).unwrap_or_default(),
        svg: look.timeline(&history).svg(),
        findings: (1..).zip(look.findings()).map(|(number, finding)| numbered(number, finding)).collect(),
        words: look.own().map(said).collect(),
    };
    html(&page)
}

fn numbered(number: usize, finding: &Finding) -> [String; 4] {
    let severity = match finding.severity {
        Severity::Major => "major",
        Severity::Minor => "minor",
        Severity::Note => "note",
    };
    let settled = match (&finding.settled, finding.severity) {
        (Some((by, _)), _) => format!("settled, entry {}", by.index),
        (None, Severity::Note) => "shown only".to_owned(),
        (None, _) => "not settled".to_owned(),
    };
    [
        number.to_string(),
        format!("{} ({severity})", words::spaced(finding.rule.name())),
        words::line(&finding.text),
        settled,
    ]
}

/// The timeline as a file.
pub(super) async fn drawing(pages: State<Pages>, Path(name): Path<String>) -> Result<Response, PageError> {
    let look = Look::at(&pages, &name).await?;
    let svg = look.timeline(&pages.queries.view().history()).svg();
    Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response())
}
