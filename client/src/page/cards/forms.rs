//! What each card asks, with what is known filled in.

use rinsebook_proto::rules::procedure::{Line, LockingAsked};

use super::super::clock;
use super::super::next::{Step, to_inspect, to_leak_check, to_see};
use super::super::progress::Element;
use super::{Asked, Field, Form, Row, shown};

/// The card of a stage.
pub(crate) fn form(asked: &Asked<'_>) -> Form {
    let mut form = Form { rows: rows(asked), fields: fields(asked), ..Form::default() };
    form.same_as_last = asked.step == Step::Cycle && asked.progress.last_cycle.is_some();
    if is_of_rows(asked.step) && form.rows.is_empty() {
        form.nothing =
            "On this engine nothing is recorded that this step would close: note first what came before it.".to_owned();
    }
    if !matches!(asked.step, Step::Cycle | Step::DryCrank | Step::Aborted | Step::RunUp) {
        form.fields.push(clock_field("when", "When (UTC)", "", "empty: now"));
    }
    form
}

fn is_of_rows(step: Step) -> bool {
    matches!(step, Step::Restore | Step::CloseAccess | Step::RemoveFixtures | Step::Inspect | Step::SeeLatches)
        || matches!(step, Step::LeakCheck | Step::Reconnect)
}

pub(super) fn field(name: &str, label: &str, kind: &'static str, value: &str, hint: &str) -> Field {
    Field {
        name: name.to_owned(),
        label: label.to_owned(),
        kind,
        value: value.to_owned(),
        hint: hint.to_owned(),
        options: Vec::new(),
    }
}

pub(super) fn text(name: &str, label: &str) -> Field {
    field(name, label, "text", "", "")
}

fn decimal(name: &str, label: &str, value: Option<i64>, digits: u32, hint: &str) -> Field {
    field(name, label, "decimal", &value.map(|v| shown(v, digits)).unwrap_or_default(), hint)
}

fn clock_field(name: &str, label: &str, value: &str, hint: &str) -> Field {
    field(name, label, "clock", value, hint)
}

fn check(name: &str, label: &str, on: bool) -> Field {
    field(name, label, "check", if on { "on" } else { "" }, "")
}

fn choice(name: &str, label: &str, value: &str, options: &[(&str, &str)]) -> Field {
    let options = options.iter().map(|(value, words)| ((*value).to_owned(), (*words).to_owned())).collect();
    Field { options, ..field(name, label, "choice", value, "") }
}

fn people(asked: &Asked<'_>, name: &str, label: &str) -> Field {
    let mut options = vec![(String::new(), "–".to_owned())];
    options.extend(asked.people.iter().map(|person| (person.clone(), person.clone())));
    Field { options, ..field(name, label, "choice", "", "") }
}

const RESULT: &[(&str, &str)] =
    &[("", "choose"), ("satisfactory", "satisfactory"), ("not-satisfactory", "NOT satisfactory")];
const LOCKINGS: &[(&str, &str)] = &[
    ("", "not recorded"),
    ("wire", "wire"),
    ("tab-washer", "tab washer"),
    ("cotter-pin", "cotter pin"),
    ("self-locking", "self-locking"),
    ("clip", "clip"),
    ("other", "other"),
    ("none", "none"),
];

/// Rows of what is on the card, each with its check set where it comes next.
fn rows(asked: &Asked<'_>) -> Vec<Row> {
    let engine = asked.progress;
    let untouched = |all: &[Element], tag: bool, extra: &str| {
        let mut rows: Vec<Row> = all
            .iter()
            .enumerate()
            .filter(|(_, e)| !e.open)
            .map(|(n, e)| element_row(n, e, !e.touched, tag.then_some("")))
            .collect();
        if !extra.is_empty() {
            rows.push(Row {
                known: extra.to_owned(),
                fields: vec![text("extra_name", "As it is marked"), text("extra_tag", "Tag")],
                ..Row::default()
            });
        }
        rows
    };
    let open = |all: &[Element], tag: bool| -> Vec<Row> {
        let open = all.iter().enumerate().filter(|(_, e)| e.open);
        open.map(|(n, e)| element_row(n, e, true, tag.then_some(e.tag.as_str()))).collect()
    };
    match asked.step {
        Step::Isolate => untouched(&engine.isolations, true, ""),
        Step::OpenAccess => untouched(&engine.accesses, false, ""),
        Step::Disconnect => untouched(&engine.lines, true, "another line, which the procedure does not list"),
        Step::Fit => untouched(&engine.fixtures, true, "another fixture: a blank, a cap"),
        Step::RemoveFixtures => open(&engine.fixtures, true),
        Step::CloseAccess => open(&engine.accesses, false),
        Step::Restore => {
            let mut rows = open(&engine.isolations, true);
            for row in &mut rows {
                let n = row.fields[0].name.trim_start_matches("pick_").to_owned();
                row.fields.push(check(&format!("tested_{n}"), "Tested", false));
            }
            rows
        }
        Step::Reconnect => reconnect(asked),
        Step::Inspect => second(asked, &to_inspect(asked.procedure, engine), &engine.lines, RESULT),
        Step::SeeLatches => second(
            asked,
            &to_see(asked.procedure, engine),
            &engine.accesses,
            &[("", "choose"), ("yes", "all latched"), ("no", "NOT all latched")],
        ),
        Step::LeakCheck => leak_check(asked),
        Step::ToolsIn => tools_in(asked),
        _ => Vec::new(),
    }
}

