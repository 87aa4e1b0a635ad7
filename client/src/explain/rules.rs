//! What each rule asks and why, in the words of the trade.

use rinsebook_proto::rules::{Rule, Severity};

use super::Care;

/// One rule, explained.
#[derive(Debug, Clone, Copy)]
pub struct Words {
    /// What the rule asks.
    pub asks: &'static str,
    /// Why, and when it is raised.
    pub why: &'static str,
    /// What to look at before it is settled, and what else is left to do.
    pub first: &'static str,
    /// How grave it can be, the gravest first.
    pub grave: &'static [Severity],
    /// Where the work can hurt.
    pub care: &'static [Care],
}

const MAJOR: &[Severity] = &[Severity::Major];
const MINOR: &[Severity] = &[Severity::Minor];
const NOTE: &[Severity] = &[Severity::Note];
const MAJOR_OR_MINOR: &[Severity] = &[Severity::Major, Severity::Minor];
const MAJOR_OR_NOTE: &[Severity] = &[Severity::Major, Severity::Note];

const fn words(grave: &'static [Severity], asks: &'static str, why: &'static str, first: &'static str) -> Words {
    Words { asks, why, first, grave, care: &[] }
}

impl Words {
    const fn care(mut self, care: &'static [Care]) -> Words {
        self.care = care;
        self
    }
}

const DO_AGAIN: &str =
    "What was signed so closes nothing, whatever is said of the finding: have somebody who may do the step again.";
const LOOK_AT_ENGINE: &str = "Have the engine looked at as the maintenance data ask after such a thing, before it is \
                              settled.";
const NO_CYCLE: &str = "The cycle does not count: run another, or state at the sign-off how many there were. Its water \
                        counts, so the engine is to be dried and run.";

/// Every rule has its words: a new one cannot be built without.
pub fn of(rule: Rule) -> Words {
    match rule {
        Rule::BeyondAuthority => BEYOND_AUTHORITY,
        Rule::KeyNotTrusted => KEY_NOT_TRUSTED,
        Rule::InDoubt => IN_DOUBT,
        Rule::SelfInspected => SELF_INSPECTED,
        Rule::TimeDisorder => TIME_DISORDER,
        Rule::ClockAdrift => CLOCK_ADRIFT,
        Rule::InjectedEarly => INJECTED_EARLY,
        Rule::RotationUnconfirmed => ROTATION_UNCONFIRMED,
        Rule::SpeedLow => SPEED_LOW,
        Rule::InjectionShort => INJECTION_SHORT,
        Rule::SoakShort => SOAK_SHORT,
        Rule::WaterHot => WATER_HOT,
        Rule::WaterCold => WATER_COLD,
        Rule::VolumeShort => VOLUME_SHORT,
        Rule::ReadingMissing => READING_MISSING,
        Rule::TooColdOutside => TOO_COLD_OUTSIDE,
        Rule::EngineTooCold => ENGINE_TOO_COLD,
        Rule::EngineTooHot => ENGINE_TOO_HOT,
        Rule::StarterOverrun => STARTER_OVERRUN,
        Rule::MotoredWhileBarred => MOTORED_WHILE_BARRED,
        Rule::AreaNotCleared => AREA_NOT_CLEARED,
        Rule::LineNotOpened => LINE_NOT_OPENED,
        Rule::LineOutsideProcedure => LINE_OUTSIDE_PROCEDURE,
        Rule::WrongEngine => WRONG_ENGINE,
        Rule::ReconnectedWet => RECONNECTED_WET,
        Rule::TorqueOut => TORQUE_OUT,
        Rule::ToolUncalibrated => TOOL_UNCALIBRATED,
        Rule::ReinspectedAlone => REINSPECTED_ALONE,
        Rule::SameHands => SAME_HANDS,
        Rule::RunWhileOpen => RUN_WHILE_OPEN,
        Rule::ProcedureWithdrawn => PROCEDURE_WITHDRAWN,
        Rule::ProcedureSuperseded => PROCEDURE_SUPERSEDED,
        Rule::SignedOffEarly => SIGNED_OFF_EARLY,
        Rule::RunUpMissed => RUN_UP_MISSED,
        Rule::ImpossibleStep => IMPOSSIBLE_STEP,
        Rule::OrderUnsure => ORDER_UNSURE,
        Rule::CorrectionConflict => CORRECTION_CONFLICT,
        Rule::DeviceForked => DEVICE_FORKED,
        Rule::EnrolledLate => ENROLLED_LATE,
        Rule::LateEntry => LATE_ENTRY,
        Rule::Doubled => DOUBLED,
    }
}

