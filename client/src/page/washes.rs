//! The washes of this station's aircraft, what needs a person here, and the opening of another wash.

use askama::Template;
use axum::extract::{Form, State};
use axum::response::Response;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::Blocks;
use toml::{Table, Value};

use super::cards::{Values, engine_table};
use super::shown::{Frame, ItemShown, page};
use super::view::{Trouble, View};
use super::{App, clock};
use crate::ClientError;
use crate::card::{Card, Context};

#[derive(Template)]
#[template(path = "washes.html")]
struct Washes {
    frame: Frame,
    troubles: Vec<(&'static str, Trouble)>,
    aircraft: Vec<AircraftShown>,
}

struct AircraftShown {
    registration: String,
    washes: Vec<WashShown>,
    items: Vec<ItemShown>,
    blocking: usize,
}

struct WashShown {
    id: String,
    work_order: String,
    engines: String,
    state: &'static str,
}

pub(super) async fn list(State(app): State<App>) -> Response {
    let view = app.desk.view();
    let troubles = view.refused.iter().map(|t| ("Refused", t.clone()));
    let troubles = troubles.chain(view.unread.iter().map(|t| ("Not read yet", t.clone()))).collect();
    let aircraft = aircraft(&app, &view);
    app.told(page(&Washes { frame: Frame::of(&app, "Washes", true), troubles, aircraft }))
}

fn aircraft(app: &App, view: &View) -> Vec<AircraftShown> {
    let now_ms = app.desk.now_ms();
    let mut all: Vec<AircraftShown> = Vec::new();
    for id in view.history.aircraft() {
        let state = view.history.state(&id, view.history.size(), now_ms);
        let items: Vec<_> = state.items.iter().filter(|item| view.is_told(item)).collect();
        let signed = |wash: &rinsebook_proto::rules::Wash| wash.signed_off_by.is_some();
        let open = |wash: &&rinsebook_proto::rules::Wash| {
            !signed(wash) || items.iter().any(|item| item.wash == Some(wash.wash))
        };
        let washes = state.washes.iter().filter(open).map(|wash| WashShown {
            id: wash.wash.to_string(),
            work_order: wash.work_order.clone(),
            engines: engines(wash.engines.iter().map(|e| e.position)),
            state: if signed(wash) { "signed off" } else { "under way" },
        });
        let washes: Vec<WashShown> = washes.collect();
        if !items.is_empty() || !washes.is_empty() {
            all.push(AircraftShown {
                registration: view.registration(&id),
                washes,
                blocking: items.iter().filter(|item| item.blocks == Blocks::Yes).count(),
                items: ItemShown::all(items.into_iter(), now_ms),
            });
        }
    }
    noted(app, &mut all);
    all.sort_by(|a, b| (a.washes.is_empty(), &a.registration).cmp(&(b.washes.is_empty(), &b.registration)));
    all
}

/// Washes whose opening nobody signed yet.
fn noted(app: &App, all: &mut Vec<AircraftShown>) {
    let drafts: Vec<_> = app.desk.drafts().all().filter(|draft| draft.opens()).cloned().collect();
    for draft in drafts {
        let Some(wash) = Id::from_hex(&draft.wash).and_then(|id| app.desk.wash(id).ok()) else { continue };
        let shown = WashShown {
            id: draft.wash.clone(),
            work_order: wash.work_order,
            engines: engines(wash.engines.iter().map(|e| e.position)),
            state: "noted here, not signed",
        };
        match all.iter_mut().find(|one| one.registration == draft.aircraft) {
            Some(one) => one.washes.push(shown),
            None => all.push(AircraftShown {
                registration: draft.aircraft.clone(),
                washes: vec![shown],
                items: Vec::new(),
                blocking: 0,
            }),
        }
    }
}

fn engines(positions: impl Iterator<Item = u32>) -> String {
    let positions: Vec<String> = positions.map(|p| p.to_string()).collect();
    format!("engine {}", positions.join(" and "))
}

#[derive(Template)]
#[template(path = "open.html")]
struct Opening {
    frame: Frame,
    aircraft: Vec<String>,
    procedures: Vec<String>,
    chosen: String,
    work_order: String,
    station: String,
    engines: Vec<(String, String)>,
}

fn opening_of(app: &App, values: &Values, said: Vec<String>) -> Result<Response, ClientError> {
    let view = app.desk.view();
    let chosen = values.get("aircraft").to_owned();
    let known = view.names.aircraft.get(&chosen);
    let device = view.history.roster().device(&view.device, u64::MAX);
    let types: Vec<&str> = known
        .iter()
        .flat_map(|a| a.engines.values())
        .map(|serial| view.history.roster().engine_type(serial, u64::MAX))
        .collect();
    // The newest revision that fits comes first.
    let published = view.history.roster().procedures().iter().rev().filter(|p| p.withdrawn_index.is_none());
    let fits = published.filter(|p| types.contains(&p.engine_type.as_str()));
    page(&Opening {
        frame: Frame::of(app, "Open a wash", false).saying(said),
        aircraft: view.names.aircraft.keys().cloned().collect(),
        procedures: fits.map(|p| format!("{} r{}", p.title, p.revision)).collect::<Vec<_>>(),
        work_order: values.get("work_order").to_owned(),
        station: device.map(|d| d.station.clone()).unwrap_or_default(),
        engines: known.map(|a| a.engines.clone().into_iter().collect()).unwrap_or_default(),
        chosen,
    })
}

pub(super) async fn opening(State(app): State<App>, Form(values): Form<Vec<(String, String)>>) -> Response {
    app.told(opening_of(&app, &Values(values), Vec::new()))
}

pub(super) async fn open(State(app): State<App>, Form(values): Form<Vec<(String, String)>>) -> Response {
    let values = Values(values);
    match opened(&app, &values) {
        Ok(wash) => App::go(&app.here(&wash)),
        Err(why) => app.told(opening_of(&app, &values, vec![why])),
    }
}

/// Notes the opening; gives the wash's id.
fn opened(app: &App, values: &Values) -> Result<Id, String> {
    let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
    let registration = values.get("aircraft");
    let aircraft = view.names.aircraft.get(registration).ok_or("Choose an aircraft that is listed.")?;
    let mut engines = Vec::new();
    for (position, serial) in &aircraft.engines {
        if !values.is_on(&format!("engine_{position}")) {
            continue;
        }
        let at = rinsebook_proto::v1::EngineAt {
            position: position.parse().map_err(|_| "an engine's position is no number")?,
            serial: serial.clone(),
        };
        let mut scope = Table::from_iter([("engine".to_owned(), Value::Table(engine_table(&at)))]);
        let shutdown = values.get(&format!("shutdown_{position}"));
        if !shutdown.is_empty() {
            let at = clock::read(shutdown, now_ms).ok().and_then(clock::toml);
            let at = at.ok_or_else(|| format!("Last shut down of engine {position}: write hh:mm, UTC"))?;
            scope.insert("last_shutdown_ms".to_owned(), Value::Datetime(at));
        }
        let found = values.get(&format!("found_{position}"));
        if !found.is_empty() {
            scope.insert("as_found".to_owned(), Value::String(found.to_owned()));
        }
        engines.push(Value::Table(scope));
    }
    if engines.is_empty() {
        return Err("Choose at least one engine.".to_owned());
    }
    if values.get("work_order").is_empty() {
        return Err("Write the work order.".to_owned());
    }
    let text = |name: &str| Value::String(values.get(name).to_owned());
    let when = match values.get("when") {
        "" => now_ms,
        typed => clock::read(typed, now_ms).map_err(|why| format!("When it began: {why}"))?,
    };
    let fact = Table::from_iter([
        ("kind".to_owned(), Value::String("wash-opened".to_owned())),
        ("at".to_owned(), Value::Datetime(clock::toml(when).ok_or("the clock of this device is not set")?)),
        ("work_order".to_owned(), text("work_order")),
        ("procedure".to_owned(), text("procedure")),
        ("engines".to_owned(), Value::Array(engines)),
        ("devices".to_owned(), Value::Array(vec![Value::String(view.device.to_string())])),
        ("station".to_owned(), text("station")),
    ]);
    let wash = Id::random();
    let noted = app.desk.note(&wash, registration, |draft| {
        draft.fact.push(fact);
        // Read as it will be when it is signed, so that nothing is noted that cannot be.
        Card::from_table(&draft.card(), &Context { names: &view.names, now_ms, folder: None })?;
        Ok(())
    });
    noted.map_err(|e| e.to_string())?;
    Ok(wash)
}