fn element_row(n: usize, element: &Element, on: bool, tag: Option<&str>) -> Row {
    let mut fields = vec![check(&format!("pick_{n}"), "Done", on)];
    if let Some(tag) = tag {
        fields.push(field(&format!("tag_{n}"), "Tag", "text", tag, "scan or type; empty: none"));
    }
    let known = if element.touched && !element.open { "was recorded before" } else { "" };
    Row { title: element.name.clone(), known: known.to_owned(), fields }
}

fn reconnect(asked: &Asked<'_>) -> Vec<Row> {
    let wanted = |e: &&(usize, &Element)| e.1.open || e.1.rework;
    let lines = asked.progress.lines.iter().enumerate();
    lines
        .filter(|e| wanted(&e))
        .map(|(n, element)| {
            let line = asked.procedure.line(&element.name);
            let locking = line.and_then(|l| l.locking).map_or("", locking_word);
            Row {
                title: element.name.clone(),
                known: if element.rework { "it was not good: make the joint again".to_owned() } else { String::new() },
                fields: vec![
                    check(&format!("pick_{n}"), "Done", true),
                    decimal(&format!("torque_{n}"), "Torque, N·m", None, 3, &torque_hint(line)),
                    choice(&format!("locking_{n}"), "Locking", locking, LOCKINGS),
                ],
            }
        })
        .collect()
}

fn torque_hint(line: Option<&Line>) -> String {
    let window = line.and_then(|l| l.torque_min_millinewton_metres.zip(l.torque_max_millinewton_metres));
    let said = |(min, max): (u32, u32)| format!("{} to {} N·m", shown(min.into(), 3), shown(max.into(), 3));
    window.map(said).unwrap_or_default()
}

fn locking_word(asked: LockingAsked) -> &'static str {
    match asked {
        LockingAsked::Wire => "wire",
        LockingAsked::TabWasher => "tab-washer",
        LockingAsked::CotterPin => "cotter-pin",
        LockingAsked::SelfLocking => "self-locking",
        LockingAsked::Clip => "clip",
        LockingAsked::Other => "other",
    }
}

/// What another person looks at: it can be named only once it is signed.
fn second(asked: &Asked<'_>, due: &[&Element], all: &[Element], options: &[(&str, &str)]) -> Vec<Row> {
    let _ = asked;
    due.iter()
        .map(|element| {
            let n = all.iter().position(|e| e.name == element.name).unwrap_or_default();
            let signed = matches!(element.closed_by, Some(Some(_)));
            let fields = if signed { vec![choice(&format!("result_{n}"), "Found", "", options)] } else { Vec::new() };
            let known = if signed { "" } else { "not signed yet: sign the work first, then it can be looked at" };
            Row { title: element.name.clone(), known: known.to_owned(), fields }
        })
        .collect()
}

fn leak_check(asked: &Asked<'_>) -> Vec<Row> {
    let due = to_leak_check(asked.procedure, asked.progress);
    let all = asked.progress.lines.iter().enumerate().filter(|(_, e)| !e.open && e.closed_by.is_some());
    all.map(|(n, element)| {
        let wanted = due.iter().any(|e| e.name == element.name);
        Row {
            title: element.name.clone(),
            known: if wanted { "asked by the procedure".to_owned() } else { "not asked".to_owned() },
            fields: vec![
                choice(&format!("result_{n}"), "Found", "", RESULT),
                choice(
                    &format!("method_{n}"),
                    "How",
                    "leak",
                    &[("leak", "leak check"), ("function", "function check")],
                ),
            ],
        }
    })
    .collect()
}