const BEYOND_AUTHORITY: Words = words(
    MAJOR,
    "A step that closes something is signed by a person who holds the authority for it, on that engine type \
     and day.",
    "The signer held it neither by what their station knew nor by the record when it came in.",
    DO_AGAIN,
);

const KEY_NOT_TRUSTED: Words = words(
    MAJOR,
    "A signature counts only under a key that is trusted.",
    "The key was revoked from that entry on: it was lost, or somebody else may hold it.",
    DO_AGAIN,
);

const IN_DOUBT: Words = words(
    MAJOR,
    "It has to be plain that the signer might sign this, then and there.",
    "By what the station knew and by what the record knew the answer differs: an authority or a key changed in \
     between.",
    "Find out which was right that day. Whoever settles it also says whether the act counts; only then, and \
     from then on, does it close anything.",
);

const SELF_INSPECTED: Words = words(
    MAJOR,
    "Nobody inspects their own work, nor sees the latches of a cowl that they opened or closed.",
    "The inspector also reconnected, torqued, locked or helped. An own mistake is the hardest to see.",
    "That inspection never counts: another person has to inspect.",
);

const TIME_DISORDER: Words = words(
    MAJOR_OR_NOTE,
    "A step happens after what it builds on, and not after it was received.",
    "The times given cannot both be right: a clock was wrong, or a time was mistyped.",
    "Ask the signer, and have the time corrected. It is major only where it decides whether something is open.",
);

const CLOCK_ADRIFT: Words = words(
    NOTE,
    "A station's clock is right within what the procedure allows.",
    "The station measured its own clock against the service, and it was off by more.",
    "Set the station's clock. Times from this station deserve a second look.",
);

const INJECTED_EARLY: Words = words(
    MINOR,
    "Water goes in only after the starter has turned the engine for the wait asked.",
    "It came too soon after motoring began: the rotor may not have been up to speed, and water pools.",
    "Look whether the cycle reached its speed.",
)
.care(&[Care::HotWater, Care::Turning]);

const ROTATION_UNCONFIRMED: Words = words(
    MAJOR,
    "Somebody sees the rotor turn before water goes in.",
    "No rotation was recorded as seen, or only after the injection had begun. A rotor that stands is flooded \
     and cooled on one side.",
    LOOK_AT_ENGINE,
)
.care(&[Care::Turning]);

const SPEED_LOW: Words = words(
    MINOR,
    "The engine turns at the least speed or faster while water goes in.",
    "It was slower: the water does not get through.",
    NO_CYCLE,
)
.care(&[Care::Turning, Care::Starter]);

const INJECTION_SHORT: Words =
    words(MINOR, "Water goes in for the time asked.", "It was shorter than that.", NO_CYCLE).care(&[Care::HotWater]);

const SOAK_SHORT: Words = words(
    MINOR,
    "The soak is over before the engine is turned again.",
    "A cycle or dry crank began earlier: the dirt had not come loose.",
    "Judge whether the wash did its work, and whether what was turned too early dried anything.",
)
.care(&[Care::Turning]);

const WATER_HOT: Words = words(
    MAJOR,
    "The water is no hotter than the window allows.",
    "It was above it: seals and coatings are not made for that, nor are people.",
    LOOK_AT_ENGINE,
)
.care(&[Care::HotWater]);

const WATER_COLD: Words = words(
    MINOR,
    "The water is no colder than the window allows.",
    "It was under it: it cleans less, and in the cold it freezes sooner.",
    "Judge whether the wash did its work, and whether frost is near.",
)
.care(&[Care::Freezing]);

