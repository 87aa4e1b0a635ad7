//! One row a kind of fact: what it is called, whose authority it asks, and whether it opens or closes an item.

use crate::fact::Kind;
use crate::v1;

/// Whose act a kind is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    Perform,
    Inspect,
    Run,
    Certify,
    Waive,
    Plan,
    Custody,
    /// Any of these authorities.
    Authorised,
    /// The service's own key.
    Service,
    /// A trusted key; what more is asked depends on what it is for.
    Anyone,
}

impl Asked {
    pub(super) fn authority(self) -> Option<v1::Authority> {
        match self {
            Asked::Perform => Some(v1::Authority::Perform),
            Asked::Inspect => Some(v1::Authority::Inspect),
            Asked::Run => Some(v1::Authority::Run),
            Asked::Certify => Some(v1::Authority::Certify),
            Asked::Waive => Some(v1::Authority::Waive),
            Asked::Plan => Some(v1::Authority::Plan),
            Asked::Custody => Some(v1::Authority::Custody),
            Asked::Authorised | Asked::Service | Asked::Anyone => None,
        }
    }

    /// The authorities of which one is asked; empty: none is.
    pub(super) fn one_of(self) -> Vec<v1::Authority> {
        let all =
            [Asked::Perform, Asked::Inspect, Asked::Run, Asked::Certify, Asked::Waive, Asked::Plan, Asked::Custody];
        match self {
            Asked::Authorised => all.into_iter().filter_map(Asked::authority).collect(),
            other => other.authority().into_iter().collect(),
        }
    }
}

macro_rules! kinds {
    ($($kind:ident $name:literal $asked:ident $touches:literal;)*) => {
        /// The kind's name as it is shown, such as "line-disconnected".
        pub fn kind_name(kind: &Kind) -> &'static str {
            match kind { $(Kind::$kind(_) => $name,)* }
        }

        /// The kind's name, where there is a kind of this name.
        pub(super) fn named(name: &str) -> Option<&'static str> {
            match name { $($name => Some($name),)* _ => None }
        }

        pub(super) fn asked(kind: &Kind) -> Asked {
            match kind { $(Kind::$kind(_) => Asked::$asked,)* }
        }

        /// Whether facts of this kind open or close items of a wash, so that a sign-off has to cover them.
        pub(super) fn touches_items(kind: &Kind) -> bool {
            match kind { $(Kind::$kind(_) => $touches,)* }
        }
    };
}

