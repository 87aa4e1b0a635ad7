//! Signing: every fact shown whole, one deliberate act under it. A key that was opened stays open for a short time, which
//! every page shows.

use std::collections::BTreeSet;

use askama::Template;
use axum::extract::{Form, Path, State};
use axum::response::Response;
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::key::SigningKey;
use rinsebook_proto::rules::kind_name;

use super::cards::Values;
use super::next::Group;
use super::people::{self, KeyFile};
use super::shown::{Frame, page};
use super::view::{View, WashView, person_name};
use super::{App, wash_id};
use crate::ClientError;
use crate::card::{Card, Context, describe};
use crate::render;

#[derive(Template)]
#[template(path = "sign.html")]
struct SignPage {
    frame: Frame,
    here: String,
    group: &'static str,
    who: &'static str,
    subject: String,
    facts: Vec<FactShown>,
    shown: String,
    count: String,
    people: Vec<PersonShown>,
    barred: Vec<String>,
}

struct FactShown {
    kind: String,
    at: String,
    fields: Vec<(String, String)>,
}

struct PersonShown {
    name: String,
    shown: String,
    chosen: bool,
    open: bool,
}

/// What is to be signed, read and shown.
struct Sheet {
    wash: WashView,
    card: Option<Card>,
    /// As noted: what goes once it is signed.
    noted: Vec<toml::Value>,
    facts: Vec<FactShown>,
    /// SHA-256 of everything shown: what was read is what is signed.
    shown: Hash,
    hands: BTreeSet<Id>,
}

fn sheet(app: &App, view: &View, id: Id, group: Group) -> Result<Sheet, ClientError> {
    let draft = app.desk.draft(&id);
    let wash = view.wash(id, draft.as_ref(), app.desk.now_ms())?;
    let table = draft.map(|draft| draft.card_of(group)).unwrap_or_default();
    let noted = table.get("fact").and_then(|f| f.as_array()).cloned().unwrap_or_default();
    if noted.is_empty() {
        let (facts, hands) = (Vec::new(), BTreeSet::new());
        return Ok(Sheet { wash, card: None, noted, facts, shown: Hash::ZERO, hands });
    }
    let names = view.names_for(&wash);
    let card = Card::from_table(&table, &Context { names: &names, now_ms: app.desk.now_ms(), folder: None })?;
    let mut facts = Vec::new();
    for fact in &card.facts {
        let mut fields = describe(&fact.draft.kind, &card.blobs, &names)?;
        for refers in &fact.draft.refers {
            let act = wash.acts.iter().find(|act| act.hash == Some(*refers));
            let what = act.map_or_else(String::new, |act| kind_name(&act.kind).replace('-', " "));
            let by = act.and_then(|act| act.person).map(|p| person_name(&names, &p)).unwrap_or_default();
            fields.push(("acts on".to_owned(), format!("{what} by {by} ({}…)", refers.short())));
        }
        facts.push(FactShown {
            kind: kind_name(&fact.draft.kind).replace('-', " "),
            at: render::second(fact.draft.happened_ms),
            fields,
        });
    }
    let text: String = facts.iter().map(|f| format!("{}\n{}\n{:?}\n", f.kind, f.at, f.fields)).collect();
    let hands = hands(&wash, &card, group);
    Ok(Sheet { wash, card: Some(card), noted, facts, shown: Hash::of(text.as_bytes()), hands })
}

/// Whoever did, or helped with, what this card looks at: they cannot be its second person.
fn hands(wash: &WashView, card: &Card, group: Group) -> BTreeSet<Id> {
    let mut hands = BTreeSet::new();
    if !matches!(group, Group::Second | Group::Accept) {
        return hands;
    }
    for act in card.facts.iter().flat_map(|fact| &fact.draft.refers) {
        let Some(named) = wash.acts.iter().find(|known| known.hash == Some(*act)) else { continue };
        hands.extend(named.person);
        match &named.kind {
            Kind::LineReconnected(b) => hands.extend(b.helpers.iter().filter_map(|id| Id::from_slice(id))),
            // Who opened it is told nothing new by its latches either.
            Kind::AccessClosed(b) => {
                let opened = wash.acts.iter().filter(|known| match &known.kind {
                    Kind::AccessOpened(a) => a.engine == b.engine && a.access == b.access,
                    _ => false,
                });
                hands.extend(opened.filter_map(|act| act.person));
            }
            _ => {}
        }
    }
    hands
}

pub(super) async fn show(State(app): State<App>, Path((wash, group)): Path<(String, String)>) -> Response {
    app.told(place(&wash, &group).and_then(|(id, group)| sign_page(&app, id, group, Vec::new())))
}