fn tools_in(asked: &Asked<'_>) -> Vec<Row> {
    let tools = asked.all.tools_out.iter().enumerate();
    tools
        .map(|(n, tool)| Row {
            title: tool.clone(),
            fields: vec![check(&format!("pick_{n}"), "In my hand", false)],
            ..Row::default()
        })
        .collect()
}

/// What a card asks once.
fn fields(asked: &Asked<'_>) -> Vec<Field> {
    match asked.step {
        Step::ToolsOut => {
            let tool = |n| text(&format!("tool_{n}"), &format!("Tool {n}"));
            let mut fields: Vec<Field> = (1..=8).map(tool).collect();
            fields.push(check("none", "No tools are used", false));
            fields
        }
        Step::Readings => readings(asked),
        Step::ClearArea => vec![people(asked, "watch", "Who watches the area")],
        Step::Cycle | Step::DryCrank | Step::Aborted => motoring(asked),
        Step::Reconnect => tool_used(asked),
        Step::ToolsIn => {
            let mut fields: Vec<Field> = (1..=3).map(|n| text(&format!("tool_{n}"), "Another tool, scanned")).collect();
            fields.push(check("complete", "The count is finished: what is not in now is missing", false));
            fields
        }
        Step::FinalCheck => vec![
            check("clear", "Clear of tools, equipment and loose material", false),
            check("panels", "Panels refitted", false),
        ],
        Step::RunUp => vec![
            clock_field("started", "Started (UTC)", "", "hh:mm:ss"),
            clock_field("ended", "Ended (UTC)", "", "hh:mm:ss"),
            decimal("idle", "Minutes at idle or above", None, 1, &idle_hint(asked)),
            choice("result", "Found", "", RESULT),
        ],
        Step::Waive => vec![
            field("date", "Planned start, day", "date", &clock::day(asked.now_ms), ""),
            clock_field("time", "Planned start (UTC)", "", "hh:mm"),
            text("air", "Air from"),
            text("reason", "Why"),
        ],
        Step::SignOff => sign_off(asked),
        other => said(asked, other),
    }
}

/// Cards that ask for words only.
fn said(asked: &Asked<'_>, step: Step) -> Vec<Field> {
    match step {
        Step::Reference => vec![text("reference", "Page or number in the other record")],
        Step::NotUsed => vec![choice_of_elements(asked), text("reason", "Why")],
        Step::Deferred => {
            let all: Vec<(&str, &str)> =
                asked.progress.isolations.iter().map(|e| (e.name.as_str(), e.name.as_str())).collect();
            vec![choice("isolation", "What", "", &all), text("reference", "Deferral reference")]
        }
        Step::Defect => {
            let mut all = vec![("", "the engine, no line")];
            all.extend(asked.progress.lines.iter().map(|e| (e.name.as_str(), e.name.as_str())));
            vec![choice("line", "Damage to", "", &all), field("text", "What was seen", "long", "", "")]
        }
        Step::Drop | Step::Interrupt => vec![text("reason", "Why")],
        Step::Remark => vec![field("text", "Remark", "long", "", "")],
        Step::Resume => vec![text("remark", "Remark")],
        _ => Vec::new(),
    }
}

fn idle_hint(asked: &Asked<'_>) -> String {
    format!("{} min at least", shown(i64::from(asked.procedure.run_up.idle_or_above_min_s) / 6, 1))
}

fn readings(asked: &Asked<'_>) -> Vec<Field> {
    let (water, limits) = (&asked.procedure.water, &asked.procedure.limits);
    let window = format!(
        "{} to {} °C, aim at {}",
        shown(water.window_min_tenths_celsius.into(), 1),
        shown(water.window_max_tenths_celsius.into(), 1),
        shown(water.aim_tenths_celsius.into(), 1)
    );
    let litres = format!("{} L at least", shown(water.volume_min_millilitres.into(), 3));
    let air = format!("{} °C at least", shown(limits.outside_air_min_tenths_celsius.into(), 1));
    let metal = format!(
        "{} to {} °C",
        shown(limits.metal_min_tenths_celsius.into(), 1),
        shown(limits.metal_max_tenths_celsius.into(), 1)
    );
    vec![
        text("rig", "Rig"),
        decimal("water", "Water, °C", None, 1, &window),
        decimal("litres", "Water in the rig, L", None, 3, &litres),
        decimal("additive", "Added, ‰ of the volume", None, 0, "0: plain water"),
        decimal("air", "Outside air, °C", None, 1, &air),
        decimal("metal", "Metal of this engine, °C", None, 1, &metal),
    ]
}

