//! What a filled card notes: facts as a card file has them. What was left empty was not recorded.

use toml::{Table, Value};

use super::super::clock;
use super::super::next::Step;
use super::super::progress::Element;
use super::{Asked, Fact, Values, engine_table};

/// The facts of a filled card, or what is missing in it.
pub(crate) fn facts(asked: &Asked<'_>, values: &Values) -> Result<Vec<Table>, String> {
    let when = values.instant("when", "When", asked.now_ms)?.unwrap_or(asked.now_ms);
    let facts = match asked.step {
        Step::ToolsOut | Step::ToolsIn | Step::FinalCheck => tools(asked, values, when)?,
        Step::Isolate | Step::OpenAccess | Step::Disconnect | Step::Fit => opened(asked, values, when)?,
        Step::RemoveFixtures | Step::CloseAccess | Step::Restore => closed(asked, values, when),
        Step::Reconnect => reconnected(asked, values, when)?,
        Step::Inspect | Step::SeeLatches => seen(asked, values, when),
        Step::LeakCheck => leak_checked(asked, values, when),
        Step::Readings => readings(asked, values, when)?,
        Step::Cycle | Step::DryCrank | Step::Aborted => vec![motored(asked, values)?],
        Step::RunUp | Step::Waive => vec![run(asked, values, when)?],
        Step::SignOff | Step::Reference => vec![signed_off(asked, values, when)?],
        _ => vec![said(asked, values, when)?],
    };
    if facts.is_empty() {
        return Err("Nothing was filled in, so nothing was noted.".to_owned());
    }
    Ok(facts.into_iter().map(|fact| fact.0).collect())
}

/// Rows whose check is set.
fn picked<'e>(elements: &'e [Element], values: &Values) -> Vec<(usize, &'e Element)> {
    elements.iter().enumerate().filter(|(n, _)| values.is_on(&format!("pick_{n}"))).collect()
}

/// Fields that are numbered from 1.
fn listed(values: &Values, name: &str) -> Vec<String> {
    let all = (1..=8).map(|n| values.get(&format!("{name}_{n}")).to_owned());
    all.filter(|text| !text.is_empty()).collect()
}

fn tools(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Vec<Fact>, String> {
    let mut tools = listed(values, "tool");
    Ok(match asked.step {
        Step::ToolsOut if values.is_on("none") && !tools.is_empty() => {
            return Err("Either tools are used or none: clear one of the two.".to_owned());
        }
        Step::ToolsOut if values.is_on("none") => vec![Fact::new("tools-out", when).yes("none_used", true)],
        Step::ToolsOut if tools.is_empty() => Vec::new(),
        Step::ToolsOut => vec![Fact::new("tools-out", when).texts("tools", &tools)],
        Step::ToolsIn => {
            let out = asked.all.tools_out.iter().enumerate();
            let picked = out.filter(|(n, _)| values.is_on(&format!("pick_{n}")));
            tools.extend(picked.map(|(_, tool)| tool.clone()));
            let complete = values.is_on("complete");
            if tools.is_empty() && !complete {
                return Ok(Vec::new());
            }
            vec![Fact::new("tools-in", when).texts("tools", &tools).yes("complete", complete)]
        }
        _ => {
            let (clear, panels) = (values.is_on("clear"), values.is_on("panels"));
            vec![Fact::new("final-check-done", when).yes("clear", clear).yes("panels_refitted", panels)]
        }
    })
}

/// The kind of fact, the key of its element, and the elements of the engine.
fn kind<'e>(asked: &'e Asked<'_>) -> (&'static str, &'static str, &'e [Element]) {
    let e = asked.progress;
    match asked.step {
        Step::Isolate => ("isolated", "isolation", &e.isolations),
        Step::Restore => ("isolation-restored", "isolation", &e.isolations),
        Step::OpenAccess => ("access-opened", "access", &e.accesses),
        Step::CloseAccess => ("access-closed", "access", &e.accesses),
        Step::Fit => ("fixture-fitted", "fixture", &e.fixtures),
        Step::RemoveFixtures => ("fixture-removed", "fixture", &e.fixtures),
        _ => ("line-disconnected", "line", &e.lines),
    }
}

