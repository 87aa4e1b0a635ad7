//! What stands on every page, and how things are said on it.

use askama::Template;
use axum::response::{Html, IntoResponse, Response};
use rinsebook_proto::rules::{Blocks, Item, ItemKind};

use super::App;
use super::clock;
use super::view::Link;
use crate::ClientError;

/// The clock is said to be off once it is by more than this: common practice, no source.
const OFFSET_TOLD_MS: u64 = 30_000;

/// Head and foot of a page.
pub(super) struct Frame {
    pub(super) title: String,
    pub(super) station: String,
    pub(super) base: String,
    pub(super) now_ms: u64,
    pub(super) clock: String,
    /// Whether the page may be loaded again by itself: not while somebody fills it in.
    pub(super) live: bool,
    pub(super) unsent: usize,
    pub(super) unsent_class: &'static str,
    pub(super) unsigned: usize,
    pub(super) unsigned_class: &'static str,
    pub(super) link: String,
    pub(super) link_class: &'static str,
    pub(super) offset: String,
    pub(super) offset_class: &'static str,
    pub(super) key: Option<KeyShown>,
    pub(super) alarms: Vec<String>,
    /// Engines that turn now, as far as this tablet knows.
    pub(super) turning: Vec<String>,
    pub(super) said: Vec<String>,
    pub(super) precedence: &'static str,
}

/// The open key.
pub(super) struct KeyShown {
    pub(super) name: String,
    pub(super) until_ms: u64,
    pub(super) left: String,
}

impl Frame {
    pub(super) fn of(app: &App, title: &str, live: bool) -> Frame {
        let (view, now_ms) = (app.desk.view(), app.desk.now_ms());
        let unsigned = app.desk.drafts().unsigned();
        let (link, link_class) = link(&view.link, now_ms);
        let (offset, offset_class) = offset(view.clock_offset);
        let class = |n: usize| if n == 0 { "good" } else { "warn" };
        let key = app.desk.open_key().map(|(name, _, left_ms)| KeyShown {
            name,
            until_ms: now_ms + left_ms,
            left: format!("{} left", clock::length(left_ms)),
        });
        let mut alarms: Vec<String> = Vec::new();
        if let Link::Stop(why) = &view.link {
            alarms.push(why.clone());
        }
        if let Some(why) = &view.put_away {
            alarms.push(format!(
                "the copy of the record here was damaged ({why}); until the service is reached, what is open below is not \
                 the whole of it"
            ));
        }
        for file in app.desk.drafts().damaged() {
            alarms.push(format!("what was noted in {file} cannot be read; note it anew, and call the custodian"));
        }
        Frame {
            title: title.to_owned(),
            station: view.label.clone(),
            base: app.base.to_string(),
            now_ms,
            clock: clock::second(now_ms),
            live,
            unsent: view.unsent,
            unsent_class: class(view.unsent),
            unsigned,
            unsigned_class: class(unsigned),
            link,
            link_class,
            offset,
            offset_class,
            key,
            alarms,
            turning: turning(app),
            said: Vec::new(),
            precedence: PRECEDENCE_HERE,
        }
    }

    pub(super) fn saying(mut self, said: Vec<String>) -> Frame {
        self.said = said;
        self
    }
}

/// The explanations' own sentence speaks of words; here it is about steps too.
const PRECEDENCE_HERE: &str =
    "Approved maintenance data and the organisation's procedures take precedence over everything on this page.";

fn turning(app: &App) -> Vec<String> {
    let drafts = app.desk.drafts();
    let runs = drafts.all().flat_map(|draft| draft.run.iter().map(move |run| (&draft.aircraft, run)));
    let now = runs.filter(|(_, run)| run.motoring_ended_ms.is_none());
    now.map(|(aircraft, run)| {
        let since = clock::second(run.motoring_started_ms);
        format!("Engine {} of {aircraft}, since {since}: keep clear of intake and exhaust.", run.engine)
    })
    .collect()
}