fn place(wash: &str, group: &str) -> Result<(Id, Group), ClientError> {
    let group = Group::by_slug(group).ok_or_else(|| ClientError::Usage("there is no such signature".to_owned()))?;
    Ok((wash_id(wash)?, group))
}

fn sign_page(app: &App, id: Id, group: Group, said: Vec<String>) -> Result<Response, ClientError> {
    let view = app.desk.view();
    let sheet = sheet(app, &view, id, group)?;
    let files = people::key_files(&app.desk.home, &view.history, &view.names);
    let (barred, offered): (Vec<KeyFile>, Vec<KeyFile>) =
        files.into_iter().partition(|file| file.person.is_some_and(|person| sheet.hands.contains(&person)));
    let open = app.desk.open_key();
    let is_open = |file: &KeyFile| open.as_ref().is_some_and(|(name, ..)| *name == file.name);
    let one = offered.len() == 1;
    let people = offered.iter().map(|file| PersonShown {
        name: file.name.clone(),
        shown: file.shown.clone(),
        chosen: one || is_open(file),
        open: is_open(file),
    });
    let (people, count) = (people.collect(), sheet.facts.len());
    page(&SignPage {
        frame: Frame::of(app, "Sign", false).saying(said),
        here: app.here(&id),
        group: group.slug(),
        who: group.who(),
        subject: format!("{} · work order {}", sheet.wash.registration, sheet.wash.work_order),
        shown: sheet.shown.to_string(),
        count: if count == 1 { "this fact".to_owned() } else { format!("these {count} facts") },
        people,
        barred: barred.iter().map(|file| not_offered(&file.shown, group)).collect(),
        facts: sheet.facts,
    })
}

fn not_offered(name: &str, group: Group) -> String {
    match group {
        Group::Accept => format!("{name} handed over: another person takes over."),
        _ => format!(
            "{name} did this work or helped with it: a look by other eyes is asked, and this one would close nothing."
        ),
    }
}

pub(super) async fn sign(
    State(app): State<App>,
    Path((wash, group)): Path<(String, String)>,
    Form(values): Form<Vec<(String, String)>>,
) -> Response {
    let values = Values(values);
    let (id, group) = match place(&wash, &group) {
        Ok(place) => place,
        Err(error) => return app.told(Err(error)),
    };
    // The second of two quick taps finds nothing left to sign.
    let _one = app.desk.signing.lock().await;
    match signed(&app, id, group, &values).await {
        Ok(()) => App::go(&app.here(&id)),
        Err(error) => app.told(sign_page(&app, id, group, vec![error.to_string()])),
    }
}

async fn signed(app: &App, id: Id, group: Group, values: &Values) -> Result<(), ClientError> {
    let usage = |why: &str| ClientError::Usage(why.to_owned());
    let view = app.desk.view();
    let sheet = sheet(app, &view, id, group)?;
    let Some(card) = &sheet.card else { return Err(usage("nothing is left to sign here")) };
    if values.get("shown") != sheet.shown.to_string() {
        return Err(usage("what is noted has changed since this page was shown; read it again, then sign"));
    }
    let (key, person) = key_of(app, values).await?;
    if let Some(person) = person.filter(|person| sheet.hands.contains(person)) {
        return Err(ClientError::Usage(not_offered(&person_name(&view.names, &person), group)));
    }
    app.desk.sign(card, &key).await?;
    app.desk.note(&id, &sheet.wash.registration, |draft| {
        draft.fact.retain(|fact| !sheet.noted.iter().any(|signed| signed.as_table() == Some(fact)));
        Ok(())
    })
}

/// The key of whoever was chosen: the open one, or the one that the passphrase opens.
async fn key_of(app: &App, values: &Values) -> Result<(SigningKey, Option<Id>), ClientError> {
    let usage = |why: &str| ClientError::Usage(why.to_owned());
    let name = values.get("person").to_owned();
    if name.is_empty() {
        return Err(usage("choose who signs"));
    }
    // Not trimmed: a passphrase is what was typed.
    let typed =
        values.0.iter().find(|(key, _)| key == "passphrase").map(|(_, typed)| typed.clone()).unwrap_or_default();
    if typed.is_empty() {
        return app
            .desk
            .use_key(&name)
            .ok_or_else(|| usage("type the passphrase: the key of whoever signs is not open"));
    }
    let (home, file) = (app.desk.home.clone(), name.clone());
    let opened = tokio::task::spawn_blocking(move || people::open_key(&home, &file, &typed)).await;
    let key = opened.map_err(|_| usage("the key could not be opened"))??;
    let person = app.desk.keep_key(name, key.clone());
    Ok((key, person))
}

pub(super) async fn lock(State(app): State<App>) -> Response {
    app.desk.lock_key();
    App::go(&app.base)
}
