//! What each kind of open item is, in the words of the trade. What closes it and who may stands with the rules.

use rinsebook_proto::rules::ItemKind;

use super::Care;

/// One kind of item, explained.
#[derive(Debug, Clone, Copy)]
pub struct Words {
    /// What it is, in a sentence.
    pub what: &'static str,
    /// What opens it, and why it matters.
    pub why: &'static str,
    /// What it stands in the way of, and why.
    pub blocks: &'static str,
    /// What its due time is and what happens then; none: it has no due time.
    pub due: Option<&'static str>,
    /// Where the work can hurt.
    pub care: &'static [Care],
}

const fn words(what: &'static str, why: &'static str, blocks: &'static str) -> Words {
    Words { what, why, blocks, due: None, care: &[] }
}

impl Words {
    const fn due(mut self, due: &'static str) -> Words {
        self.due = Some(due);
        self
    }

    const fn care(mut self, care: &'static [Care]) -> Words {
        self.care = care;
        self
    }
}

const AIRCRAFT: &str = "It blocks the aircraft, and the sign-off with it.";

/// Every kind has its words: a new one cannot be built without.
pub fn of(kind: ItemKind) -> Words {
    match kind {
        ItemKind::LineDisconnected => LINE_DISCONNECTED,
        ItemKind::LineUnsecured => LINE_UNSECURED,
        ItemKind::InspectionDue => INSPECTION_DUE,
        ItemKind::ReworkDue => REWORK_DUE,
        ItemKind::LeakCheckDue => LEAK_CHECK_DUE,
        ItemKind::LineDamaged => LINE_DAMAGED,
        ItemKind::IsolationOpen => ISOLATION_OPEN,
        ItemKind::FixtureFitted => FIXTURE_FITTED,
        ItemKind::AccessOpen => ACCESS_OPEN,
        ItemKind::LatchCheckDue => LATCH_CHECK_DUE,
        ItemKind::ToolCheckDue => TOOL_CHECK_DUE,
        ItemKind::ToolMissing => TOOL_MISSING,
        ItemKind::Unaccounted => UNACCOUNTED,
        ItemKind::CyclesShort => CYCLES_SHORT,
        ItemKind::Soaking => SOAKING,
        ItemKind::MotoringRest => MOTORING_REST,
        ItemKind::DryingDue => DRYING_DUE,
        ItemKind::RunUpDue => RUN_UP_DUE,
        ItemKind::StartAwaited => START_AWAITED,
        ItemKind::StartUnconfirmed => START_UNCONFIRMED,
        ItemKind::RunUpOverdue => RUN_UP_OVERDUE,
        ItemKind::FreezeWatch => FREEZE_WATCH,
        ItemKind::HandoverDue => HANDOVER_DUE,
        ItemKind::ProcedureRevised => PROCEDURE_REVISED,
        ItemKind::ToolRecalled => TOOL_RECALLED,
        ItemKind::DefectOpen => DEFECT_OPEN,
        ItemKind::FindingOpen => FINDING_OPEN,
        ItemKind::UnreadFact => UNREAD_FACT,
        ItemKind::DeviceOutstanding => DEVICE_OUTSTANDING,
        ItemKind::FinalCheckDue => FINAL_CHECK_DUE,
        ItemKind::SignOffDue => SIGN_OFF_DUE,
        ItemKind::ReleaseReferenceDue => RELEASE_REFERENCE_DUE,
    }
}

const LINE_DISCONNECTED: Words = words(
    "A line of the engine is open: it was disconnected, and nothing shows that it was put back.",
    "Any line disconnected opens it, whether the procedure lists it or not, whoever signed it. Run so, the engine \
     loses a pressure signal, or blows hot air or oil where none belongs.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const LINE_UNSECURED: Words = words(
    "The line is back on, but not secured as the procedure asks.",
    "The reconnection was recorded without the torque or locking asked, with a torque outside the window, or with \
     a tool past its calibration date. Such a joint can back off under vibration.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const INSPECTION_DUE: Words = words(
    "The line is reconnected, and nobody else has looked at it yet.",
    "A joint made by one pair of hands is seen by another before the engine runs with it: an own mistake is the \
     hardest to see. A look before the newest reconnection does not count.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const REWORK_DUE: Words = words(
    "The line was looked at or leak-checked, and it was not good.",
    "An unsatisfactory inspection or leak check opens it. A better second look alone does not close it: the joint \
     has to be made again.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const LEAK_CHECK_DUE: Words = words(
    "The line is reconnected, and it has not been checked for leaks or function since.",
    "The procedure asks for the check after each reconnection. A start or a waived run-up proves no joint, so \
     neither stands for it.",
    AIRCRAFT,
)
.care(&[Care::Turning]);

