//! One card: an engine and a stage. Noting it keeps it on disk; nothing is signed by it.

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::response::Response;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::{Blocks, Item, ItemKind};
use rinsebook_proto::v1::EngineAt;

use super::cards::{self, Asked, Values};
use super::next::Step;
use super::progress::EngineProgress;
use super::shown::{Frame, page};
use super::view::WashView;
use super::wash::parts;
use super::{App, wash_id};
use crate::ClientError;
use crate::card::{Card, Context};
use crate::explain::Care;

#[derive(Template)]
#[template(path = "step.html")]
struct StepPage {
    frame: Frame,
    here: String,
    action: String,
    title: &'static str,
    subject: String,
    cares: Vec<String>,
    form: cards::Form,
}

/// Water that was used is nobody's to let run off: our own words.
const WASTE: &str = "What runs off is waste water with what it washed out: collect it as local rules ask.";

fn cares(step: Step) -> Vec<&'static str> {
    let of = |all: &[Care]| all.iter().map(|care| care.text()).collect();
    match step {
        Step::Fit => vec![Care::Power.text(), WASTE],
        Step::Readings => vec![Care::HotWater.text(), Care::Freezing.text()],
        Step::ClearArea | Step::RunUp => of(&[Care::Turning]),
        Step::Cycle => vec![Care::Turning.text(), Care::Starter.text(), Care::HotWater.text(), WASTE],
        Step::DryCrank => of(&[Care::Turning, Care::Starter, Care::Freezing]),
        Step::RemoveFixtures => vec![Care::Power.text(), Care::HotWater.text(), WASTE],
        Step::Disconnect | Step::Reconnect | Step::Inspect => of(&[Care::Power]),
        Step::LeakCheck => of(&[Care::Turning]),
        Step::OpenAccess | Step::CloseAccess | Step::SeeLatches => of(&[Care::Cowl]),
        Step::Restore => of(&[Care::Restoring]),
        Step::Waive => of(&[Care::Freezing]),
        _ => Vec::new(),
    }
}

/// What is asked for: the wash, the step, the engine's position.
struct Place {
    wash: Id,
    step: Step,
    engine: u32,
}

impl Place {
    fn read(wash: &str, step: &str, values: &Values) -> Result<Place, ClientError> {
        let step = Step::by_slug(step).ok_or_else(|| ClientError::Usage("there is no such step".to_owned()))?;
        Ok(Place { wash: wash_id(wash)?, step, engine: values.get("engine").parse().unwrap_or(0) })
    }
}

pub(super) async fn show(
    State(app): State<App>,
    Path((wash, step)): Path<(String, String)>,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    let values = Values(values);
    let shown = |place: Place| {
        with(&app, &place, |asked, wash| step_page(&app, &place, asked, wash, cards::form(asked), Vec::new()))
    };
    app.told(Place::read(&wash, &step, &values).and_then(shown))
}

pub(super) async fn note(
    State(app): State<App>,
    Path((wash, step)): Path<(String, String)>,
    query: axum::extract::RawQuery,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    let mut values = Values(values);
    // The engine stands in the address, with what is filled in beside it.
    let engine = query.0.as_deref().and_then(|q| q.strip_prefix("engine=")).unwrap_or_default().to_owned();
    values.0.push(("engine".to_owned(), engine));
    app.told(Place::read(&wash, &step, &values).and_then(|place| noted(&app, &place, &values)))
}

fn noted(app: &App, place: &Place, values: &Values) -> Result<Response, ClientError> {
    with(app, place, |asked, wash| {
        let again = |said: Vec<String>, values: &Values| {
            let mut form = cards::form(asked);
            form.refill(values);
            step_page(app, place, asked, wash, form, said)
        };
        if values.get("do") == "same" {
            return again(Vec::new(), &same_as_last(asked, values));
        }
        let view = app.desk.view();
        let names = view.names_for(wash);
        let put = |facts: Vec<toml::Table>| {
            app.desk.note(&place.wash, &wash.registration, |draft| {
                draft.fact.extend(facts);
                if is_motoring(place.step) {
                    draft.run.retain(|run| run.engine != place.engine);
                }
                // Read as it will be when it is signed, so that nothing is noted that cannot be.
                Card::from_table(&draft.card(), &Context { names: &names, now_ms: asked.now_ms, folder: None })?;
                Ok(())
            })
        };
        match cards::facts(asked, values).and_then(|facts| put(facts).map_err(|e| e.to_string())) {
            Ok(()) => Ok(App::go(&app.here(&place.wash))),
            Err(why) => again(vec![why], values),
        }
    })
}

