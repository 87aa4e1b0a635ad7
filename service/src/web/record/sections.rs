//! The parts of a record that the rules derive: what a maintenance entry has to state, what was done, by whom it was
//! looked at, values, findings, corrections, defects, and what is still open. Pure but for names.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::{Blocks, Deed, Finding, History, Outcome, Severity};
use rinsebook_proto::v1::{self, CheckResult};

use super::super::people::People;
use super::super::wash::Look;
use super::super::words::{self, engine, line, second, spaced};
use super::shown::{Block, Section};
use super::values;

/// What the sections are made from.
pub(super) struct Told<'a> {
    pub(super) look: &'a Look,
    pub(super) history: &'a History,
    pub(super) people: &'a People<'a>,
    /// Reads a text kept beside the log.
    pub(super) attachment: &'a dyn Fn(&Hash) -> Option<String>,
}

impl Told<'_> {
    fn own(&self) -> impl Iterator<Item = &Deed> {
        self.look.own().filter(|deed| !deed.struck_out)
    }

    fn signer(&self, deed: &Deed) -> String {
        self.people.signer(deed.person.as_ref())
    }

    fn person(&self, id: &[u8]) -> String {
        Id::from_slice(id).map_or_else(|| "not stated".to_owned(), |id| self.people.name(&id))
    }

    /// The sign-off that has effect, else the newest there is.
    pub(super) fn sign_off(&self) -> Option<(&Deed, &v1::SignedOff, bool)> {
        let wash = self.look.state.washes.iter().find(|wash| wash.wash == self.look.id);
        let good = wash.and_then(|wash| wash.signed_off_by.as_ref());
        let signed = self.own().filter_map(|deed| match &deed.kind {
            Some(Kind::SignedOff(b)) => Some((deed, b, good.is_some_and(|by| by.hash == deed.reference.hash))),
            _ => None,
        });
        let signed: Vec<_> = signed.collect();
        signed.iter().find(|(_, _, good)| *good).or(signed.last()).copied()
    }
}

/// Before the signed facts.
pub(super) fn before(told: &Told<'_>, drawing: String) -> Vec<Section> {
    vec![
        identity(told),
        entry(told),
        vec![
            Block::Notice("Approved maintenance data and the organisation's procedures take precedence.".to_owned()),
            Block::Notice(
                "The signer may be certifying; the tool is not. This record is not a release to service.".to_owned(),
            ),
            Block::Notes(CAUTIONS.iter().map(|text| (*text).to_owned()).collect()),
        ],
        open(told),
        done(told),
        inspections(told),
        shifts(told),
        limits(told),
        findings(told),
        corrections(told),
        defects(told),
        vec![Block::heading("Timeline"), Block::Drawing(drawing)],
    ]
}

const CAUTIONS: [&str; 5] = [
    "Turning engine: keep clear of intake and exhaust; one person is in charge of the area.",
    "Hot water: what is sprayed and what drains scalds.",
    "Starter limits: motoring and rest are limited; beyond the limits a starter overheats.",
    "Freezing: wet parts freeze and corrode; an engine that may hold ice is not turned.",
    "Waste water is collected as local rules ask.",
];

fn identity(told: &Told<'_>) -> Section {
    let look = told.look;
    let opened = told.own().find_map(|deed| match &deed.kind {
        Some(Kind::WashOpened(b)) => Some(b),
        _ => None,
    });
    let published = look.published(told.history);
    let procedure = published.map_or_else(
        || "not published, or not readable".to_owned(),
        |p| format!("{}, revision {}, for {}, SHA-256 {}", line(&p.title), p.revision, line(&p.engine_type), p.digest),
    );
    let engine = |e: &v1::EngineInScope| {
        let found = if e.as_found.is_empty() { "not stated".to_owned() } else { line(&e.as_found) };
        let shut = e.last_shutdown_ms.map_or_else(|| "not stated".to_owned(), second);
        let at = e.engine.clone().unwrap_or_default();
        format!("engine {}, serial number {}; last shut down {shut}; as found: {found}", at.position, line(&at.serial))
    };
    let engines = opened.map(|b| b.engines.iter().map(engine).collect::<Vec<_>>().join(". ")).unwrap_or_default();
    let pair = |label: &str, value: String| vec![label.to_owned(), value];
    vec![
        Block::Title(format!("Record of an engine core wash, {}", look.registration(told.history))),
        Block::table(
            &["Of", "As recorded"],
            vec![
                pair("Work order", opened.map(|b| line(&b.work_order)).unwrap_or_default()),
                pair("Station", opened.map(|b| line(&b.station)).unwrap_or_default()),
                pair("Engines", engines),
                pair("Procedure", procedure),
                pair("Wash", look.id.to_string()),
                pair("As known at", format!("entry {}, judged {}", look.as_of.size, second(look.as_of.time_ms))),
                pair("Rules", format!("version {}", rinsebook_proto::RULES_VERSION)),
            ],
        ),
    ]
}

