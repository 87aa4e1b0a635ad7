//! Findings: breaches of a rule, named by the rule and the facts they rest on. Another person settles them; settling
//! closes no physical item.

use std::collections::{BTreeSet, HashMap};

use super::act::FactRef;
use super::act::{Act, Context};
use super::fleet::Belongs;
use super::item::{ItemKind, Open};
use super::judge::Standing;
use super::kinds;
use crate::bytes::Id;
use crate::fact::{Kind, engines_named};
use crate::v1::{self, EngineAt};

macro_rules! rules {
    ($($rule:ident $name:literal;)*) => {
        /// A rule that can be broken.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[allow(missing_docs)]
        pub enum Rule { $($rule,)* }

        impl Rule {
            /// All of them.
            pub const ALL: &'static [Rule] = &[$(Rule::$rule,)*];

            /// As it is shown, such as "self-inspected".
            pub fn name(self) -> &'static str {
                match self { $(Rule::$rule => $name,)* }
            }
        }
    };
}

rules! {
    BeyondAuthority "beyond-authority";
    KeyNotTrusted "key-not-trusted";
    InDoubt "in-doubt";
    SelfInspected "self-inspected";
    TimeDisorder "time-disorder";
    ClockAdrift "clock-adrift";
    InjectedEarly "injected-early";
    RotationUnconfirmed "rotation-unconfirmed";
    SpeedLow "speed-low";
    InjectionShort "injection-short";
    SoakShort "soak-short";
    WaterHot "water-hot";
    WaterCold "water-cold";
    VolumeShort "volume-short";
    ReadingMissing "reading-missing";
    TooColdOutside "too-cold-outside";
    EngineTooCold "engine-too-cold";
    EngineTooHot "engine-too-hot";
    StarterOverrun "starter-overrun";
    MotoredWhileBarred "motored-while-barred";
    AreaNotCleared "area-not-cleared";
    LineNotOpened "line-not-opened";
    LineOutsideProcedure "line-outside-procedure";
    WrongEngine "wrong-engine";
    ReconnectedWet "reconnected-wet";
    TorqueOut "torque-out";
    ToolUncalibrated "tool-uncalibrated";
    ReinspectedAlone "re-inspected-alone";
    SameHands "same-hands";
    RunWhileOpen "run-while-open";
    ProcedureWithdrawn "procedure-withdrawn";
    ProcedureSuperseded "procedure-superseded";
    SignedOffEarly "signed-off-early";
    RunUpMissed "run-up-missed";
    ImpossibleStep "impossible-step";
    OrderUnsure "order-unsure";
    CorrectionConflict "correction-conflict";
    DeviceForked "device-forked";
    EnrolledLate "enrolled-late";
    LateEntry "late-entry";
    Doubled "doubled";
}

/// How grave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Shown only.
    Note,
    /// To be settled.
    Minor,
    /// To be settled, and blocking until then.
    Major,
}

/// What certifying staff said of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Outcome {
    /// The breach was real and is dealt with.
    Accepted,
    /// There was none.
    Rejected,
}

/// A breach, as it shows on one aircraft.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The rule.
    pub rule: Rule,
    /// How grave.
    pub severity: Severity,
    /// The aircraft that it shows on.
    pub aircraft: Id,
    /// The wash.
    pub wash: Option<Id>,
    /// The engine, at its position on this aircraft.
    pub engine: Option<EngineAt>,
    /// The line or access that it is about.
    pub subject: String,
    /// The facts it rests on.
    pub rests_on: Vec<FactRef>,
    /// In a sentence.
    pub text: String,
    /// The fact that settled it, and how.
    pub settled: Option<(FactRef, Outcome)>,
}

/// A finding before it is known which aircraft it shows on.
#[derive(Debug, Clone)]
pub(super) struct Raised<'c> {
    pub(super) rule: Rule,
    pub(super) severity: Severity,
    pub(super) belongs: Belongs,
    pub(super) engine: Option<EngineAt>,
    pub(super) subject: String,
    /// In which way, where the rule alone does not say it.
    pub(super) detail: String,
    pub(super) rests_on: Vec<Act<'c>>,
    /// Washes that it is about, beside those of the facts it rests on.
    pub(super) also: BTreeSet<Id>,
    pub(super) settled: Option<(Act<'c>, Outcome)>,
}

