//! What is fitted, opened or disabled for the work, and what must be seen after it.

use rinsebook_proto::fact::Kind;

use super::items::OpenItem;
use super::order::{Act, NOW, View};

/// What an opening and its closing have in common: the group of facts, the place, the element.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Element {
    /// "fixture", "access" or "isolation".
    pub group: &'static str,
    /// The engine, for a fixture; the aircraft and the position, for what stays with the aircraft.
    pub at: String,
    /// The element's name.
    pub name: String,
    /// The tag, for a fixture.
    pub tag: String,
}

fn element(group: &'static str, act: &Act, name: &str, tag: &str) -> Option<Element> {
    let engine = *act.fact.engines().first()?;
    let at = match group {
        "fixture" => engine.serial.clone(),
        _ => format!("{} at {}", act.fact.aircraft()?, engine.position),
    };
    Some(Element { group, at, name: name.to_owned(), tag: tag.to_owned() })
}

/// The element that an act opens.
pub fn opens(act: &Act) -> Option<Element> {
    match act.fact.kind.as_ref()? {
        Kind::FixtureFitted(b) => element("fixture", act, &b.fixture, &b.tag),
        Kind::AccessOpened(b) => element("access", act, &b.access, ""),
        Kind::Isolated(b) => element("isolation", act, &b.isolation, ""),
        _ => None,
    }
}

/// The element that an act closes, whoever signed it: an isolation only when tested, where the procedure asks that.
pub fn shuts(view: &View, act: &Act) -> Option<Element> {
    match act.fact.kind.as_ref()? {
        Kind::FixtureRemoved(b) => element("fixture", act, &b.fixture, &b.tag),
        Kind::AccessClosed(b) => element("access", act, &b.access, ""),
        Kind::IsolationRestored(b) => {
            // Asked by the procedure of whoever restores it or of whoever isolated it: one of them may not be known.
            let this = element("isolation", act, &b.isolation, "");
            let isolated = view.acts.iter().filter(|a| a.place < act.place && this.is_some() && opens(a) == this);
            let procedures = isolated.chain([act]).filter_map(|a| view.procedure(a));
            let asked = procedures.flat_map(|p| &p.isolations).any(|i| i.name == b.isolation && i.tested);
            this.filter(|_| b.tested == Some(true) || !asked)
        }
        _ => None,
    }
}

/// The access whose latches an act is about.
fn looked_at(act: &Act) -> Option<Element> {
    match act.fact.kind.as_ref()? {
        Kind::LatchesSeen(b) => element("access", act, &b.access, ""),
        _ => None,
    }
}

/// Openings of a group that no counting closing of the same element follows.
pub fn still_open<'v>(view: &'v View, group: &str, upto: usize) -> Vec<(Element, &'v Act)> {
    let mut open = Vec::new();
    for opening in view.acts.iter().filter(|a| a.place < upto) {
        let Some(what) = opens(opening).filter(|e| e.group == group) else { continue };
        let same = |a: &&Act| opens(a).as_ref() == Some(&what) && a.place < upto;
        let openings: Vec<&Act> = view.acts.iter().filter(same).collect();
        let closings = view.acts.iter().filter(|c| shuts(view, c).as_ref() == Some(&what));
        let closed =
            closings.clone().any(|c| c.closes(opening, upto) && c.is_sure_against(&openings, closings.clone()));
        if !closed {
            open.push((what, opening));
        }
    }
    open
}

/// The first opening of each element: one item per element.
fn one_each(open: Vec<(Element, &Act)>) -> Vec<(Element, &Act)> {
    let mut first: Vec<(Element, &Act)> = Vec::new();
    for (what, by) in open {
        if !first.iter().any(|(w, _)| *w == what) {
            first.push((what, by));
        }
    }
    first
}