/// 14 CFR 43.9(a)(1) to (4), from memory: description or data, date, performer if another, signature with number and kind
/// of certificate.
fn entry(told: &Told<'_>) -> Section {
    let mut out = vec![Block::heading("Maintenance entry"), Block::text("What 14 CFR 43.9(a) asks an entry to state.")];
    let Some((deed, b, good)) = told.sign_off() else {
        out.push(Block::Notice("Not signed off.".to_owned()));
        return out;
    };
    if !good {
        out.push(Block::Notice("This sign-off has no effect: see the findings.".to_owned()));
    }
    let due =
        told.look.state.items.iter().any(|item| item.wash == Some(told.look.id) && item.kind.name() == "sign-off-due");
    if good && due {
        out.push(Block::Notice(
            "Something came after this sign-off that it does not cover: a new one is due.".to_owned(),
        ));
    }
    let stated = |text: &str| if text.trim().is_empty() { "not stated".to_owned() } else { line(text) };
    let number = b.certificate_number.as_ref().and_then(|annex| Hash::from_slice(&annex.digest));
    let number = number.map_or_else(
        || "not stated".to_owned(),
        |digest| told.people.annex(&digest).unwrap_or_else(|| format!("kept beside the log under {digest}")),
    );
    let performer = if b.performer.is_empty() { "the signer".to_owned() } else { told.person(&b.performer) };
    let cycles = b.cycles_stated.iter().map(|c| format!("{}: {}", engine(c.engine.as_ref()), c.cycles.unwrap_or(0)));
    let cycles = cycles.collect::<Vec<_>>().join(", ");
    let reference = told.own().filter_map(|deed| match &deed.kind {
        Some(Kind::ReleaseReferenceRecorded(b)) => {
            Some(format!("{} (entry {})", line(&b.reference), deed.reference.index))
        }
        _ => None,
    });
    let reference = reference.last().unwrap_or_else(|| "not recorded".to_owned());
    let day = b.completion_unix_day.map_or_else(|| "not stated".to_owned(), words::day);
    let pair = |label: &str, value: String| vec![label.to_owned(), value];
    let mut rows = vec![
        pair("Description of the work", stated(&b.description)),
        pair("Data it was done to", stated(&b.data_reference)),
        pair("Date of completion", day),
        pair("Done by", performer),
        pair("Signed by", told.signer(deed)),
        pair("Certificate number", number),
        pair("Kind of certificate", stated(&b.certificate_kind)),
        pair("Signature", format!("entry {}, envelope SHA-256 {}", deed.reference.index, deed.reference.hash)),
        pair("Signed at", second(deed.reference.happened_ms)),
        pair("Release reference elsewhere", reference),
    ];
    if !cycles.is_empty() {
        rows.push(pair("Cycles stated", cycles));
    }
    out.push(Block::table(&["Asked", "Stated"], rows));
    out
}

/// 145.A.50, from memory: open defects and incomplete work are stated.
fn open(told: &Told<'_>) -> Section {
    let of_wash = told.look.state.items.iter().filter(|item| item.wash == Some(told.look.id));
    let row = |item: &rinsebook_proto::rules::Item| {
        let stands = match item.blocks {
            Blocks::Yes => "blocks the aircraft",
            Blocks::SignOff => "blocks the sign-off",
            Blocks::Condition => "a condition",
            Blocks::No => "does not block",
        };
        let due = item.due_ms.map(second).unwrap_or_default();
        vec![line(&item.text), stands.to_owned(), due, item.opened_by.index.to_string()]
    };
    let rows: Vec<Vec<String>> = of_wash.map(row).collect();
    let table = Block::table(&["Open", "Stands", "Due", "Opened by entry"], rows.clone());
    let none = Block::text("Nothing of this wash is open in this record. That is not a release to service.");
    vec![Block::heading("Still open"), if rows.is_empty() { none } else { table }]
}

fn done(told: &Told<'_>) -> Section {
    let row = |deed: &Deed| {
        let how = if deed.struck_out {
            "struck out"
        } else if deed.is_corrected() {
            "as corrected"
        } else if deed.counts {
            ""
        } else {
            "closes nothing"
        };
        let device = told.people.device(&deed.device);
        let entry = deed.reference.index.to_string();
        vec![second(deed.reference.happened_ms), line(&deed.text), told.signer(deed), device, entry, how.to_owned()]
    };
    let rows = told.look.own().map(row).collect();
    vec![Block::heading("What was done"), Block::table(&["When", "What", "Signed by", "With", "Entry", "Note"], rows)]
}