fn is_motoring(step: Step) -> bool {
    matches!(step, Step::Cycle | Step::DryCrank | Step::Aborted)
}

/// Speed, temperature and volume as last time; the times stay as they are.
fn same_as_last(asked: &Asked<'_>, values: &Values) -> Values {
    let Some(last) = &asked.progress.last_cycle else { return values.clone() };
    let taken = [
        ("speed", last.speed_tenths_percent.map(|v| cards::shown(v.into(), 1))),
        ("water", last.water_tenths_celsius.map(|v| cards::shown(v.into(), 1))),
        ("litres", last.volume_millilitres.map(|v| cards::shown(v.into(), 3))),
    ];
    let mut same = values.clone();
    same.0.retain(|(name, _)| !taken.iter().any(|(taken, value)| taken == name && value.is_some()));
    same.0.extend(taken.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?))));
    same
}

/// Runs with all that a card is made and read with.
fn with(
    app: &App,
    place: &Place,
    run: impl FnOnce(&Asked<'_>, &WashView) -> Result<Response, ClientError>,
) -> Result<Response, ClientError> {
    let (view, draft) = (app.desk.view(), app.desk.draft(&place.wash));
    let wash = app.desk.wash(place.wash)?;
    let (procedure, progress) = parts(&wash)?;
    let none = EngineAt::default();
    let engine = match wash.engine(place.engine) {
        Some(engine) => engine,
        None if !place.step.is_of_engine() => &none,
        None => return Err(ClientError::Usage("this wash has no such engine".to_owned())),
    };
    let untouched = EngineProgress::default();
    let cycles = |engine: &EngineAt| (engine.position, progress.engines.get(&engine.serial).map_or(0, |e| e.cycles));
    let asked = Asked {
        step: place.step,
        wash: &wash,
        procedure: &procedure,
        all: &progress.wash,
        engine,
        progress: progress.engines.get(&engine.serial).unwrap_or(&untouched),
        cycles: wash.engines.iter().map(cycles).collect(),
        people: view.names.people.keys().cloned().collect(),
        run: draft.as_ref().and_then(|draft| draft.run_of(place.engine)).filter(|_| is_motoring(place.step)),
        now_ms: app.desk.now_ms(),
    };
    run(&asked, &wash)
}

fn step_page(
    app: &App,
    place: &Place,
    asked: &Asked<'_>,
    wash: &WashView,
    form: cards::Form,
    said: Vec<String>,
) -> Result<Response, ClientError> {
    let here = app.here(&place.wash);
    let (slug, of_engine) = (place.step.slug(), place.step.is_of_engine());
    let action =
        if of_engine { format!("{here}/step/{slug}?engine={}", place.engine) } else { format!("{here}/step/{slug}") };
    let subject = if of_engine {
        format!("{} · engine {} ({})", wash.registration, asked.engine.position, asked.engine.serial)
    } else {
        format!("{} · work order {}", wash.registration, wash.work_order)
    };
    let title = place.step.title();
    let mut cares: Vec<String> = cares(place.step).into_iter().map(str::to_owned).collect();
    if place.step == Step::SignOff {
        cares.extend(bars_sign_off(wash).map(|item| format!("{} A sign-off now would have no effect.", item.text)));
    }
    page(&StepPage { frame: Frame::of(app, title, false).saying(said), here, action, title, subject, cares, form })
}

/// What of the wash stands before its sign-off.
fn bars_sign_off(wash: &WashView) -> impl Iterator<Item = &Item> {
    let beside = |item: &&Item| !matches!(item.kind, ItemKind::SignOffDue | ItemKind::DeviceOutstanding);
    wash.own_items().filter(|item| matches!(item.blocks, Blocks::Yes | Blocks::SignOff)).filter(beside)
}

pub(super) async fn undo(
    State(app): State<App>,
    Path(wash): Path<String>,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    let values = Values(values);
    let undone = || {
        let id = wash_id(&wash)?;
        let place = values.get("place").parse().unwrap_or(usize::MAX);
        let aircraft = app.desk.draft(&id).map(|draft| draft.aircraft).unwrap_or_default();
        let opened = app.desk.view().wash(id, None, app.desk.now_ms()).is_ok();
        let left = app.desk.note(&id, &aircraft, |draft| {
            draft.undo(place)?;
            Ok(draft.fact.len())
        })?;
        Ok(App::go(&if left == 0 && !opened { app.base.to_string() } else { app.here(&id) }))
    };
    app.told(undone())
}
