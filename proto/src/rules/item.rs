//! Open items: what the record shows as not finished.

use std::collections::BTreeSet;

use super::act::{Act, FactRef};
use super::fleet::Belongs;
use crate::bytes::Id;
use crate::v1::{Authority, EngineAt};

macro_rules! item_kinds {
    ($($kind:ident $name:literal = $number:literal;)*) => {
        /// What an item is; the numbers are those of the messages.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(i32)]
        #[allow(missing_docs)]
        pub enum ItemKind { $($kind = $number,)* }

        impl ItemKind {
            /// All of them.
            pub const ALL: &'static [ItemKind] = &[$(ItemKind::$kind,)*];

            /// As it is shown, such as "line-disconnected".
            pub fn name(self) -> &'static str {
                match self { $(ItemKind::$kind => $name,)* }
            }
        }
    };
}

item_kinds! {
    LineDisconnected "line-disconnected" = 1;
    LineUnsecured "line-unsecured" = 2;
    InspectionDue "inspection-due" = 3;
    ReworkDue "rework-due" = 4;
    LeakCheckDue "leak-check-due" = 5;
    LineDamaged "line-damaged" = 6;
    IsolationOpen "isolation-open" = 7;
    FixtureFitted "fixture-fitted" = 8;
    AccessOpen "access-open" = 9;
    LatchCheckDue "latch-check-due" = 10;
    ToolCheckDue "tool-check-due" = 11;
    ToolMissing "tool-missing" = 12;
    Unaccounted "unaccounted" = 13;
    CyclesShort "cycles-short" = 14;
    Soaking "soaking" = 15;
    MotoringRest "motoring-rest" = 16;
    DryingDue "drying-due" = 17;
    RunUpDue "run-up-due" = 18;
    StartAwaited "start-awaited" = 19;
    StartUnconfirmed "start-unconfirmed" = 20;
    RunUpOverdue "run-up-overdue" = 21;
    FreezeWatch "freeze-watch" = 22;
    HandoverDue "handover-due" = 23;
    ProcedureRevised "procedure-revised" = 24;
    ToolRecalled "tool-recalled" = 25;
    DefectOpen "defect-open" = 26;
    FindingOpen "finding-open" = 27;
    UnreadFact "unread-fact" = 28;
    DeviceOutstanding "device-outstanding" = 29;
    FinalCheckDue "final-check-due" = 30;
    SignOffDue "sign-off-due" = 31;
    ReleaseReferenceDue "release-reference-due" = 32;
}

/// What an item stands in the way of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Blocks {
    /// Nothing.
    No,
    /// The aircraft's going.
    Yes,
    /// The sign-off only.
    SignOff,
    /// Nothing, on a condition.
    Condition,
}

/// One thing not finished, as it shows on one aircraft.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// What it is.
    pub kind: ItemKind,
    /// The aircraft that it shows on.
    pub aircraft: Id,
    /// The wash of the fact that opened it.
    pub wash: Option<Id>,
    /// The engine, at its position on this aircraft.
    pub engine: Option<EngineAt>,
    /// The line, access, fixture, device, rule or fact that it is about; empty for an item of an engine or a wash.
    pub subject: String,
    /// The fact that opened it.
    pub opened_by: FactRef,
    /// When it falls due, Unix milliseconds in whole seconds.
    pub due_ms: Option<u64>,
    /// What it stands in the way of.
    pub blocks: Blocks,
    /// In a few words, as on the telephone.
    pub short: String,
    /// In a sentence.
    pub text: String,
    /// What closes it.
    pub closes: String,
    /// Who may close it.
    pub who_may: Vec<Authority>,
    /// What its closing would open.
    pub(super) next: Vec<ItemKind>,
}

impl Item {
    /// What tells it from every other item of the same aircraft.
    pub fn key(&self) -> (ItemKind, Option<Id>, String, String) {
        let serial = self.engine.as_ref().map(|e| e.serial.clone()).unwrap_or_default();
        (self.kind, self.wash, serial, self.subject.clone())
    }
}

/// When the engine of a waiting item has to start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct StartLimit {
    pub(super) latest_s: u64,
    pub(super) window_end_s: u64,
    pub(super) air_source: String,
}

/// An item before it is known which aircraft it shows on.
#[derive(Debug, Clone)]
pub(super) struct Open<'c> {
    pub(super) kind: ItemKind,
    pub(super) belongs: Belongs,
    pub(super) engine: Option<EngineAt>,
    pub(super) subject: String,
    pub(super) by: Act<'c>,
    pub(super) wash: Option<Id>,
    /// Further washes whose sign-off it bars.
    pub(super) also: BTreeSet<Id>,
    pub(super) due_s: Option<u64>,
    pub(super) blocks: Blocks,
    /// Why, or with what, where the kind alone does not say it.
    pub(super) detail: String,
    pub(super) next: Vec<ItemKind>,
    pub(super) start: Option<StartLimit>,
}

impl<'c> Open<'c> {
    /// A blocking item without a due time.
    pub(super) fn new(kind: ItemKind, by: Act<'c>, belongs: Belongs) -> Self {
        Open {
            kind,
            belongs,
            engine: None,
            subject: String::new(),
            by,
            wash: by.wash(),
            also: by.washes().collect(),
            due_s: None,
            blocks: Blocks::Yes,
            detail: String::new(),
            next: Vec::new(),
            start: None,
        }
    }

    pub(super) fn is_of(&self, wash: Id) -> bool {
        self.wash == Some(wash) || self.also.contains(&wash)
    }

    pub(super) fn of_engine(mut self, engine: &EngineAt) -> Self {
        self.engine = Some(engine.clone());
        self
    }

    pub(super) fn about(mut self, subject: impl Into<String>) -> Self {
        self.subject = subject.into();
        self
    }
}