/// 14 CFR 121.371(c): nobody inspects what they worked on; 145.A.48(b): errors in critical tasks are captured.
fn inspections(told: &Told<'_>) -> Section {
    let result = |r: i32| if r == CheckResult::Satisfactory as i32 { "satisfactory" } else { "NOT satisfactory" };
    let mut rows = Vec::new();
    for deed in told.own() {
        let (what, found) = match &deed.kind {
            Some(Kind::Inspected(b)) => {
                (format!("line {}, {}", line(&b.line), engine(b.engine.as_ref())), result(b.result))
            }
            Some(Kind::LatchesSeen(b)) => {
                let found = if b.all_latched == Some(true) { "all latched" } else { "NOT all latched" };
                (format!("latches of {}, {}", line(&b.access), engine(b.engine.as_ref())), found)
            }
            Some(Kind::ReinspectedAlone(b)) => {
                let of = [line(&b.line), line(&b.access)].concat();
                (
                    format!("{of}, {}, by one person alone: {}", engine(b.engine.as_ref()), line(&b.reason)),
                    result(b.result),
                )
            }
            _ => continue,
        };
        let worked = worked_on(told, deed);
        let counts = if deed.counts { "counts" } else { "closes nothing" };
        let at = second(deed.reference.happened_ms);
        rows.push(vec![
            at,
            what,
            worked,
            told.signer(deed),
            found.to_owned(),
            counts.to_owned(),
            deed.reference.index.to_string(),
        ]);
    }
    let head = ["When", "What", "Worked on by", "Looked at by", "Found", "Taken", "Entry"];
    let none = Block::text("No second look is recorded.");
    vec![Block::heading("Second looks"), if rows.is_empty() { none } else { Block::table(&head, rows) }]
}

/// Who signed and helped with what a second look names.
fn worked_on(told: &Told<'_>, look: &Deed) -> String {
    let Some(recorded) = told.history.recorded(look.original_index) else { return "not known".to_owned() };
    let named = |deed: &&Deed| {
        let first = told.history.hash_of(deed.original_index);
        let refers = &recorded.fact.header().refers;
        refers.contains(&deed.reference.hash) || first.is_some_and(|hash| refers.contains(&hash))
    };
    let mut people: Vec<String> = Vec::new();
    for deed in told.look.own().filter(named) {
        people.push(told.signer(deed));
        if let Some(Kind::LineReconnected(b)) = &deed.kind {
            people.extend(b.helpers.iter().map(|helper| told.person(helper)));
        }
    }
    people.dedup();
    if people.is_empty() { "names no work".to_owned() } else { people.join(", ") }
}

/// 145.A.47(c) and 14 CFR 121.369(b), from memory: what passes to another shift is told and taken over.
fn shifts(told: &Told<'_>) -> Section {
    let mut rows = Vec::new();
    for deed in told.own() {
        let (what, list) = match &deed.kind {
            Some(Kind::HandedOver(b)) => ("handed over", [b.open_items.clone(), vec![b.remark.clone()]].concat()),
            Some(Kind::WashInterrupted(b)) => ("interrupted", vec![b.reason.clone()]),
            Some(Kind::WashResumed(b)) => ("resumed", vec![b.remark.clone()]),
            Some(Kind::Countersigned(b)) if b.purpose == v1::CountersignPurpose::HandoverAccepted as i32 => {
                ("taken over", vec![b.remark.clone()])
            }
            _ => continue,
        };
        let list: Vec<String> = list.iter().map(|text| line(text)).filter(|text| !text.is_empty()).collect();
        let at = second(deed.reference.happened_ms);
        rows.push(vec![at, what.to_owned(), told.signer(deed), list.join("; "), deed.reference.index.to_string()]);
    }
    let head = ["When", "What", "Signed by", "Told", "Entry"];
    let none = Block::text("The wash stayed with one shift.");
    vec![Block::heading("From shift to shift"), if rows.is_empty() { none } else { Block::table(&head, rows) }]
}

fn limits(told: &Told<'_>) -> Section {
    let heading = Block::heading("Values against limits");
    let Some(procedure) = told.look.procedure(told.history) else {
        return vec![heading, Block::text("The procedure cannot be read here: no value is compared.")];
    };
    let rows: Vec<Vec<String>> = values::compared(told.own(), procedure).iter().map(values::Compared::row).collect();
    let head = ["When", "Value", "Recorded", "Limit", "Compared"];
    let none = Block::text("No value with a limit is recorded.");
    vec![heading, if rows.is_empty() { none } else { Block::table(&head, rows) }]
}