const LINE_DAMAGED: Words = words(
    "Somebody saw damage on the line.",
    "It was recorded as damaged. Putting the line back on makes it no better: it needs a repair to data or a new \
     part, and another person's look at that.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const ISOLATION_OPEN: Words = words(
    "Something is still locked or disabled for the work.",
    "It was isolated, a valve, breaker, ignition or reverser, and is not recorded restored and, where the procedure \
     asks, tested.",
    AIRCRAFT,
)
.care(&[Care::Restoring]);

const FIXTURE_FITTED: Words = words(
    "Something fitted for the wash is still on or in the engine.",
    "A spray adapter, hose, blank or collector was fitted, and its removal, under the same tag, is not recorded. \
     Left in the intake or on a line it is drawn in, or shuts what must be open.",
    AIRCRAFT,
)
.care(&[Care::Turning]);

const ACCESS_OPEN: Words = words(
    "A cowl or door is open.",
    "It was opened for the work and is not recorded closed.",
    "It blocks the aircraft, which is not to be towed so either, and the sign-off with it.",
)
.care(&[Care::Cowl]);

const LATCH_CHECK_DUE: Words = words(
    "The cowl or door is closed, and nobody else has seen its latches.",
    "A cowl that looks shut may hang on no latch and come off in flight. All latches are seen after the newest \
     closing, by somebody who neither opened nor closed it.",
    AIRCRAFT,
)
.care(&[Care::Cowl]);

const TOOL_CHECK_DUE: Words = words(
    "The tools that went out are not counted in yet.",
    "It opens with the wash, and whenever tools go out. What went out and what came in have to agree one by one.",
    AIRCRAFT,
)
.care(&[Care::Turning]);

const TOOL_MISSING: Words = words(
    "A tool that went out did not come back.",
    "The count was declared complete and this tool was not in it. It may lie in the engine.",
    "It blocks the aircraft and the sign-off; and no engine of it should be turned, not even by the starter.",
)
.care(&[Care::Turning]);

const UNACCOUNTED: Words = words(
    "The procedure lists it, and the record says nothing of it.",
    "It opens with the wash for each line, access, fixture and isolation of the procedure, so that none is passed \
     over in silence.",
    "It blocks the sign-off only: it is not known to be open, only not accounted for.",
);

const CYCLES_SHORT: Words = words(
    "The engine has had fewer valid cycles than the procedure asks.",
    "It opens with the wash for each engine in scope. A cycle that was too slow or too short does not count, though \
     its water does.",
    "It blocks nothing: a wash may end early, and the sign-off then says how many cycles there were.",
)
.care(&[Care::HotWater, Care::Turning, Care::Starter]);

const SOAKING: Words = words(
    "The wash water is left to work.",
    "It opens when an injection ends. Other work, also on the other engine, may go on.",
    "It blocks nothing by itself. Turning this engine earlier cuts the soak short, which is a finding.",
)
.due("At the end of the soak it closes by itself, and the engine may be turned again as far as this goes.")
.care(&[Care::HotWater]);

const MOTORING_REST: Words = words(
    "The starter cools down.",
    "It opens when motoring ends; how long the rest is stands in the procedure's duty table.",
    "It blocks no departure, but this engine is not to be motored meanwhile.",
)
.due("At the end of the rest it closes by itself, and the starter may turn again as far as this goes.")
.care(&[Care::Starter]);

const DRYING_DUE: Words = words(
    "Water went into the engine, and it has not been dried since.",
    "Any injection opens it, counted as a cycle or not. A dry crank counts only after the last soak, and only for \
     as long as the procedure asks.",
    AIRCRAFT,
)
.care(&[Care::Turning, Care::Starter]);

const RUN_UP_DUE: Words = words(
    "The engine was washed, and has to run before its window ends.",
    "Any injection opens it; the window runs from the first injection since the engine last ran. The heat of the run \
     drives out what motoring leaves.",
    "It blocks the aircraft and the sign-off, unless the run-up is waived for a planned start.",
)
.due("It is the end of the window: with no run begun by then, the run-up is overdue.")
.care(&[Care::Turning, Care::Freezing]);

