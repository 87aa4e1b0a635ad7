//! The handover writes itself: the list of what is open, which the one who leaves signs and the one who comes countersigns.

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::response::Response;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::ItemKind;
use toml::{Table, Value};

use super::cards::Values;
use super::progress::Act;
use super::shown::{Frame, page};
use super::view::{WashView, person_name};
use super::{App, clock, wash_id};
use crate::ClientError;
use crate::card::{Card, Context};

#[derive(Template)]
#[template(path = "handover.html")]
struct HandoverPage {
    frame: Frame,
    here: String,
    subject: String,
    unsigned: usize,
    lines: Vec<String>,
    /// The list as it was handed over; empty while nothing waits to be taken over.
    pending: Vec<String>,
    at: String,
    giver: String,
    remark: String,
    interrupted: bool,
}

/// One line an item: the list of a handover and of its page are the same.
fn lines(wash: &WashView, now_ms: u64) -> Vec<String> {
    let told = wash.own_items().filter(|item| item.kind != ItemKind::HandoverDue);
    told.map(|item| match item.due_ms {
        Some(due) => format!("{} Due {}.", item.text, clock::minute(due, now_ms)),
        None => item.text.clone(),
    })
    .collect()
}

/// The leaving that nobody has taken over: what the rules say is due, by the fact that opened it.
fn left(wash: &WashView) -> Option<&Act> {
    let item = wash.own_items().find(|item| item.kind == ItemKind::HandoverDue)?;
    wash.acts.iter().find(|act| act.hash == Some(item.opened_by.hash))
}

pub(super) async fn show(State(app): State<App>, Path(wash): Path<String>) -> Response {
    app.told(wash_id(&wash).and_then(|id| shown(&app, id, Vec::new())))
}

fn shown(app: &App, id: Id, said: Vec<String>) -> Result<Response, ClientError> {
    let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
    let wash = app.desk.wash(id)?;
    let left = left(&wash);
    let (pending, remark) = match left.map(|act| &act.kind) {
        Some(Kind::HandedOver(b)) => (b.open_items.clone(), b.remark.clone()),
        Some(Kind::WashInterrupted(b)) => (lines(&wash, now_ms), b.reason.clone()),
        _ => (Vec::new(), String::new()),
    };
    let giver = left.and_then(|act| act.person).map(|person| person_name(&view.names, &person));
    page(&HandoverPage {
        frame: Frame::of(app, "Hand over", left.is_some()).saying(said),
        here: app.here(&id),
        subject: format!("{} · work order {}", wash.registration, wash.work_order),
        unsigned: app.desk.draft(&id).map_or(0, |draft| draft.fact.len()),
        lines: lines(&wash, now_ms),
        pending: if left.is_some() && pending.is_empty() { vec!["Nothing was open.".to_owned()] } else { pending },
        at: left.map(|act| clock::minute(act.happened_ms, now_ms)).unwrap_or_default(),
        giver: giver.unwrap_or_default(),
        remark,
        interrupted: matches!(left.map(|act| &act.kind), Some(Kind::WashInterrupted(_))),
    })
}

pub(super) async fn note(
    State(app): State<App>,
    Path(wash): Path<String>,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    let values = Values(values);
    let id = match wash_id(&wash) {
        Ok(id) => id,
        Err(error) => return app.told(Err(error)),
    };
    match noted(&app, id, &values) {
        Ok(group) => App::go(&format!("{}/sign/{group}", app.here(&id))),
        Err(error) => app.told(shown(&app, id, vec![error.to_string()])),
    }
}

/// Notes one side of the handover; gives whose signature is next.
fn noted(app: &App, id: Id, values: &Values) -> Result<&'static str, ClientError> {
    let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
    let wash = app.desk.wash(id)?;
    let text = |text: &str| Value::String(text.to_owned());
    let at = clock::toml(now_ms).ok_or_else(|| ClientError::Usage("the clock of this device is not set".to_owned()))?;
    let mut fact = Table::from_iter([("at".to_owned(), Value::Datetime(at))]);
    let group = if values.get("do") == "take" {
        let left: Option<Hash> = left(&wash).and_then(|act| act.hash);
        let left = left.ok_or_else(|| ClientError::Usage("nothing waits to be taken over".to_owned()))?;
        fact.insert("kind".to_owned(), text("countersigned"));
        fact.insert("purpose".to_owned(), text("handover-accepted"));
        fact.insert("acts_on".to_owned(), Value::Array(vec![text(&left.to_string())]));
        "accept"
    } else {
        fact.insert("kind".to_owned(), text("handed-over"));
        let lines = lines(&wash, now_ms).into_iter().map(Value::String).collect();
        fact.insert("open_items".to_owned(), Value::Array(lines));
        fact.insert("remark".to_owned(), text(values.get("remark")));
        "work"
    };
    let names = view.names_for(&wash);
    app.desk.note(&id, &wash.registration, |draft| {
        let kind = fact.get("kind").cloned();
        draft.fact.retain(|noted| noted.get("kind") != kind.as_ref());
        draft.fact.push(fact);
        Card::from_table(&draft.card(), &Context { names: &names, now_ms, folder: None })?;
        Ok(())
    })?;
    Ok(group)
}