const VOLUME_SHORT: Words = words(
    MINOR,
    "The rig holds the water asked when the wash begins.",
    "There was less in it, so that the rinse may have run out.",
    "Judge whether the wash did its work.",
);

const READING_MISSING: Words = words(
    MINOR,
    "Water, air and the time of the last shutdown are read before water goes in.",
    "One of them was not recorded before the injection, so nobody can say that the limits were kept.",
    "Find the reading and record it, or judge without it.",
);

const TOO_COLD_OUTSIDE: Words = words(
    MAJOR,
    "The air is at least as warm as the limit when water goes in.",
    "It was colder: water freezes in lines and on blades.",
    "Have the engine looked at for ice before anybody turns it again.",
)
.care(&[Care::Freezing, Care::Turning]);

const ENGINE_TOO_COLD: Words = words(
    MAJOR,
    "The metal is at least as warm as the limit when water goes in.",
    "It was colder: water freezes in lines and on blades.",
    "Have the engine looked at for ice before anybody turns it again.",
)
.care(&[Care::Freezing, Care::Turning]);

const ENGINE_TOO_HOT: Words = words(
    MAJOR,
    "The engine has cooled down before water goes in.",
    "It had not, by its metal or by the time since shutdown: cold water on hot metal cracks and bends.",
    LOOK_AT_ENGINE,
)
.care(&[Care::HotWater]);

const STARTER_OVERRUN: Words = words(
    MAJOR,
    "The starter turns no longer, and rests no less, than its duty table says.",
    "It ran longer or rested less. It overheats, and may fail or come apart.",
    "Have the starter looked at as the maintenance data ask, and let it rest.",
)
.care(&[Care::Starter, Care::Turning]);

const MOTORED_WHILE_BARRED: Words = words(
    MAJOR,
    "No engine is turned while a tool is missing or the work waits to be taken over.",
    "It was turned all the same: a tool may have been in it, or a line open that only the last shift knew of.",
    "Find the tool, or hear the last shift, and look at the engine for what the turning may have done.",
)
.care(&[Care::Turning, Care::Starter]);

const AREA_NOT_CLEARED: Words = words(
    MAJOR,
    "The area is cleared, and one person watches it, for as long as the starter turns the engine.",
    "No clearance of that engine held all the while.",
    "Hear who was there, and whether anybody or anything came near the engine.",
)
.care(&[Care::Turning]);

const LINE_NOT_OPENED: Words = words(
    MAJOR,
    "Lines that would drink wash water are open before it goes in.",
    "Water was injected while the record did not show the line open: there may be water in it, and what it \
     measures is then wrong.",
    "Have the line opened, drained and dried as the maintenance data ask; or, if it was open, record that.",
);

const LINE_OUTSIDE_PROCEDURE: Words = words(
    MAJOR,
    "Only the lines that the procedure lists are opened.",
    "Another one was: its torque, locking and checks stand nowhere in the procedure.",
    "Find the data for that line; it has to be reconnected and inspected like any other.",
)
.care(&[Care::Power]);

const WRONG_ENGINE: Words = words(
    MAJOR,
    "Work is done on the engines that the wash names.",
    "It was begun on another one: somebody stood at the wrong engine, or the wrong one was written down.",
    "Go and look at both engines. If it was a slip of the pen, have it corrected.",
)
.care(&[Care::Turning]);

const RECONNECTED_WET: Words = words(
    MAJOR,
    "Lines are reconnected only after the engine was dried, where the procedure says so.",
    "The line went back on while drying was due: water may be shut in it.",
    "Have the line opened and dried, or looked at as the maintenance data ask.",
);

const TORQUE_OUT: Words = words(
    MAJOR,
    "The joint is torqued within the window of the procedure.",
    "The torque recorded lies outside: too loose leaks, too tight cracks.",
    "Settling it tightens nothing: the line stays open as not secured until it is made again within the window.",
)
.care(&[Care::Power]);