fn findings(told: &Told<'_>) -> Section {
    let row = |(number, finding): (usize, &&Finding)| {
        let severity = match finding.severity {
            Severity::Major => "major",
            Severity::Minor => "minor",
            Severity::Note => "note",
        };
        let entries: Vec<String> = finding.rests_on.iter().map(|on| on.index.to_string()).collect();
        let settled = match &finding.settled {
            Some((by, outcome)) => settled(told, by.index, &by.hash, *outcome),
            None if finding.severity == Severity::Note => "shown only".to_owned(),
            None => "NOT settled".to_owned(),
        };
        let rule = spaced(finding.rule.name());
        vec![number.to_string(), rule, severity.to_owned(), line(&finding.text), entries.join(", "), settled]
    };
    let rows: Vec<Vec<String>> = (1..).zip(told.look.findings().iter()).map(row).collect();
    let head = ["No.", "Rule", "How grave", "What", "Entries", "Settled"];
    let none = Block::text("The rules found no breach in this wash.");
    vec![Block::heading("Findings"), if rows.is_empty() { none } else { Block::table(&head, rows) }]
}

fn settled(told: &Told<'_>, index: u64, hash: &Hash, outcome: Outcome) -> String {
    let how = match outcome {
        Outcome::Accepted => "accepted",
        Outcome::Rejected => "rejected",
    };
    let deed = told.look.deeds.iter().find(|deed| deed.reference.hash == *hash);
    let (who, why) = match deed.map(|deed| (told.signer(deed), &deed.kind)) {
        Some((who, Some(Kind::FindingSettled(b)))) => (who, line(&b.reason)),
        Some((who, _)) => (who, String::new()),
        None => ("not known".to_owned(), String::new()),
    };
    format!("{how} by {who}, entry {index}: {why}")
}

fn corrections(told: &Told<'_>) -> Section {
    let row = |deed: &Deed| match &deed.kind {
        Some(Kind::Corrected(b)) => {
            let strikes = b.outcome == v1::CorrectionOutcome::StrikeOut as i32;
            let how = if strikes { "strikes out" } else { "replaces" };
            let named = told.history.recorded(deed.original_index).map(|r| r.fact.header().refers.clone());
            let named = named.unwrap_or_default();
            let indices = named.iter().filter_map(|hash| told.history.by_hash(hash)).map(|index| index.to_string());
            let entries = indices.collect::<Vec<_>>().join(", ");
            let at = second(deed.reference.happened_ms);
            Some(vec![
                at,
                format!("{how} entry {entries}"),
                line(&b.reason),
                told.signer(deed),
                deed.reference.index.to_string(),
            ])
        }
        _ => None,
    };
    let rows: Vec<Vec<String>> = told.look.own().filter_map(row).collect();
    let head = ["When", "What", "Why", "Signed by", "Entry"];
    let none = Block::text("Nothing was corrected. What is corrected stays in the record as it was first signed.");
    let note = Block::text(
        "What was corrected stays in the record as it was first signed; a correction that takes something away waits for a second person.",
    );
    vec![Block::heading("Corrections")]
        .into_iter()
        .chain(if rows.is_empty() { vec![none] } else { vec![note, Block::table(&head, rows)] })
        .collect()
}

fn defects(told: &Told<'_>) -> Section {
    let mut rows = Vec::new();
    for deed in told.own() {
        let text = match &deed.kind {
            Some(Kind::DefectRaised(b)) => {
                let of = if b.line.is_empty() { String::new() } else { format!("line {}: ", line(&b.line)) };
                let digest = b.text.as_ref().and_then(|t| Hash::from_slice(&t.digest));
                of + &digest.and_then(|d| (told.attachment)(&d)).unwrap_or_else(|| "without text".to_owned())
            }
            Some(Kind::DefectSettled(b)) => {
                let deferred = b.outcome == v1::DefectOutcome::Deferred as i32;
                let how = if deferred { "deferred" } else { "rectified" };
                let limit = b.limit_ms.map(|ms| format!(", limit {}", second(ms))).unwrap_or_default();
                let agreed =
                    if b.agreed_by.is_empty() { String::new() } else { format!(", agreed by {}", line(&b.agreed_by)) };
                format!("{how}, {}{limit}{agreed}", line(&b.reference))
            }
            Some(
                Kind::WashAbandoned(_) | Kind::EngineDropped(_) | Kind::ElementNotUsed(_) | Kind::OverdueDecided(_),
            ) => line(&deed.text),
            Some(Kind::RunUpWaived(b)) => format!("{} Reason: {}", line(&deed.text), line(&b.reason)),
            _ => continue,
        };
        let at = second(deed.reference.happened_ms);
        rows.push(vec![at, text, told.signer(deed), deed.reference.index.to_string()]);
    }
    let none = Block::text("No defect, and nothing left out, is recorded.");
    let table = Block::table(&["When", "What", "Signed by", "Entry"], rows.clone());
    vec![Block::heading("Defects, and what was left out"), if rows.is_empty() { none } else { table }]
}