impl<'c> Raised<'c> {
    /// A finding that goes with the last fact it rests on.
    pub(super) fn new(rule: Rule, severity: Severity, context: &Context<'_>, rests_on: Vec<Act<'c>>) -> Self {
        let act = rests_on.last().expect("a finding rests on a fact");
        let engine = act.engine().cloned();
        let named = act.kind().map(engines_named).unwrap_or_default();
        let one = named.len() <= 1;
        let belongs = match &engine {
            Some(engine) if one => context.with_engine(act, engine),
            _ if context.aircraft(act).is_some() => context.with_aircraft(act),
            _ => Belongs { engines: named.iter().map(|e| e.serial.clone()).collect(), ..Belongs::default() },
        };
        let engine = engine.filter(|_| one);
        Raised {
            rule,
            severity,
            belongs,
            engine,
            subject: String::new(),
            detail: String::new(),
            rests_on,
            also: BTreeSet::new(),
            settled: None,
        }
    }

    pub(super) fn wash(&self) -> Option<Id> {
        self.rests_on.last().and_then(Act::wash)
    }
}

/// Findings on who signed, and on the times a fact carries.
pub(super) fn of_each_act<'c>(context: &Context<'c>, acts: &[Act<'c>]) -> Vec<Raised<'c>> {
    let mut raised = Vec::new();
    for act in acts.iter().filter(|act| !act.revived) {
        let rule = match act.fact.standing {
            _ if act.kind().is_none() => None,
            Standing::BeyondAuthority => Some(Rule::BeyondAuthority),
            Standing::KeyNotTrusted => Some(Rule::KeyNotTrusted),
            Standing::InDoubt => Some(Rule::InDoubt),
            Standing::Counts | Standing::KeyUnknown => None,
        };
        raised.extend(rule.map(|rule| Raised::new(rule, Severity::Major, context, vec![*act])));
        let header = act.header();
        let clock_off_s = context.clock_off_max_s(act);
        if act.happened_s() > act.fact.held.recorded.received_ms / 1000 + clock_off_s {
            let severity = if may_change_items(act) { Severity::Major } else { Severity::Note };
            raised.push(Raised::new(Rule::TimeDisorder, severity, context, vec![*act]));
        }
        if header.clock_offset_ms.is_some_and(|ms| ms.unsigned_abs() / 1000 > clock_off_s) {
            raised.push(Raised::new(Rule::ClockAdrift, Severity::Note, context, vec![*act]));
        }
    }
    raised
}

/// Whether what the fact says can open or close an item; one that could only close has to count for that.
pub(super) fn may_change_items(act: &Act<'_>) -> bool {
    act.kind().is_none_or(|kind| match kind {
        Kind::CycleRun(b) => b.injection_started_ms.or(b.injection_ended_ms).is_some(),
        Kind::MotoringAborted(b) => b.injection_started_ms.or(b.injection_ended_ms).is_some(),
        kind => kinds::changes_items(kind) && (act.counts() || !kinds::only_closes(kind)),
    })
}

/// Puts settlements beside what they settle: by the rule's name and every fact it rests on, signed by none of those
/// who signed these.
pub(super) fn settle<'c>(raised: &mut [Raised<'c>], acts: &[Act<'c>]) {
    let mut settlements: HashMap<&str, Vec<(&Act<'c>, Outcome)>> = HashMap::new();
    for act in acts.iter().filter(|act| act.counts()) {
        if let Some(Kind::FindingSettled(b)) = act.kind() {
            let accepted = b.outcome == v1::FindingOutcome::Accepted as i32;
            let outcome = if accepted { Outcome::Accepted } else { Outcome::Rejected };
            settlements.entry(&b.rule).or_default().push((act, outcome));
        }
    }
    for finding in raised {
        let settles = |by: &Act<'_>| finding.rests_on.iter().all(|on| by.names(on) && by.by_another_than(on));
        let of_rule = settlements.get(finding.rule.name()).map_or(&[][..], Vec::as_slice);
        finding.settled = of_rule.iter().rev().find(|(by, _)| settles(by)).map(|(by, outcome)| (**by, *outcome));
    }
}

/// An item for each finding that nobody settled, notes apart.
pub(super) fn open_items<'c>(raised: &[Raised<'c>]) -> Vec<Open<'c>> {
    let unsettled = raised.iter().filter(|f| f.settled.is_none() && f.severity > Severity::Note);
    unsettled
        .map(|finding| {
            let by = *finding.rests_on.last().expect("a finding rests on a fact");
            let mut open = Open::new(ItemKind::FindingOpen, by, finding.belongs.clone());
            open.engine = finding.engine.clone();
            open.also = finding.rests_on.iter().flat_map(Act::washes).chain(finding.also.iter().copied()).collect();
            open.subject = format!("{} {}", finding.rule.name(), by.hash().short());
            if finding.severity == Severity::Minor {
                open.blocks = super::item::Blocks::No;
            }
            open
        })
        .collect()
}