fn link(link: &Link, now_ms: u64) -> (String, &'static str) {
    match link {
        Link::Untried => ("Service not tried yet".to_owned(), "warn"),
        Link::Up(at) => (format!("Service reached {}", clock::minute(*at, now_ms)), "good"),
        Link::Down(_, Some(at)) => {
            (format!("No link since {}: work on, all is kept here", clock::minute(*at, now_ms)), "warn")
        }
        Link::Down(..) => ("No link: work on, all is kept here".to_owned(), "warn"),
        Link::Stop(_) => ("Sending stopped".to_owned(), "bad"),
    }
}

fn offset(measured: Option<(i64, u64)>) -> (String, &'static str) {
    match measured {
        None => ("Clock not compared yet".to_owned(), "warn"),
        Some((offset_ms, _)) if offset_ms.unsigned_abs() <= OFFSET_TOLD_MS => {
            (format!("Clock off by {} s", offset_ms.unsigned_abs() / 1000), "good")
        }
        Some((offset_ms, _)) => {
            let way = if offset_ms > 0 { "ahead" } else { "behind" };
            (format!("CLOCK {} {way}: set it", clock::length(offset_ms.unsigned_abs())), "bad")
        }
    }
}

/// An open item.
#[derive(Debug, Clone)]
pub(super) struct ItemShown {
    pub(super) text: String,
    pub(super) blocks: &'static str,
    pub(super) class: &'static str,
    pub(super) closes: String,
    pub(super) due_ms: u64,
    pub(super) due: String,
    pub(super) left: String,
}

impl ItemShown {
    pub(super) fn of(item: &Item, now_ms: u64) -> ItemShown {
        let (blocks, class) = match item.blocks {
            Blocks::Yes => ("BLOCKS", "yes"),
            Blocks::SignOff => ("BEFORE SIGN-OFF", "signoff"),
            Blocks::Condition => ("CONDITION", "condition"),
            Blocks::No => ("OPEN", "no"),
        };
        let due_ms = item.due_ms.unwrap_or(0);
        ItemShown {
            text: item.text.clone(),
            blocks,
            class,
            closes: item.closes.clone(),
            due_ms,
            due: clock::minute(due_ms, now_ms),
            left: left(due_ms, now_ms),
        }
    }

    /// What blocks first.
    pub(super) fn all<'i>(items: impl Iterator<Item = &'i Item>, now_ms: u64) -> Vec<ItemShown> {
        let rank = |item: &ItemShown| ["yes", "signoff", "condition", "no"].iter().position(|c| *c == item.class);
        // Elements not accounted for say the same of each and would hide what blocks: they stand together.
        let (elements, items): (Vec<&Item>, Vec<&Item>) = items.partition(|item| item.kind == ItemKind::Unaccounted);
        let mut all: Vec<ItemShown> = items.into_iter().map(|item| ItemShown::of(item, now_ms)).collect();
        let engine = |item: &Item| item.engine.as_ref().map_or(0, |engine| engine.position);
        for group in elements.chunk_by(|a, b| engine(a) == engine(b) && a.blocks == b.blocks) {
            let names: Vec<&str> = group.iter().map(|item| item.subject.as_str()).collect();
            let text = format!("Engine {}, not accounted for: {}.", engine(group[0]), names.join(", "));
            all.push(ItemShown { text, ..ItemShown::of(group[0], now_ms) });
        }
        all.sort_by_key(rank);
        all
    }
}

/// "4:05 left", or "ended".
pub(super) fn left(until_ms: u64, now_ms: u64) -> String {
    if until_ms > now_ms { format!("{} left", clock::length(until_ms - now_ms + 999)) } else { "ended".to_owned() }
}

/// A rendered page.
pub(super) fn page(template: &impl Template) -> Result<Response, ClientError> {
    let text = template.render().map_err(|e| ClientError::Usage(format!("this page cannot be shown: {e}")))?;
    Ok(Html(text).into_response())
}

#[derive(Template)]
#[template(path = "sorry.html")]
struct Sorry<'a> {
    frame: Frame,
    why: &'a str,
}

/// What did not work, and why.
pub(super) fn sorry(app: &App, why: &str) -> Html<String> {
    let template = Sorry { frame: Frame::of(app, "Not done", false), why };
    Html(template.render().unwrap_or_else(|_| why.to_owned()))
}
