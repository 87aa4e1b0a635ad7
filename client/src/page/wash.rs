//! One wash: its engines side by side, for each the next sensible step first and every other one a touch away.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::rules::{Item, ItemKind, answer};

use super::drafts::{Draft, Run};
use super::motor::taps;
use super::next::{Next, Step, next};
use super::progress::{EngineProgress, Progress};
use super::shown::{Frame, ItemShown, left, page};
use super::view::{View, WashView, person_name};
use super::{App, clock, wash_id};
use crate::ClientError;
use crate::card::{Card, Context, describe};

#[derive(Template)]
#[template(path = "wash.html")]
struct WashPage {
    frame: Frame,
    here: String,
    registration: String,
    work_order: String,
    title: String,
    /// The work was left and not taken over.
    waits: bool,
    engines: Vec<EngineShown>,
    /// Something of it is captured or noted that nobody signed yet.
    unsigned: bool,
    noted: Vec<NotedShown>,
    /// Group's word, how many facts, who signs.
    groups: Vec<(&'static str, usize, &'static str)>,
    items: Vec<ItemShown>,
    findings: Vec<String>,
    steps: Vec<(String, &'static str)>,
    told: Vec<String>,
}

struct EngineShown {
    position: u32,
    serial: String,
    next: NextShown,
    motoring: &'static str,
    clocks: Vec<ClockShown>,
    items: Vec<ItemShown>,
    steps: Vec<(String, &'static str)>,
}

struct NextShown {
    words: String,
    detail: String,
    href: String,
    class: &'static str,
    wait_ms: u64,
    wait: String,
    left: String,
}

struct NotedShown {
    place: usize,
    text: String,
}

/// What, what it shows, and until when it runs (0: it does not).
pub(super) type ClockShown = (String, String, u64);

pub(super) async fn show(State(app): State<App>, Path(wash): Path<String>) -> Response {
    app.told(wash_id(&wash).and_then(|id| shown(&app, id)))
}

fn shown(app: &App, id: Id) -> Result<Response, ClientError> {
    let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
    let draft = app.desk.draft(&id);
    let wash = view.wash(id, draft.as_ref(), now_ms)?;
    let (procedure, progress) = parts(&wash)?;
    let here = app.here(&id);
    let engines = wash.engines.iter().map(|engine| {
        let one =
            with_run(&procedure, &progress, &engine.serial, draft.as_ref().and_then(|d| d.run_of(engine.position)));
        let run = draft.as_ref().and_then(|d| d.run_of(engine.position));
        let told = next(&procedure, &progress.wash, &one, now_ms);
        let of_engine = |item: &&Item| item.engine.as_ref().is_some_and(|e| e.serial == engine.serial);
        EngineShown {
            position: engine.position,
            serial: engine.serial.clone(),
            next: next_shown(&told, run, &here, engine.position, now_ms),
            motoring: motoring_words(run),
            clocks: clocks(&procedure, &one, run, now_ms),
            items: ItemShown::all(wash.own_items().filter(of_engine), now_ms),
            steps: steps(&here, Some(engine.position)),
        }
    });
    let engines = engines.collect();
    let whole = wash.own_items().filter(|item| item.engine.is_none());
    let page_of = WashPage {
        frame: Frame::of(app, &format!("{} {}", wash.registration, wash.work_order), true),
        waits: wash.own_items().any(|item| item.kind == ItemKind::HandoverDue),
        engines,
        unsigned: draft.as_ref().is_some_and(|d| !d.fact.is_empty() || !d.run.is_empty()),
        noted: noted(&view, &wash, draft.as_ref(), now_ms)?,
        groups: draft.iter().flat_map(Draft::groups).map(|(g, n)| (g.slug(), n, group_words(g))).collect(),
        items: ItemShown::all(whole, now_ms),
        findings: wash.findings.clone(),
        steps: steps(&here, None),
        told: recorded(&view, &wash, now_ms),
        registration: wash.registration.clone(),
        work_order: wash.work_order.clone(),
        title: wash.title.clone().unwrap_or_default(),
        here,
    };
    page(&page_of)
}

fn group_words(group: super::next::Group) -> &'static str {
    use super::next::Group;
    match group {
        Group::Work => "technician",
        Group::Second => "second person",
        Group::Run => "who ran the engine",
        Group::Certify => "certifying staff",
        Group::Waive => "who may waive",
        Group::Accept => "who takes over",
    }
}

/// The procedure and how far the wash is; a wash whose procedure is not here cannot be led, only shown elsewhere.
pub(super) fn parts(wash: &WashView) -> Result<(Arc<Procedure>, Progress), ClientError> {
    let missing = || {
        let why = "the procedure of this wash is not here yet, or cannot be read; it comes when the service is reached. \
                   Until then facts can be signed with `rinsebook fact`";
        ClientError::Usage(why.to_owned())
    };
    let procedure = wash.procedure.clone().ok_or_else(missing)?;
    let progress = wash.progress().ok_or_else(missing)?;
    Ok((procedure, progress))
}

/// How far an engine is, motoring that was captured and not noted yet included.
pub(super) fn with_run(procedure: &Procedure, progress: &Progress, serial: &str, run: Option<&Run>) -> EngineProgress {
    let mut one = progress.engines.get(serial).cloned().unwrap_or_default();
    if let Some(run) = run {
        one.motored(procedure, Some(run.motoring_started_ms), run.motoring_ended_ms);
        let ended = run.injection_ended_ms.or(run.motoring_ended_ms);
        one.wetted(procedure, run.injection_started_ms, ended);
    }
    one
}

pub(super) fn motoring_words(run: Option<&Run>) -> &'static str {
    match run {
        None => "Motoring: clocks and buttons",
        Some(run) if run.motoring_ended_ms.is_none() => "IT TURNS: clocks and buttons",
        Some(_) => "Motoring to be looked over",
    }
}