/// All items of fixtures, access and isolations.
pub fn items(view: &View, out: &mut Vec<OpenItem>) {
    // isolation-open: isolated, until restored, and tested where asked. It stays with the aircraft.
    for (what, by) in one_each(still_open(view, "isolation", NOW)) {
        out.push(OpenItem::of_aircraft(view, "isolation-open", by).about(&what.name));
    }
    // fixture-fitted: until removed, the same tag. It follows the engine.
    for (what, by) in one_each(still_open(view, "fixture", NOW)) {
        out.push(OpenItem::of_engine(view, "fixture-fitted", by, &what.at).about(&what.name));
    }
    // access-open: until closed. It stays with the aircraft.
    for (what, by) in one_each(still_open(view, "access", NOW)) {
        out.push(OpenItem::of_aircraft(view, "access-open", by).about(&what.name));
    }
    latches(view, out);
}

/// latch-check-due: access closed, where latched, until another person than who opened or closed it saw all latches. The
/// newest closing that counts speaks for the access, and any after it, for those open what a closing opens; none of them
/// while it stands open.
fn latches(view: &View, out: &mut Vec<OpenItem>) {
    let open: Vec<Element> = still_open(view, "access", NOW).into_iter().map(|(what, _)| what).collect();
    let closings = view.acts.iter().filter(|a| matches!(a.fact.kind, Some(Kind::AccessClosed(_))));
    let looks = view.acts.iter().filter(|a| is_bad_look(a));
    let mut accesses: Vec<Element> = closings.clone().filter_map(|c| shuts(view, c)).collect();
    accesses.extend(looks.clone().filter_map(looked_at));
    accesses.sort();
    accesses.dedup();
    for what in accesses.iter().filter(|what| !open.contains(what)) {
        let of_this: Vec<&Act> = closings.clone().filter(|c| shuts(view, c).as_ref() == Some(what)).collect();
        let newest = of_this.iter().filter(|c| c.counts(NOW)).map(|c| c.place).max().unwrap_or(0);
        let may_latch =
            |l: &Act| view.procedure(l).is_none_or(|p| p.access.iter().all(|a| a.name != what.name || a.latched));
        let bad: Vec<&Act> =
            looks.clone().filter(|l| looked_at(l).as_ref() == Some(what) && l.place > newest && may_latch(l)).collect();
        // The closing that counts, and those after it that do not: a look names one of them; where nobody recorded a
        // closing, the look that found a latch open stands for it.
        let mut chain: Vec<&Act> = of_this.iter().copied().filter(|c| c.place >= newest).collect();
        let unrecorded = bad.first().filter(|b| of_this.iter().all(|c| c.place > b.place));
        chain.extend(unrecorded);
        chain.sort_by_key(|act| act.place);
        // Latches found open, by whomever and whatever that names: only a good look after that will do.
        let found_open = bad.last().filter(|b| !seen_after(view, &chain, what, b)).copied();
        let unseen = || chain.iter().find(|c| is_latched(view, c, what) && !seen_after(view, &chain, what, c)).copied();
        if let Some(by) = found_open.or_else(unseen) {
            out.push(OpenItem::of_aircraft(view, "latch-check-due", by).about(&what.name));
        }
    }
}

/// Another person than any who closed or opened it saw all latches after that act, naming one of the closings.
fn seen_after(view: &View, chain: &[&Act], what: &Element, since: &Act) -> bool {
    view.acts.iter().any(|look| {
        let Some(Kind::LatchesSeen(b)) = &look.fact.kind else { return false };
        let before = || chain.iter().copied().filter(|c| c.place < look.place);
        let closed = || before().filter(|c| shuts(view, c).is_some());
        let no_hand = |c: &Act| look.person != c.person && had_no_hand(view, look, c, what);
        b.all_latched == Some(true)
            && look.person.is_some()
            && looked_at(look).as_ref() == Some(what)
            && before().any(|c| look.fact.names(&c.fact))
            && look.closes(since, NOW)
            && closed().all(no_hand)
            && sure_of_latches(view, look, what)
    }) || super::people::reinspected_alone_counts(view, since, NOW)
}