const START_AWAITED: Words = words(
    "The run-up was waived, and the engine relies on a planned start instead.",
    "A person who may waive signed it. A further injection, a line opened or closed, frost or an engine change voids \
     it, and a plan too late for the window ends it for good; then a run-up is due again.",
    "It blocks nothing while the plan leaves the margin before the window ends: then it is a condition. From the \
     second after the latest start it blocks the aircraft.",
)
.due("It is the end of the window: with no start begun by then, the run-up is overdue and blocks.")
.care(&[Care::Turning, Care::Freezing]);

const START_UNCONFIRMED: Words = words(
    "The planned start is past, and nobody recorded whether the engine ran.",
    "It opens some time after the planned start, as the procedure says, where the engine waited for it. Ask the \
     crew or the station: the run counts only once it is recorded.",
    "It blocks nothing by itself; the run that is due still has its window.",
);

const RUN_UP_OVERDUE: Words = words(
    "The engine was wet, its window is over, and no run is recorded.",
    "Perhaps it ran and nobody wrote it down: ask first. If it did not, water may have stood in it for long, and \
     damp parts corrode.",
    "It blocks the aircraft, and the sign-off with it. A start alone does not close it any more.",
)
.due("It is the end of the window, which is past: it stays until one of the ways out is recorded.")
.care(&[Care::Turning, Care::Freezing]);

const FREEZE_WATCH: Words = words(
    "The engine is wet, and it is or was cold enough to freeze.",
    "A reading of the air or the metal was under the procedure's limit, at an injection or later, while the engine \
     waits for its run. Ice in blades and lines does harm at the next turn.",
    "It takes away the choice to waive the run-up: the engine has to be run or dried.",
)
.care(&[Care::Freezing, Care::Turning]);

const HANDOVER_DUE: Words = words(
    "The work was left to another shift, and nobody has taken it over.",
    "The wash was handed over or interrupted with something open. What one shift knows and the next does not is \
     how lines stay open.",
    "It blocks the sign-off; and no engine of the wash should be motored before somebody has taken over.",
)
.care(&[Care::Starter]);

const PROCEDURE_REVISED: Words = words(
    "A newer revision of the procedure came out while the wash was open.",
    "Work goes on under the revision that the wash was opened with until certifying staff decide. What changed shows \
     `rinsebook procedure diff`.",
    "It blocks the sign-off only.",
);

const TOOL_RECALLED: Words = words(
    "A tool was found out of calibration after joints had been made with it.",
    "Each joint that it tightened may have the wrong torque, though the record of the day looks good.",
    AIRCRAFT,
)
.care(&[Care::Power]);

const DEFECT_OPEN: Words = words(
    "Somebody raised a defect, and it is not rectified.",
    "Anybody may raise one. Deferred, it stays open, within its limit; settling it on paper closes no line, access \
     or fixture.",
    "It blocks the aircraft until it is rectified or deferred, and again from the deferral's limit.",
)
.due("It is the deferral's limit: from then on it blocks again.");

const FINDING_OPEN: Words = words(
    "A rule was broken, and nobody has settled it.",
    "The record itself shows the breach. It is settled by another person than the one who did it, and settling \
     closes no line, access or fixture: only work does.",
    "A major one blocks the aircraft; a minor one blocks nothing and is still to be settled.",
);

const UNREAD_FACT: Words = words(
    "Somebody signed something that the record cannot read.",
    "Its signer, kind or procedure is not known, or it was refused. Until it is read it may say anything: that \
     something was opened, too.",
    AIRCRAFT,
);

const DEVICE_OUTSTANDING: Words = words(
    "A tablet or station of this wash may hold work that was not sent.",
    "Silence is not completeness: its newest report is missing, too old, or says that something is unsent. Bring it \
     where there is a network and let it send.",
    "It blocks every aircraft that carries an engine of the wash; the sign-off it does not bar.",
);

const FINAL_CHECK_DUE: Words = words(
    "The last look round before the engine is given back is not recorded.",
    "An access was opened, a fixture fitted or tools were out: after the last closing somebody looks for what was \
     left behind. A check before the last closing does not count.",
    AIRCRAFT,
);

const SIGN_OFF_DUE: Words = words(
    "The wash is not signed off, or something came after its sign-off.",
    "It opens with the wash, and again with any later fact that opens or closes something and that the last sign-off \
     does not cover.",
    "It blocks the aircraft.",
);

const RELEASE_REFERENCE_DUE: Words = words(
    "The number of the log page or form that was signed elsewhere is not recorded here.",
    "Each sign-off opens it. rinsebook does not issue that paper: it only keeps its number, for who looks for it \
     later.",
    "It blocks nothing: it is a condition to be met.",
);