/// The captured times of the run stand in their places and can be changed.
fn motoring(asked: &Asked<'_>) -> Vec<Field> {
    let (run, m) = (asked.run, &asked.procedure.motoring);
    let at = |ms: Option<u64>| ms.map(clock::second).unwrap_or_default();
    let instant = |name: &str, label: &str, ms: Option<u64>| clock_field(name, label, &at(ms), "hh:mm:ss");
    let wet = asked.step != Step::DryCrank;
    let mut fields = vec![instant("motoring_started", "Motoring began (UTC)", run.map(|r| r.motoring_started_ms))];
    if asked.step == Step::Cycle {
        fields.push(instant("rotation", "Rotation seen", run.and_then(|r| r.rotation_confirmed_ms)));
    }
    if wet {
        fields.push(instant("injection_started", "Injection began", run.and_then(|r| r.injection_started_ms)));
        fields.push(instant("injection_ended", "Injection ended", run.and_then(|r| r.injection_ended_ms)));
    }
    fields.push(instant("motoring_ended", "Motoring ended", run.and_then(|r| r.motoring_ended_ms)));
    if asked.step == Step::Aborted {
        fields.push(text("reason", "Why it was broken off"));
        return fields;
    }
    let least = format!("{} % N2 at least", shown(m.speed_min_tenths_percent.into(), 1));
    fields.push(decimal("speed", "Lowest speed held, % N2", None, 1, &least));
    if wet {
        fields.push(decimal("water", "Water, °C", None, 1, ""));
        fields.push(decimal("litres", "Water injected, L", None, 3, ""));
    }
    fields
}

fn tool_used(asked: &Asked<'_>) -> Vec<Field> {
    let last = asked.progress.last_tool.as_ref();
    let due = last.and_then(|t| t.calibration_due_unix_day).and_then(|day| u64::try_from(day).ok());
    let due = due.map(|day| clock::day(day * 86_400_000)).unwrap_or_default();
    let mut fields = vec![
        field("tool", "Torque tool", "text", last.map_or("", |t| t.tool.as_str()), "scan or type"),
        field("due", "Calibrated until", "date", &due, ""),
    ];
    fields.extend((1..=2).map(|n| people(asked, &format!("helper_{n}"), "Who helped")));
    fields
}

fn sign_off(asked: &Asked<'_>) -> Vec<Field> {
    let data = asked.wash.title.clone().unwrap_or_default();
    let positions: Vec<String> = asked.wash.engines.iter().map(|e| e.position.to_string()).collect();
    let what = format!("Core wash of engine {}", positions.join(" and "));
    let mut fields = vec![
        field("description", "Work done", "text", &what, ""),
        field("data", "Data it was done to", "text", &data, ""),
        field("day", "Completed on", "date", &clock::day(asked.now_ms), ""),
        Field { hint: "where not the signer".to_owned(), ..people(asked, "performer", "Who did the work") },
        text("number", "Certificate number"),
        text("certificate", "Kind of certificate"),
    ];
    for (position, cycles) in asked.cycles.iter().filter(|(_, n)| *n < asked.procedure.cycle.count) {
        let label = format!("Cycles stated for engine {position}");
        let hint = format!("{} asked, {cycles} count", asked.procedure.cycle.count);
        fields.push(field(&format!("cycles_{position}"), &label, "decimal", "", &hint));
    }
    fields
}

/// Elements of the procedure of which nothing was said yet, as kind and name.
fn choice_of_elements(asked: &Asked<'_>) -> Field {
    let of = |kind: &str, all: &[Element]| -> Vec<(String, String)> {
        let left = all.iter().filter(|e| !e.touched);
        left.map(|e| (format!("{kind}:{}", e.name), format!("{kind} {}", e.name))).collect()
    };
    let e = asked.progress;
    let options =
        [of("line", &e.lines), of("access", &e.accesses), of("fixture", &e.fixtures), of("isolation", &e.isolations)];
    Field { options: options.concat(), ..choice("element", "What is not used", "", &[]) }
}