fn opened(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Vec<Fact>, String> {
    let (kind, key, elements) = kind(asked);
    let fact = |name: &str, tag: &str| Fact::new(kind, when).engine(asked.engine).text(key, name).text("tag", tag);
    let mut facts: Vec<Fact> = picked(elements, values)
        .into_iter()
        .map(|(n, element)| fact(&element.name, values.get(&format!("tag_{n}"))))
        .collect();
    let (extra, tag) = (values.get("extra_name"), values.get("extra_tag"));
    match (extra.is_empty(), tag.is_empty()) {
        (false, _) => facts.push(fact(extra, tag)),
        (true, false) => return Err("A tag was given for something that has no name: name it.".to_owned()),
        (true, true) => {}
    }
    Ok(facts)
}

fn closed(asked: &Asked<'_>, values: &Values, when: u64) -> Vec<Fact> {
    let (kind, key, elements) = kind(asked);
    let fact = |(n, element): (usize, &Element)| {
        let fact = Fact::new(kind, when).engine(asked.engine).text(key, &element.name);
        let fact = fact.text("tag", values.get(&format!("tag_{n}")));
        if asked.step == Step::Restore { fact.yes("tested", values.is_on(&format!("tested_{n}"))) } else { fact }
    };
    picked(elements, values).into_iter().map(fact).collect()
}

fn reconnected(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Vec<Fact>, String> {
    let helpers = listed(values, "helper");
    let mut facts = Vec::new();
    for (n, line) in picked(&asked.progress.lines, values) {
        let what = format!("Torque of {}", line.name);
        let torque = values.decimal(&format!("torque_{n}"), &what, 3)?;
        let mut fact = Fact::new("line-reconnected", when).engine(asked.engine).text("line", &line.name);
        fact = fact.number("torque_millinewton_metres", torque);
        fact = fact.text("locking", values.get(&format!("locking_{n}")));
        if !values.get("tool").is_empty() {
            fact = fact.put("tool", Value::Table(tool(values)?));
        }
        facts.push(if helpers.is_empty() { fact } else { fact.texts("helpers", &helpers) });
    }
    Ok(facts)
}

fn tool(values: &Values) -> Result<Table, String> {
    let mut tool = Table::from_iter([("tool".to_owned(), Value::String(values.get("tool").to_owned()))]);
    if let Some(day) = date(values, "due", "Calibrated until")? {
        tool.insert("calibration_due_unix_day".to_owned(), day);
    }
    Ok(tool)
}

fn date(values: &Values, name: &str, what: &str) -> Result<Option<Value>, String> {
    let text = values.get(name);
    if text.is_empty() {
        return Ok(None);
    }
    let read = text.parse::<toml::value::Datetime>().ok().filter(|d| d.date.is_some() && d.time.is_none());
    read.map(|d| Some(Value::Datetime(d))).ok_or_else(|| format!("{what}: {text:?} is no date such as 2031-03-04"))
}

/// What another person found, on what is signed and can be named.
fn seen(asked: &Asked<'_>, values: &Values, when: u64) -> Vec<Fact> {
    let latches = asked.step == Step::SeeLatches;
    let all = if latches { &asked.progress.accesses } else { &asked.progress.lines };
    let fact = |(n, element): (usize, &Element)| {
        let found = values.get(&format!("result_{n}"));
        let closing = element.closed_by.flatten().filter(|_| !found.is_empty())?;
        let fact = Fact::new(if latches { "latches-seen" } else { "inspected" }, when).engine(asked.engine);
        let fact = if latches {
            fact.text("access", &element.name).yes("all_latched", found == "yes")
        } else {
            fact.text("line", &element.name).text("result", found)
        };
        Some(fact.texts("acts_on", &[closing.to_string()]))
    };
    all.iter().enumerate().filter_map(fact).collect()
}

fn leak_checked(asked: &Asked<'_>, values: &Values, when: u64) -> Vec<Fact> {
    let fact = |(n, line): (usize, &Element)| {
        let found = values.get(&format!("result_{n}"));
        let fact = Fact::new("leak-checked", when).engine(asked.engine).text("line", &line.name);
        let fact = fact.text("method", values.get(&format!("method_{n}"))).text("result", found);
        (!found.is_empty()).then_some(fact)
    };
    asked.progress.lines.iter().enumerate().filter_map(fact).collect()
}

fn readings(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Vec<Fact>, String> {
    let (water, litres) = (values.decimal("water", "Water", 1)?, values.decimal("litres", "Water in the rig", 3)?);
    let (additive, air) = (values.decimal("additive", "Added", 0)?, values.decimal("air", "Outside air", 1)?);
    let metal = values.decimal("metal", "Metal", 1)?;
    let mut facts = Vec::new();
    if water.is_some() || litres.is_some() || !values.get("rig").is_empty() {
        let fact = Fact::new("water-ready", when).text("rig", values.get("rig"));
        let fact = fact.number("water_tenths_celsius", water).number("volume_millilitres", litres);
        facts.push(fact.number("additive_per_mille", additive));
    }
    if air.is_some() {
        facts.push(Fact::new("outside-conditions", when).number("air_tenths_celsius", air));
    }
    if metal.is_some() {
        let fact = Fact::new("metal-temperature", when).engine(asked.engine);
        facts.push(fact.number("metal_tenths_celsius", metal));
    }
    Ok(facts)
}

/// A captured instant keeps its milliseconds where nobody changed its second.
fn instant(
    asked: &Asked<'_>,
    values: &Values,
    name: &str,
    what: &str,
    own: Option<u64>,
) -> Result<Option<u64>, String> {
    let typed = values.instant(name, what, asked.now_ms)?;
    Ok(match (typed, own) {
        (Some(typed), Some(own)) if typed / 1000 == own / 1000 => Some(own),
        (typed, _) => typed,
    })
}

fn motored(asked: &Asked<'_>, values: &Values) -> Result<Fact, String> {
    let run = asked.run;
    let at = |name, what, own| instant(asked, values, name, what, own);
    let started = at("motoring_started", "Motoring began", run.map(|r| r.motoring_started_ms))?;
    let rotation = at("rotation", "Rotation seen", run.and_then(|r| r.rotation_confirmed_ms))?;
    let wet_from = at("injection_started", "Injection began", run.and_then(|r| r.injection_started_ms))?;
    let wet_to = at("injection_ended", "Injection ended", run.and_then(|r| r.injection_ended_ms))?;
    let ended = at("motoring_ended", "Motoring ended", run.and_then(|r| r.motoring_ended_ms))?;
    let (Some(started), Some(ended)) = (started, ended) else {
        return Err("Say when motoring began and when it ended: the starter's rest is counted from that.".to_owned());
    };
    let ordered = [Some(started), wet_from, wet_to, Some(ended)];
    let ordered: Vec<u64> = ordered.into_iter().flatten().collect();
    if ordered.is_sorted() {
        let kind = match asked.step {
            Step::Cycle => "cycle-run",
            Step::DryCrank => "dry-crank-run",
            _ => "motoring-aborted",
        };
        let fact = Fact::new(kind, ended).engine(asked.engine).at("motoring_started_ms", Some(started));
        let fact = fact.at("rotation_confirmed_ms", rotation).at("injection_started_ms", wet_from);
        let fact = fact.at("injection_ended_ms", wet_to).at("motoring_ended_ms", Some(ended));
        let fact = fact.text("reason", values.get("reason"));
        let fact = fact.number("speed_tenths_percent", values.decimal("speed", "Speed", 1)?);
        let fact = fact.number("water_tenths_celsius", values.decimal("water", "Water", 1)?);
        return Ok(fact.number("volume_millilitres", values.decimal("litres", "Water injected", 3)?));
    }
    Err("These times do not follow one another: motoring began, injection began, injection ended, motoring ended."
        .to_owned())
}

fn run(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Fact, String> {
    if asked.step == Step::Waive {
        let time = values.needed("time", "Planned start")?;
        let start = clock::read_on(values.needed("date", "Planned start, day")?, time)?;
        let fact = Fact::new("run-up-waived", when).engine(asked.engine).at("planned_start_ms", Some(start));
        return Ok(fact.text("air_source", values.needed("air", "Air from")?).text("reason", values.get("reason")));
    }
    let started = values.instant("started", "Started", asked.now_ms)?;
    let ended = values.instant("ended", "Ended", asked.now_ms)?;
    let (Some(started), Some(ended)) = (started, ended) else {
        return Err("Say when the engine started and when it was shut down.".to_owned());
    };
    if ended < started {
        return Err("It ended before it started: look at the times again.".to_owned());
    }
    // Tenths of a minute: six seconds each.
    let idle_s = values.decimal("idle", "Minutes at idle or above", 1)?.map(|tenths| tenths * 6);
    let fact = Fact::new("run-up-done", ended).engine(asked.engine).at("started_ms", Some(started));
    let fact = fact.at("ended_ms", Some(ended)).number("idle_or_above_seconds", idle_s);
    Ok(fact.text("result", values.needed("result", "Found")?))
}

fn signed_off(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Fact, String> {
    if asked.step == Step::Reference {
        let signed = asked.all.signed_off.ok_or("The wash is not signed off yet: that comes first.")?;
        let reference = values.needed("reference", "Page or number")?;
        let fact = Fact::new("release-reference-recorded", when).text("reference", reference);
        return Ok(fact.texts("acts_on", &[signed.to_string()]));
    }
    let mut fact = Fact::new("signed-off", when).text("description", values.get("description"));
    fact = fact.text("data_reference", values.get("data"));
    if let Some(day) = date(values, "day", "Completed on")? {
        fact = fact.put("completion_unix_day", day);
    }
    fact = fact.text("performer", values.get("performer")).text("certificate_number", values.get("number"));
    fact = fact.text("certificate_kind", values.get("certificate"));
    let mut stated = Vec::new();
    for engine in &asked.wash.engines {
        let name = format!("cycles_{}", engine.position);
        if let Some(cycles) = values.decimal(&name, "Cycles stated", 0)? {
            stated.push(Value::Table(Table::from_iter([
                ("engine".to_owned(), Value::Table(engine_table(engine))),
                ("cycles".to_owned(), Value::Integer(cycles)),
            ])));
        }
    }
    Ok(if stated.is_empty() { fact } else { fact.put("cycles_stated", Value::Array(stated)) })
}

/// Cards of words.
fn said(asked: &Asked<'_>, values: &Values, when: u64) -> Result<Fact, String> {
    let of_engine = |kind| Fact::new(kind, when).engine(asked.engine);
    let needed = |name, what| values.needed(name, what);
    Ok(match asked.step {
        Step::ClearArea => of_engine("area-cleared").text("watch_person", needed("watch", "Who watches the area")?),
        Step::EndArea => of_engine("area-released"),
        Step::NotUsed => {
            let element = needed("element", "What is not used")?;
            let (kind, name) = element.split_once(':').ok_or("Choose what is not used.")?;
            let fact = of_engine("element-not-used").text("element_kind", kind).text("element", name);
            fact.text("reason", needed("reason", "Why")?)
        }
        Step::Deferred => {
            let fact = of_engine("found-deferred").text("isolation", needed("isolation", "What")?);
            fact.text("reference", needed("reference", "Deferral reference")?)
        }
        Step::Defect => {
            of_engine("defect-raised").text("line", values.get("line")).text("text", needed("text", "What was seen")?)
        }
        Step::Drop => of_engine("engine-dropped").text("reason", needed("reason", "Why")?),
        Step::Interrupt => Fact::new("wash-interrupted", when).text("reason", needed("reason", "Why")?),
        Step::Resume => Fact::new("wash-resumed", when).text("remark", values.get("remark")),
        _ => Fact::new("remark", when).text("text", needed("text", "Remark")?),
    })
}