kinds! {
    RecordFounded "record-founded" Custody false;
    PersonEnrolled "person-enrolled" Custody false;
    KeyEnrolled "key-enrolled" Custody false;
    KeyRevoked "key-revoked" Custody false;
    AuthorityGranted "authority-granted" Custody false;
    AuthorityWithdrawn "authority-withdrawn" Custody false;
    DeviceEnrolled "device-enrolled" Custody false;
    DeviceRetired "device-retired" Custody false;
    ProcedurePublished "procedure-published" Custody false;
    ProcedureWithdrawn "procedure-withdrawn" Custody false;
    RulesAdopted "rules-adopted" Custody false;
    FactSetAside "fact-set-aside" Custody true;
    LogKeyChanged "log-key-changed" Custody false;
    CustodyReestablished "custody-reestablished" Anyone false;
    ClockConfirmed "clock-confirmed" Custody false;
    AircraftListed "aircraft-listed" Custody false;
    EngineChanged "engine-changed" Custody true;
    AnnexErased "annex-erased" Custody false;
    EpochOpened "epoch-opened" Custody false;
    WashOpened "wash-opened" Perform true;
    WashInterrupted "wash-interrupted" Perform true;
    WashResumed "wash-resumed" Perform true;
    WashAbandoned "wash-abandoned" Perform true;
    EngineDropped "engine-dropped" Perform true;
    DeviceJoined "device-joined" Perform true;
    HandedOver "handed-over" Perform true;
    Isolated "isolated" Perform true;
    IsolationRestored "isolation-restored" Perform true;
    FoundDeferred "found-deferred" Perform true;
    AccessOpened "access-opened" Perform true;
    AccessClosed "access-closed" Perform true;
    LineDisconnected "line-disconnected" Perform true;
    LineReconnected "line-reconnected" Perform true;
    FixtureFitted "fixture-fitted" Perform true;
    FixtureRemoved "fixture-removed" Perform true;
    ElementNotUsed "element-not-used" Perform true;
    WaterReady "water-ready" Perform false;
    OutsideConditions "outside-conditions" Perform false;
    AreaCleared "area-cleared" Perform false;
    AreaReleased "area-released" Perform false;
    CycleRun "cycle-run" Perform true;
    MotoringAborted "motoring-aborted" Perform true;
    DryCrankRun "dry-crank-run" Perform true;
    LeakChecked "leak-checked" Perform true;
    ToolsOut "tools-out" Perform true;
    ToolsIn "tools-in" Perform true;
    FinalCheckDone "final-check-done" Perform true;
    LineRepaired "line-repaired" Perform true;
    PartReplaced "part-replaced" Perform true;
    MetalTemperature "metal-temperature" Perform false;
    ToolSearched "tool-searched" Perform false;
    DefectRaised "defect-raised" Perform true;
    DeviceLeft "device-left" Authorised false;
    Remark "remark" Authorised false;
    Inspected "inspected" Inspect true;
    LatchesSeen "latches-seen" Inspect true;
    RunUpDone "run-up-done" Run false;
    DefectSettled "defect-settled" Certify false;
    FindingSettled "finding-settled" Certify false;
    DriedOtherwise "dried-otherwise" Certify true;
    ReinspectedAlone "reinspected-alone" Certify true;
    RevisionDecided "revision-decided" Certify true;
    OverdueDecided "overdue-decided" Certify true;
    ToolRecalled "tool-recalled" Certify true;
    JointDispositioned "joint-dispositioned" Certify true;
    ToolSearchAccepted "tool-search-accepted" Certify true;
    DeviceSettled "device-settled" Certify false;
    SignedOff "signed-off" Certify false;
    ReleaseReferenceRecorded "release-reference-recorded" Certify false;
    RunUpWaived "run-up-waived" Waive false;
    StartPlanned "start-planned" Plan false;
    StartCancelled "start-cancelled" Plan false;
    EngineStarted "engine-started" Plan false;
    QuestionAsked "question-asked" Plan false;
    Corrected "corrected" Anyone true;
    Countersigned "countersigned" Anyone false;
    FactRefused "fact-refused" Service false;
    PlacesLost "places-lost" Service false;
    ForkSeen "fork-seen" Service false;
    DeviceReported "device-reported" Service false;
    QuestionAnswered "question-answered" Service false;
    PackIssued "pack-issued" Service false;
    VersionsInForce "versions-in-force" Service false;
}

/// Whether facts of this kind can open or close any item at all, those included that no sign-off has to cover.
pub(super) fn changes_items(kind: &Kind) -> bool {
    let of_signed_washes_too = matches!(
        kind,
        Kind::RunUpDone(_)
            | Kind::RunUpWaived(_)
            | Kind::StartPlanned(_)
            | Kind::StartCancelled(_)
            | Kind::EngineStarted(_)
            | Kind::DefectSettled(_)
            | Kind::FindingSettled(_)
            | Kind::DeviceSettled(_)
            | Kind::DeviceLeft(_)
            | Kind::SignedOff(_)
            | Kind::ReleaseReferenceRecorded(_)
    );
    touches_items(kind) || of_signed_washes_too
}

/// Whether facts of this kind can close items only: by a signer who does not count they change nothing.
pub(super) fn only_closes(kind: &Kind) -> bool {
    matches!(
        kind,
        Kind::IsolationRestored(_)
            | Kind::FoundDeferred(_)
            | Kind::FixtureRemoved(_)
            | Kind::ElementNotUsed(_)
            | Kind::DryCrankRun(_)
            | Kind::FinalCheckDone(_)
            | Kind::LatchesSeen(_)
            | Kind::RunUpDone(_)
            | Kind::RunUpWaived(_)
            | Kind::EngineStarted(_)
            | Kind::DefectSettled(_)
            | Kind::FindingSettled(_)
            | Kind::DriedOtherwise(_)
            | Kind::OverdueDecided(_)
            | Kind::DeviceSettled(_)
            | Kind::DeviceLeft(_)
            | Kind::SignedOff(_)
            | Kind::ReleaseReferenceRecorded(_)
    )
}