fn is_bad_look(act: &Act) -> bool {
    matches!(&act.fact.kind, Some(Kind::LatchesSeen(b)) if b.all_latched != Some(true))
}

/// As the procedure of whoever closed it says; where that does not list it, as that of who opened it.
fn is_latched(view: &View, closing: &Act, what: &Element) -> bool {
    let listed = |act: &Act| view.procedure(act)?.access.iter().find(|a| a.name == what.name).map(|a| a.latched);
    let opened = || openings_before(view, closing, what).first().and_then(|o| listed(o));
    listed(closing).or_else(opened).unwrap_or(false)
}

/// Nobody else saw a latch open on another tablet so near that one cannot tell which look was the later.
fn sure_of_latches(view: &View, look: &Act, what: &Element) -> bool {
    let of_this = || view.acts.iter().filter(|a| looked_at(a).as_ref() == Some(what));
    let is =
        |all: bool| move |a: &&Act| matches!(&a.fact.kind, Some(Kind::LatchesSeen(b)) if b.all_latched == Some(all));
    let bad: Vec<&Act> = of_this().filter(is(false)).collect();
    let good: Vec<&Act> = of_this().filter(is(true)).collect();
    look.is_sure_against(&bad, good.iter().copied())
}

/// Known, and neither closed it nor opened it before that closing.
fn had_no_hand(view: &View, look: &Act, closing: &Act, what: &Element) -> bool {
    look.by_another_than(closing) && openings_before(view, closing, what).iter().all(|o| look.by_another_than(o))
}

/// Closed it, or opened it before that closing.
fn had_a_hand(view: &View, look: &Act, closing: &Act, what: &Element) -> bool {
    let opened = openings_before(view, closing, what);
    // Who closed it before one whose closing does not count had a hand in it all the same.
    let earlier = || {
        let all = view.acts[..closing.place].iter().filter(|c| shuts(view, c).as_ref() == Some(what));
        let since = all.clone().rfind(|c| c.counts(NOW)).map_or(0, |c| c.place);
        all.filter(move |c| !closing.counts(NOW) && c.place >= since).collect::<Vec<_>>()
    };
    let theirs = |other: &Act| look.person == other.person;
    look.person.is_some() && (theirs(closing) || opened.iter().any(|o| theirs(o)) || earlier().into_iter().any(theirs))
}

/// The openings that stood when it was closed; where none did, those of the closing before.
fn openings_before<'v>(view: &'v View, closing: &Act, what: &Element) -> Vec<&'v Act> {
    let open = still_open(view, what.group, closing.place);
    let standing: Vec<&Act> = open.into_iter().filter(|(element, _)| element == what).map(|(_, by)| by).collect();
    if !standing.is_empty() {
        return standing;
    }
    let earlier = view.acts[..closing.place].iter().rfind(|c| shuts(view, c).as_ref() == Some(what));
    earlier.map(|earlier| openings_before(view, earlier, what)).unwrap_or_default()
}

/// self-inspected: latches seen by who opened or closed the access.
pub fn self_seen(view: &View, out: &mut Vec<super::findings::Breach>) {
    let good = |a: &&Act| matches!(&a.fact.kind, Some(Kind::LatchesSeen(b)) if b.all_latched == Some(true));
    for look in view.acts.iter().filter(good) {
        for closing in view.acts.iter().filter(|c| look.fact.names(&c.fact)) {
            let Some(what) = shuts(view, closing).filter(|e| e.group == "access") else { continue };
            if looked_at(look).as_ref() == Some(&what) && had_a_hand(view, look, closing, &what) {
                let severity = super::findings::Severity::Major;
                out.push(super::findings::Breach::new(view, "self-inspected", severity, &[closing, look]));
            }
        }
    }
}
