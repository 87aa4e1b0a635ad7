//! What comes next on an engine: the sensible step first, in the order of work, and every other step beside it. It
//! advises and bars nothing: what really happened can always be recorded.

use rinsebook_proto::rules::procedure::Procedure;

use super::progress::{Element, EngineProgress, WashProgress};

macro_rules! steps {
    ($($step:ident $slug:literal $title:literal $of:ident;)*) => {
        /// A stage of the work: one card.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[allow(missing_docs)]
        pub(crate) enum Step { $($step,)* }

        impl Step {
            /// All, in the order of work.
            pub(crate) const ALL: &'static [Step] = &[$(Step::$step,)*];

            /// In addresses.
            pub(crate) fn slug(self) -> &'static str {
                match self { $(Step::$step => $slug,)* }
            }

            /// What a person does, as an order.
            pub(crate) fn title(self) -> &'static str {
                match self { $(Step::$step => $title,)* }
            }

            /// Whether it is done on one engine, or once for the wash.
            pub(crate) fn is_of_engine(self) -> bool {
                matches!(match self { $(Step::$step => Of::$of,)* }, Of::Engine)
            }
        }
    };
}

enum Of {
    Engine,
    Wash,
}

/// Whose signature a card needs: facts of different groups go on cards of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub(crate) enum Group {
    Work,
    Second,
    Run,
    Certify,
    Waive,
    Accept,
}

impl Group {
    /// All.
    pub(crate) const ALL: [Group; 6] =
        [Group::Work, Group::Second, Group::Run, Group::Certify, Group::Waive, Group::Accept];

    /// In addresses.
    pub(crate) fn slug(self) -> &'static str {
        match self {
            Group::Work => "work",
            Group::Second => "second",
            Group::Run => "run",
            Group::Certify => "certify",
            Group::Waive => "waive",
            Group::Accept => "accept",
        }
    }

    /// Who signs it.
    pub(crate) fn who(self) -> &'static str {
        match self {
            Group::Work => "the technician who did it",
            Group::Second => "a second person, who did not do the work and did not help",
            Group::Run => "the person who ran the engine",
            Group::Certify => "certifying staff",
            Group::Waive => "the person who may waive",
            Group::Accept => "the person who takes over",
        }
    }

    /// The group of a kind of fact, by its name on a card.
    pub(crate) fn of_kind(kind: &str) -> Group {
        match kind {
            "inspected" | "latches-seen" => Group::Second,
            "run-up-done" => Group::Run,
            "run-up-waived" => Group::Waive,
            "countersigned" => Group::Accept,
            "signed-off" | "release-reference-recorded" | "dried-otherwise" | "finding-settled" => Group::Certify,
            _ => Group::Work,
        }
    }

    /// By its word in an address.
    pub(crate) fn by_slug(slug: &str) -> Option<Group> {
        Group::ALL.into_iter().find(|group| group.slug() == slug)
    }
}

steps! {
    ToolsOut "tools-out" "Count tools out" Wash;
    Isolate "isolate" "Isolate" Engine;
    OpenAccess "open-access" "Open access" Engine;
    Disconnect "disconnect" "Disconnect lines" Engine;
    Fit "fit" "Fit adapter, hose, collector" Engine;
    Readings "readings" "Record water and temperatures" Engine;
    ClearArea "clear-area" "Clear the area, post a watch" Engine;
    Cycle "cycle" "Motor and inject" Engine;
    RemoveFixtures "remove-fixtures" "Remove what was fitted" Engine;
    DryCrank "dry-crank" "Dry crank" Engine;
    EndArea "end-area" "End the watch on the area" Engine;
    Reconnect "reconnect" "Reconnect lines" Engine;
    Inspect "inspect" "Inspect the joints" Engine;
    LeakCheck "leak-check" "Leak-check lines" Engine;
    Restore "restore" "Restore isolations" Engine;
    CloseAccess "close-access" "Close access" Engine;
    SeeLatches "see-latches" "See the latches" Engine;
    ToolsIn "tools-in" "Count tools in" Wash;
    FinalCheck "final-check" "Final check" Wash;
    RunUp "run-up" "Run up" Engine;
    Waive "waive" "Rely on a planned start" Engine;
    SignOff "sign-off" "Sign the wash off" Wash;
    Reference "reference" "Record the log page" Wash;
    NotUsed "not-used" "Do without an element" Engine;
    Deferred "deferred" "Found already deferred" Engine;
    Aborted "aborted" "Motoring broken off" Engine;
    Defect "defect" "Raise a defect" Engine;
    Drop "drop" "Take the engine out of the wash" Engine;
    Remark "remark" "Add a remark" Wash;
    Interrupt "interrupt" "Interrupt the wash" Wash;
    Resume "resume" "Resume the wash" Wash;
}