const TOOL_UNCALIBRATED: Words = words(
    MAJOR,
    "The torque tool is within its calibration on the day.",
    "Its date had passed: nobody knows what torque the joint really has.",
    "Settling it secures nothing: the joint is made again with a tool in calibration.",
)
.care(&[Care::Power]);

const REINSPECTED_ALONE: Words = words(
    MAJOR,
    "A second look is another person's.",
    "Nobody else was to be had, and one person looked at their own work again after a gap, saying why.",
    "Whoever settles it also says whether that look counts; where the procedure requires an inspector it never \
     does.",
);

const SAME_HANDS: Words = words(
    MAJOR,
    "One person does not make the same joint on both engines, unless others inspect each.",
    "One pair of hands closed the same line on two engines: the same mistake may be in both.",
    "Have each of the joints inspected by somebody else.",
)
.care(&[Care::Power]);

const RUN_WHILE_OPEN: Words = words(
    MAJOR,
    "No engine runs with a line, fixture, access or isolation of it open, or with a tool missing.",
    "It ran so, at its start or when it was over.",
    "Shut down first if it still runs. Then have it looked at for what was drawn in, blown off or left without \
     signal. What is open stays open.",
)
.care(&[Care::Turning, Care::Cowl]);

const PROCEDURE_WITHDRAWN: Words = words(
    MAJOR_OR_MINOR,
    "A wash is opened against a procedure that is in force.",
    "This one had been withdrawn by then. It is minor within the grace that the custodian gave.",
    "Compare with what is in force now, and do what is missing.",
);

const PROCEDURE_SUPERSEDED: Words = words(
    MAJOR_OR_MINOR,
    "A wash is opened against the newest revision of the procedure.",
    "A newer one had been published by then. It is minor within the grace that the custodian gave.",
    "See what changed with `rinsebook procedure diff`, and do what is missing.",
);

const SIGNED_OFF_EARLY: Words = words(
    MAJOR_OR_MINOR,
    "A wash is signed off when nothing of it blocks and nothing that a sign-off states is missing.",
    "Something was open, or a field was empty. That signature has no effect.",
    "Close what is open and sign off again; from a good sign-off of the same wash on this one is minor.",
);

const RUN_UP_MISSED: Words = words(
    MAJOR,
    "The engine runs within its window after the wash.",
    "The window ended with no run recorded: water may have stood in it.",
    "Ask whether it ran, and record it if so. It stays to be settled even when the run is made up for.",
)
.care(&[Care::Turning]);

const IMPOSSIBLE_STEP: Words = words(
    MAJOR_OR_NOTE,
    "Each step follows from what was recorded before.",
    "It does not: a line reconnected that nobody opened, one opened twice, an engine that is not listed.",
    "Something was not written down, or the wrong name was. Go and look, then correct or record what is missing.",
);

const ORDER_UNSURE: Words = words(
    MAJOR,
    "It has to be plain whether something was opened or closed last.",
    "Two stations recorded them, and their clocks are too close to tell which came last. The item stays open.",
    "Go and look how it stands, and close it again.",
);

const CORRECTION_CONFLICT: Words = words(
    MAJOR,
    "A fact has one correction.",
    "Two corrections of it disagree; until one is left, no version of it closes anything.",
    "Have the wrong correction struck out by its author or certifying staff.",
);

const DEVICE_FORKED: Words = words(
    MAJOR,
    "A station tells one story: each place in it is taken once.",
    "It signed two facts for one place, as when an old copy of its folder was put back. What either opens is \
     open, and neither closes anything.",
    "Stop using that station, call the custodian, and do again what it should have closed.",
);

const ENROLLED_LATE: Words = words(
    MINOR,
    "People are enrolled before they sign.",
    "The signer was enrolled after the fact had come in.",
    "Make sure that it is the person it says.",
);

const LATE_ENTRY: Words = words(
    NOTE,
    "Steps are written down when they are done.",
    "It was written down long after it happened, from memory or paper.",
    "Times of that step deserve a second look.",
);

const DOUBLED: Words = words(
    NOTE,
    "A step is recorded once.",
    "The same step stands there twice within a minute: perhaps pressed twice.",
    "If one is too many, have it struck out.",
);