fn next_shown(told: &Next, run: Option<&Run>, here: &str, position: u32, now_ms: u64) -> NextShown {
    let wait_ms = told.wait_until_ms.unwrap_or(0);
    let mut shown = NextShown {
        words: told.step.map_or_else(|| "Nothing left".to_owned(), |step| step.title().to_owned()),
        detail: told.detail.clone(),
        href: told.step.map_or_else(|| here.to_owned(), |step| href(here, step, position)),
        class: if told.step.is_none() {
            "ended"
        } else if wait_ms > 0 {
            "waits"
        } else {
            "now"
        },
        wait_ms,
        wait: clock::second(wait_ms),
        left: left(wait_ms, now_ms),
    };
    if told.sign_first {
        shown.words = "Sign the work".to_owned();
        shown.href = format!("{here}/sign/work");
    }
    if let Some(run) = run {
        (shown.class, shown.wait_ms) = ("now", 0);
        shown.href = format!("{here}/motor/{position}");
        // The touch that comes next is on the page with the clocks: it is named here, for it is the engine's next step.
        shown.words = match taps(Some(run)).first() {
            Some((_, next, _)) if run.motoring_ended_ms.is_none() => format!("IT TURNS: {}", next.to_lowercase()),
            _ => motoring_words(Some(run)).to_owned(),
        };
        shown.detail = format!("since {}", clock::second(run.motoring_started_ms));
    }
    shown
}

/// Motoring has its own screen, with clocks.
fn href(here: &str, step: Step, position: u32) -> String {
    match step {
        Step::Cycle | Step::DryCrank => format!("{here}/motor/{position}"),
        step if step.is_of_engine() => format!("{here}/step/{}?engine={position}", step.slug()),
        step => format!("{here}/step/{}", step.slug()),
    }
}

/// Every step's card: nothing that really happened is barred, whatever comes next.
fn steps(here: &str, position: Option<u32>) -> Vec<(String, &'static str)> {
    let of = |step: &&Step| step.is_of_engine() == position.is_some();
    let link = |step: &Step| match position {
        Some(position) => (format!("{here}/step/{}?engine={position}", step.slug()), step.title()),
        None => (format!("{here}/step/{}", step.slug()), step.title()),
    };
    Step::ALL.iter().filter(of).map(link).collect()
}

/// Soak, rest, area, cycles of one engine.
pub(super) fn clocks(procedure: &Procedure, one: &EngineProgress, run: Option<&Run>, now_ms: u64) -> Vec<ClockShown> {
    let running = |what: &str, until: Option<u64>| {
        let until = until.filter(|until| *until > now_ms)?;
        Some((format!("{what} until {}", clock::second(until)), left(until, now_ms), until))
    };
    let turning = run.is_some_and(|run| run.motoring_ended_ms.is_none());
    let soak = running("Soaks", one.soak_until_ms.filter(|_| !turning));
    let rest = running("Starter rests", one.rest_until_ms.filter(|_| !turning));
    let area = running("Area counts as cleared", one.area_until_ms);
    let not_before = one.motoring_from_ms(now_ms).filter(|_| !turning);
    let not_before = not_before.map(|at| ("Next motoring not before".to_owned(), clock::second(at), 0));
    let cycles = ("Cycles that count".to_owned(), format!("{} of {}", one.cycles, procedure.cycle.count), 0);
    let dried = if !one.injected {
        "no water yet"
    } else if one.dried {
        "yes"
    } else {
        "no"
    };
    let dried = ("Dried".to_owned(), dried.to_owned(), 0);
    [soak, rest, not_before, area, Some(cycles), Some(dried)].into_iter().flatten().collect()
}

fn noted(view: &View, wash: &WashView, draft: Option<&Draft>, now_ms: u64) -> Result<Vec<NotedShown>, ClientError> {
    let Some(draft) = draft.filter(|draft| !draft.fact.is_empty()) else { return Ok(Vec::new()) };
    let names = view.names_for(wash);
    let card = Card::from_table(&draft.card(), &Context { names: &names, now_ms, folder: None })?;
    let mut all = Vec::new();
    for (place, fact) in card.facts.iter().enumerate() {
        let fields = describe(&fact.draft.kind, &card.blobs, &names)?;
        let fields: Vec<String> = fields.into_iter().map(|(field, value)| format!("{field} {value}")).collect();
        let kind = rinsebook_proto::rules::kind_name(&fact.draft.kind).replace('-', " ");
        let at = clock::second(fact.draft.happened_ms);
        all.push(NotedShown { place, text: format!("{at} {kind}: {}", fields.join(", ")) });
    }
    Ok(all)
}

/// What was recorded, in sentences.
fn recorded(view: &View, wash: &WashView, now_ms: u64) -> Vec<String> {
    let told = |index: &u64| {
        let recorded = view.history.recorded(*index)?;
        let header = recorded.fact.header();
        let person = view.history.roster().key(&header.author_key, u64::MAX).map(|key| key.person);
        let by = person.map_or_else(|| "a key not known here".to_owned(), |p| person_name(&view.names, &p));
        let sent = if *index < view.copied { "" } else { " (not sent or not seen back yet)" };
        let what = answer::fact_text(recorded, view.history.roster());
        Some(format!("{} {what} Signed by {by}.{sent}", clock::minute(header.happened_ms, now_ms)))
    };
    let subject = rinsebook_proto::fact::Subject::Wash(wash.id);
    let told = view.history.facts_of(&subject).iter().filter_map(told);
    told.collect::<Vec<_>>().into_iter().rev().collect()
}