impl Step {
    /// By its word in an address.
    pub(crate) fn by_slug(slug: &str) -> Option<Step> {
        Step::ALL.iter().copied().find(|step| step.slug() == slug)
    }
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Next {
    /// The stage; none: nothing is left that this station can tell of.
    pub(crate) step: Option<Step>,
    /// Why, or with what, in a few words.
    pub(crate) detail: String,
    /// It has to wait until then, Unix milliseconds.
    pub(crate) wait_until_ms: Option<u64>,
    /// What was noted must be signed first.
    pub(crate) sign_first: bool,
}

/// The sensible next step on one engine.
pub(crate) fn next(procedure: &Procedure, wash: &WashProgress, engine: &EngineProgress, now_ms: u64) -> Next {
    let reached = [before_water, water, drying, closing, finishing];
    let found = reached.iter().find_map(|part| part(procedure, wash, engine, now_ms));
    found.unwrap_or_else(|| Next {
        step: None,
        detail: "Nothing left to record here. This is not a release to service.".to_owned(),
        wait_until_ms: None,
        sign_first: false,
    })
}

fn go(step: Step, detail: impl Into<String>) -> Option<Next> {
    Some(Next { step: Some(step), detail: detail.into(), wait_until_ms: None, sign_first: false })
}

fn names<'e>(elements: impl Iterator<Item = &'e Element>) -> String {
    elements.map(|e| e.name.as_str()).collect::<Vec<_>>().join(", ")
}

/// The step while anything of the list is untouched.
fn untouched(step: Step, elements: &[Element]) -> Option<Next> {
    let left = names(elements.iter().filter(|e| !e.touched));
    if left.is_empty() { None } else { go(step, left) }
}

fn before_water(_: &Procedure, wash: &WashProgress, engine: &EngineProgress, _: u64) -> Option<Next> {
    if engine.injected || engine.dropped {
        return None;
    }
    if !wash.tools_counted {
        return go(Step::ToolsOut, "by identity, once for the wash");
    }
    untouched(Step::Isolate, &engine.isolations)
        .or_else(|| untouched(Step::OpenAccess, &engine.accesses))
        .or_else(|| untouched(Step::Disconnect, &engine.lines))
        .or_else(|| untouched(Step::Fit, &engine.fixtures))
        .or_else(|| {
            let missing = [("water", wash.water), ("outside air", wash.outside), ("metal", engine.metal)];
            let missing: Vec<&str> = missing.into_iter().filter(|(_, there)| !there).map(|(what, _)| what).collect();
            if missing.is_empty() { None } else { go(Step::Readings, missing.join(", ")) }
        })
}

/// Motoring, or what has to come before it.
fn motoring(step: Step, detail: String, engine: &EngineProgress, now_ms: u64) -> Option<Next> {
    let wait_until_ms = engine.motoring_from_ms(now_ms);
    if wait_until_ms.is_none() && engine.area_until_ms.is_none_or(|until| until <= now_ms) {
        return go(Step::ClearArea, format!("before: {}", step.title().to_lowercase()));
    }
    Some(Next { step: Some(step), detail, wait_until_ms, sign_first: false })
}

fn water(procedure: &Procedure, _: &WashProgress, engine: &EngineProgress, now_ms: u64) -> Option<Next> {
    let asked = procedure.cycle.count;
    if engine.cycles >= asked || engine.dropped {
        return None;
    }
    motoring(Step::Cycle, format!("cycle {} of {asked}", engine.cycles + 1), engine, now_ms)
}

