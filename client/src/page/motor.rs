//! Motoring as it happens: big buttons that capture the instant, and clocks. Each touch is on disk before it is answered,
//! so that neither a reload nor the end of the program loses one; every time can be changed before it is signed.

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::response::Response;
use rinsebook_proto::bytes::Id;
use rinsebook_proto::rules::ItemKind;
use rinsebook_proto::rules::procedure::Procedure;

use super::cards::Values;
use super::drafts::{Draft, Run};
use super::next::Step;
use super::progress::EngineProgress;
use super::shown::{Frame, left, page};
use super::wash::{ClockShown, clocks, motoring_words, parts, with_run};
use super::{App, clock, wash_id};
use crate::ClientError;
use crate::explain::Care;

#[derive(Template)]
#[template(path = "motor.html")]
struct MotorPage {
    frame: Frame,
    here: String,
    position: u32,
    serial: String,
    cycle: String,
    warnings: Vec<String>,
    /// Where the work can hurt: under the buttons, which hands must find first.
    cares: [&'static str; 3],
    dials: Vec<Dial>,
    /// What it does, what stands on it, how it looks.
    taps: Vec<(&'static str, &'static str, &'static str)>,
    finished: bool,
    finish: &'static str,
    all: Vec<EngineClocks>,
}

struct EngineClocks {
    position: u32,
    clocks: Vec<ClockShown>,
    motoring: &'static str,
}

struct Dial {
    label: String,
    /// data-since, data-until, or nothing that runs.
    mark: &'static str,
    ms: u64,
    text: String,
    aim: String,
    class: &'static str,
}

pub(super) async fn show(State(app): State<App>, Path((wash, engine)): Path<(String, u32)>) -> Response {
    app.told(wash_id(&wash).and_then(|id| shown(&app, id, engine)))
}

fn shown(app: &App, id: Id, position: u32) -> Result<Response, ClientError> {
    let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
    let draft = app.desk.draft(&id);
    let wash = view.wash(id, draft.as_ref(), now_ms)?;
    let (procedure, progress) = parts(&wash)?;
    let engine = wash.engine(position);
    let engine = engine.ok_or_else(|| ClientError::Usage("this wash has no such engine".to_owned()))?;
    let run_of = |position| draft.as_ref().and_then(|draft: &Draft| draft.run_of(position));
    let run = run_of(position);
    let one = with_run(&procedure, &progress, &engine.serial, run);
    let mut warnings = warnings(&one, run, now_ms);
    for item in wash.own_items().filter(|i| matches!(i.kind, ItemKind::ToolMissing | ItemKind::HandoverDue)) {
        warnings.push(format!("{} Motoring now would be a finding.", item.text));
    }
    let all = wash.engines.iter().map(|engine| {
        let run = run_of(engine.position);
        let one = with_run(&procedure, &progress, &engine.serial, run);
        let motoring = motoring_words(run);
        EngineClocks { position: engine.position, clocks: clocks(&procedure, &one, run, now_ms), motoring }
    });
    let finish = match run {
        Some(run) if run.aborted => Step::Aborted,
        Some(run) if run.dry => Step::DryCrank,
        _ => Step::Cycle,
    };
    page(&MotorPage {
        frame: Frame::of(app, &format!("Motoring engine {position}"), true),
        here: app.here(&id),
        position,
        serial: engine.serial.clone(),
        cycle: format!("{} of {} cycles count", one.cycles, procedure.cycle.count),
        warnings,
        cares: [Care::Turning, Care::Starter, Care::HotWater].map(Care::text),
        dials: dials(&procedure, run, now_ms),
        taps: taps(run),
        finished: run.is_some_and(|run| run.motoring_ended_ms.is_some()),
        finish: finish.slug(),
        all: all.collect(),
    })
}

/// What speaks against motoring now. It is said, never barred.
fn warnings(one: &EngineProgress, run: Option<&Run>, now_ms: u64) -> Vec<String> {
    let mut all = Vec::new();
    let cleared = |at_ms: u64| one.area_until_ms.is_some_and(|until| until > at_ms);
    if let Some(run) = run {
        if run.motoring_ended_ms.is_none() && !cleared(run.motoring_started_ms) {
            all.push("The area is not recorded as cleared for this engine, and it turns.".to_owned());
        }
        return all;
    }
    if let Some(until) = one.soak_until_ms.filter(|until| *until > now_ms) {
        all.push(format!("It soaks until {}.", clock::second(until)));
    }
    if let Some(until) = one.rest_until_ms.filter(|until| *until > now_ms) {
        all.push(format!("The starter rests until {}.", clock::second(until)));
    }
    if !cleared(now_ms) {
        all.push("The area is not recorded as cleared for this engine.".to_owned());
    }
    all
}

/// The buttons that make sense now.
pub(super) fn taps(run: Option<&Run>) -> Vec<(&'static str, &'static str, &'static str)> {
    let Some(run) = run else {
        return vec![("start", "Motoring begins, to inject", "go"), ("start-dry", "Motoring begins, dry crank", "go")];
    };
    if run.motoring_ended_ms.is_some() {
        return vec![("back", "Take the last touch back", ""), ("discard", "Forget this motoring", "")];
    }
    let mut all = Vec::new();
    if !run.dry {
        if run.rotation_confirmed_ms.is_none() {
            all.push(("rotation", "Rotation seen", "go"));
        }
        match (run.injection_started_ms, run.injection_ended_ms) {
            // Nothing that happened is barred, yet the eye is led to what comes first.
            (None, _) => {
                all.push(("inject", "Injection begins", if run.rotation_confirmed_ms.is_some() { "go" } else { "" }))
            }
            (Some(_), None) => all.push(("inject-end", "Injection ends", "stop")),
            _ => {}
        }
    }
    all.push(("stop", "Motoring ends", "stop"));
    all.push(("abort", "Broken off", "broken"));
    all.push(("back", "Take the last touch back", ""));
    all
}

fn since(label: &str, from_ms: u64, to_ms: Option<u64>, aim: String, now_ms: u64) -> Dial {
    match to_ms {
        None => Dial {
            label: label.to_owned(),
            mark: "data-since",
            ms: from_ms,
            text: clock::length(now_ms.saturating_sub(from_ms)),
            aim,
            class: "runs",
        },
        Some(to_ms) => still(label, clock::length(to_ms.saturating_sub(from_ms)), aim),
    }
}

fn still(label: &str, text: String, aim: String) -> Dial {
    Dial { label: label.to_owned(), mark: "data-still", ms: 0, text, aim, class: "" }
}

fn dials(procedure: &Procedure, run: Option<&Run>, now_ms: u64) -> Vec<Dial> {
    let Some(run) = run else { return Vec::new() };
    let motoring = &procedure.motoring;
    let longest = motoring.starter_duty.last().map_or(0, |row| row.on_s);
    let began = run.motoring_started_ms;
    let limit = format!("began {}; starter limit {} s", clock::second(began), longest);
    let mut all = vec![since("Motoring", began, run.motoring_ended_ms, limit, now_ms)];
    if run.dry {
        all[0].aim = format!("{} s at least; {}", procedure.dry_crank.length_min_s, all[0].aim);
        return all;
    }
    let rotation = match run.rotation_confirmed_ms {
        Some(at) => still("Rotation", format!("seen {}", clock::second(at)), String::new()),
        None => still("Rotation", "NOT seen".to_owned(), "see it turn before water goes in".to_owned()),
    };
    all.push(rotation);
    let earliest = began + u64::from(motoring.injection_wait_s) * 1000;
    let aim = format!("{} s at least", procedure.cycle.injection_min_s);
    all.push(match run.injection_started_ms {
        Some(at) => since("Injection", at, run.injection_ended_ms.or(run.motoring_ended_ms), aim, now_ms),
        None => Dial {
            label: "Wait before injection".to_owned(),
            mark: "data-until",
            ms: earliest,
            text: left(earliest, now_ms),
            aim: format!("not before {}", clock::second(earliest)),
            class: "runs",
        },
    });
    all
}

pub(super) async fn tap(
    State(app): State<App>,
    Path((wash, engine)): Path<(String, u32)>,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    // Read at once: what comes after may take a moment.
    let at_ms = app.desk.now_ms();
    let values = Values(values);
    let tapped = || {
        let id = wash_id(&wash)?;
        let known = app.desk.wash(id)?;
        if known.engine(engine).is_none() {
            return Err(ClientError::Usage("this wash has no such engine".to_owned()));
        }
        app.desk.note(&id, &known.registration, |draft| touch(draft, engine, values.get("do"), at_ms))?;
        Ok(App::go(&format!("{}/motor/{engine}", app.here(&id))))
    };
    app.told(tapped())
}

/// One touch. A second one on the same button changes nothing: the first instant stands.
fn touch(draft: &mut Draft, engine: u32, what: &str, at_ms: u64) -> Result<(), ClientError> {
    if let "start" | "start-dry" = what {
        if draft.run_of(engine).is_none() {
            let dry = what == "start-dry";
            draft.run.push(Run { engine, dry, motoring_started_ms: at_ms, ..Run::default() });
        }
        return Ok(());
    }
    let gone = || ClientError::Usage("no motoring is under way on this engine".to_owned());
    let run = draft.run.iter_mut().find(|run| run.engine == engine).ok_or_else(gone)?;
    let mut discard = what == "discard";
    match what {
        "rotation" => _ = run.rotation_confirmed_ms.get_or_insert(at_ms),
        "inject" => _ = run.injection_started_ms.get_or_insert(at_ms),
        "inject-end" => _ = run.injection_ended_ms.get_or_insert(at_ms),
        "stop" | "abort" => {
            if run.injection_started_ms.is_some() {
                run.injection_ended_ms.get_or_insert(at_ms);
            }
            run.motoring_ended_ms.get_or_insert(at_ms);
            run.aborted |= what == "abort";
        }
        "back" => discard = take_back(run),
        "discard" => {}
        _ => return Err(ClientError::Usage("there is no such button".to_owned())),
    }
    if discard {
        draft.run.retain(|run| run.engine != engine);
    }
    Ok(())
}

/// Takes the newest touch back; true where it was the first one.
fn take_back(run: &mut Run) -> bool {
    if let Some(ended) = run.motoring_ended_ms.take() {
        run.aborted = false;
        // One touch ended both.
        if run.injection_ended_ms == Some(ended) {
            run.injection_ended_ms = None;
        }
        return false;
    }
    let newest =
        [run.rotation_confirmed_ms, run.injection_started_ms, run.injection_ended_ms].into_iter().flatten().max();
    let Some(newest) = newest else { return true };
    for at in [&mut run.injection_ended_ms, &mut run.injection_started_ms, &mut run.rotation_confirmed_ms] {
        if *at == Some(newest) {
            *at = None;
            break;
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    fn touched(all: &[(&str, u64)]) -> Draft {
        let mut draft = Draft::default();
        for (what, at_ms) in all {
            touch(&mut draft, 2, what, *at_ms).unwrap();
        }
        draft
    }

    #[test]
    fn a_second_touch_of_a_button_leaves_the_first_instant() {
        let draft = touched(&[("start", 10), ("start", 20), ("rotation", 30), ("rotation", 40)]);
        let run = draft.run_of(2).unwrap();
        assert_eq!((run.motoring_started_ms, run.rotation_confirmed_ms), (10, Some(30)));
    }

    #[test]
    fn the_end_of_motoring_ends_the_injection_and_can_be_taken_back_with_it() {
        let mut draft = touched(&[("start", 10), ("inject", 20), ("stop", 30)]);
        let run = draft.run_of(2).unwrap();
        assert_eq!((run.injection_ended_ms, run.motoring_ended_ms), (Some(30), Some(30)));
        touch(&mut draft, 2, "back", 40).unwrap();
        let run = draft.run_of(2).unwrap();
        assert_eq!((run.injection_started_ms, run.injection_ended_ms, run.motoring_ended_ms), (Some(20), None, None));
        for _ in 0..2 {
            touch(&mut draft, 2, "back", 50).unwrap();
        }
        assert_eq!(draft.run_of(2), None);
        assert!(touch(&mut draft, 2, "stop", 60).is_err());
    }

    #[test]
    fn an_engine_s_motoring_is_its_own() {
        let mut draft = touched(&[("start", 10)]);
        touch(&mut draft, 1, "start-dry", 12).unwrap();
        touch(&mut draft, 1, "stop", 15).unwrap();
        assert_eq!(draft.run_of(2).unwrap().motoring_ended_ms, None);
        assert!(draft.run_of(1).unwrap().dry);
    }
}
