//! From tablet to tablet without a network: this one shows codes, the other one's scanner reads them, and a second person
//! inspects there with their own key.

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::response::Response;
use qrcode::render::svg;
use qrcode::{EcLevel, QrCode};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::{Kind, Signed, Subject};
use rinsebook_proto::rules::{ItemKind, answer};

use super::cards::Values;
use super::shown::{Frame, page};
use super::view::{View, WashView};
use super::{App, wash_id};
use crate::ClientError;
use crate::brought::codes;

#[derive(Template)]
#[template(path = "codes.html")]
struct CodesPage {
    frame: Frame,
    here: String,
    subject: String,
    codes: Vec<String>,
    told: Vec<String>,
}

#[derive(Template)]
#[template(path = "scan.html")]
struct ScanPage {
    frame: Frame,
    taken: Vec<String>,
    /// Addresses of washes, and what they are called.
    washes: Vec<(String, String)>,
}

/// What a second look needs and the log does not hold yet: the wash's opening, and what the look is at.
fn needed<'v>(view: &'v View, wash: &WashView, id: Id) -> Vec<&'v rinsebook_proto::rules::Recorded> {
    let asked = |item: &&rinsebook_proto::rules::Item| {
        matches!(item.kind, ItemKind::InspectionDue | ItemKind::LatchCheckDue | ItemKind::LineDisconnected)
    };
    let looked_at: Vec<Hash> = wash.own_items().filter(asked).map(|item| item.opened_by.hash).collect();
    let facts = view.history.facts_of(&Subject::Wash(id)).iter().filter_map(|at| view.history.recorded(*at));
    facts
        .filter(|recorded| recorded.index >= view.copied)
        .filter(|recorded| {
            matches!(recorded.fact.kind(), Some(Kind::WashOpened(_))) || looked_at.contains(&recorded.fact.hash())
        })
        .collect()
}

pub(super) async fn show(State(app): State<App>, Path(wash): Path<String>) -> Response {
    app.told(wash_id(&wash).and_then(|id| shown(&app, id)))
}

fn shown(app: &App, id: Id) -> Result<Response, ClientError> {
    let (view, wash) = (app.desk.view(), app.desk.wash(id)?);
    let needed = needed(&view, &wash, id);
    let facts: Vec<&Signed> = needed.iter().map(|recorded| &*recorded.fact).collect();
    page(&CodesPage {
        frame: Frame::of(app, "Second look on another tablet", false),
        here: app.here(&id),
        subject: format!("{} · work order {}", wash.registration, wash.work_order),
        codes: codes(facts).iter().map(|text| drawn(text)).collect::<Result<_, _>>()?,
        told: needed.iter().map(|recorded| answer::fact_text(recorded, view.history.roster())).collect(),
    })
}

fn drawn(text: &str) -> Result<String, ClientError> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).map_err(|_| {
        ClientError::Usage("a fact is too long for a code; let both tablets reach the service".to_owned())
    })?;
    let drawing = code.render::<svg::Color<'_>>().min_dimensions(360, 360).build();
    // Within a page an XML declaration has no place.
    Ok(drawing.find("<svg").map_or(String::new(), |at| drawing[at..].to_owned()))
}

pub(super) async fn scan(State(app): State<App>) -> Response {
    app.told(scanned(&app, Vec::new(), &[]))
}

pub(super) async fn take(State(app): State<App>, Form(values): Form<Vec<(String, String)>>) -> Response {
    match app.desk.take(Values(values).get("code")).await {
        Ok(taken) => app.told(scanned(&app, Vec::new(), &taken)),
        Err(error) => app.told(scanned(&app, vec![error.to_string()], &[])),
    }
}

fn scanned(app: &App, said: Vec<String>, taken: &[Hash]) -> Result<Response, ClientError> {
    let view = app.desk.view();
    let recorded = taken.iter().filter_map(|hash| view.history.recorded(view.history.by_hash(hash)?));
    let mut washes: Vec<Id> = Vec::new();
    let mut told = Vec::new();
    for recorded in recorded {
        told.push(answer::fact_text(recorded, view.history.roster()));
        washes.extend(recorded.fact.header().subjects.iter().filter_map(|subject| match subject {
            Subject::Wash(id) => Some(*id),
            _ => None,
        }));
    }
    washes.sort_unstable();
    washes.dedup();
    // A wash whose opening was on another code is not known yet.
    let known = washes.into_iter().filter_map(|id| Some((id, app.desk.wash(id).ok()?)));
    let washes = known
        .map(|(id, wash)| (app.here(&id), format!("{} · work order {}", wash.registration, wash.work_order)))
        .collect();
    page(&ScanPage { frame: Frame::of(app, "Scan another tablet's code", false).saying(said), taken: told, washes })
}