fn drying(_: &Procedure, _: &WashProgress, engine: &EngineProgress, now_ms: u64) -> Option<Next> {
    if !engine.injected || engine.dried || engine.ran {
        return None;
    }
    let fitted = || engine.fixtures.iter().filter(|e| e.open);
    if engine.fixtures.iter().all(|e| e.open || e.closed_by.is_none()) && fitted().next().is_some() {
        return go(Step::RemoveFixtures, names(fitted()));
    }
    motoring(Step::DryCrank, "after the last soak".to_owned(), engine, now_ms)
}

fn closing(procedure: &Procedure, _: &WashProgress, engine: &EngineProgress, _: u64) -> Option<Next> {
    let open = |step, all: &[Element]| {
        let left = names(all.iter().filter(|e| e.open));
        if left.is_empty() { None } else { go(step, left) }
    };
    let rework = names(engine.lines.iter().filter(|line| line.rework));
    if !rework.is_empty() {
        return go(Step::Reconnect, format!("again, it was not good: {rework}"));
    }
    open(Step::RemoveFixtures, &engine.fixtures)
        .or_else(|| open(Step::Reconnect, &engine.lines))
        .or_else(|| second(Step::Inspect, to_inspect(procedure, engine)))
        .or_else(|| {
            let due = names(to_leak_check(procedure, engine).into_iter());
            if due.is_empty() { None } else { go(Step::LeakCheck, due) }
        })
        .or_else(|| open(Step::Restore, &engine.isolations))
        .or_else(|| open(Step::CloseAccess, &engine.accesses))
        .or_else(|| second(Step::SeeLatches, to_see(procedure, engine)))
}

/// A second person's step; what they look at has to be signed before it can be named.
fn second(step: Step, due: Vec<&Element>) -> Option<Next> {
    if due.is_empty() {
        return None;
    }
    let sign_first = due.iter().all(|e| e.closed_by == Some(None));
    let by = if sign_first { "sign the work first" } else { "by a second person" };
    Some(Next {
        step: Some(step),
        detail: format!("{}, {by}", names(due.into_iter())),
        wait_until_ms: None,
        sign_first,
    })
}

/// Joints that another person has still to look at.
pub(crate) fn to_inspect<'e>(procedure: &Procedure, engine: &'e EngineProgress) -> Vec<&'e Element> {
    let asked = |line: &&Element| procedure.line(&line.name).is_none_or(|asked| asked.inspection);
    engine.lines.iter().filter(|l| !l.open && l.closed_by.is_some() && !l.seen && !l.rework).filter(asked).collect()
}

/// Lines to be checked for leaks or function.
pub(crate) fn to_leak_check<'e>(procedure: &Procedure, engine: &'e EngineProgress) -> Vec<&'e Element> {
    let asked = |line: &&Element| procedure.line(&line.name).is_some_and(|asked| asked.leak_check);
    engine.lines.iter().filter(|l| !l.open && l.closed_by.is_some() && !l.checked).filter(asked).collect()
}

/// Closings whose latches another person has still to see.
pub(crate) fn to_see<'e>(procedure: &Procedure, engine: &'e EngineProgress) -> Vec<&'e Element> {
    let asked = |e: &&Element| procedure.access.iter().any(|asked| asked.name == e.name && asked.latched);
    engine.accesses.iter().filter(|e| !e.open && e.closed_by.is_some() && !e.seen).filter(asked).collect()
}

fn finishing(_: &Procedure, wash: &WashProgress, engine: &EngineProgress, _: u64) -> Option<Next> {
    if !wash.tools_complete || !wash.tools_out.is_empty() {
        return go(Step::ToolsIn, wash.tools_out.join(", "));
    }
    if !wash.final_check {
        return go(Step::FinalCheck, "clear of tools and loose material, panels refitted");
    }
    if engine.injected && !engine.ran && !engine.waived {
        return go(Step::RunUp, "or rely on a planned start, by whoever may waive");
    }
    if wash.signed_off.is_none() {
        return go(Step::SignOff, "by certifying staff, once nothing blocks");
    }
    if wash.referenced { None } else { go(Step::Reference, "page or number in the other record") }
}

#[cfg(test)]
mod tests;
