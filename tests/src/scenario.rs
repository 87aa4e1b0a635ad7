//! A scenario: a short story of facts, and what the rules have to say at its moments, exactly.
//!
//! ```toml
//! [[scenario]]
//! title = "…"                          # a sentence
//! close_to = ["water-hot"]             # findings that it comes near without raising them
//! group.wash = ["sign-off-due WO-1"]   # what "@wash" stands for in its lists
//!
//! [[scenario.step]]                    # a card; `at` is when the service received it
//! at = 08:05:00
//! signer = "ida"
//! fact = [{ kind = "…", at = 08:00:00, … }]
//!
//! [[scenario.step]]                    # a moment
//! at = 09:00:00
//! verdict = "blocked"
//! items = ["@wash", "run-up-due 2, due 20:00:00", "soaking 2, due 09:05:00, not blocking"]
//! findings = ["speed-low 2 (minor)"]
//!
//! [[scenario.step]]                    # a newer revision of a procedure, with what is added to its text
//! at = 09:00:00
//! publish = "Bare r1"
//! revision = 2
//! added = "…"
//!
//! [[scenario.step]]                    # somebody enrolled late
//! at = 09:00:00
//! enrol = "nemo"
//! may = ["perform"]
//! ```
//!
//! A card has also `station` (else "ramp-1"), `signed` (when it was written down), `seen` (the label of the first fact that
//! the station had not seen yet), `offset_s` (its clock's), `wash`, `aircraft`, `new_run`, `lost`, `came` ("refused", or
//! "forked": at the place of the fact before it). A moment has also
//! `judged` (a time), `known_before` (a label), `start` (a supposed planned start), `assume_closed`, `silent` (stations
//! that do not report; the others do, just before), `unsent` (what each station says to have left), `latest_starts`, `conditions`, `horizon`, `first_line`. In cards
//! "$index:LABEL" stands for a fact's index and "$key:NAME" for a person's key id.

use std::collections::BTreeMap;

use anyhow::{Context as _, Result, bail};
use rinsebook_client::card::instant_ms;
use rinsebook_client::render;
use rinsebook_proto::rules::{Assessment, Blocks, Finding, Item, ItemKind, Question, Severity};
use rinsebook_proto::v1::Authority;
use rinsebook_proto::{key, rules};
use toml::{Table, Value};

use crate::record::{Came, Delivery, Record, id, key_of};

/// See the module.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// What it tells, in a sentence.
    pub title: String,
    /// Findings that it comes near.
    pub close_to: Vec<String>,
    table: Table,
}

/// What was found at the moments of a scenario.
#[derive(Debug, Default)]
pub struct Run {
    /// Differences from what was expected, for people.
    pub wrong: Vec<String>,
    /// The item kinds shown at each moment.
    pub items: Vec<Vec<&'static str>>,
    /// The rules raised at some moment.
    pub rules: Vec<&'static str>,
}

/// Reads the scenarios of a file.
pub fn read(text: &str) -> Result<Vec<Scenario>> {
    let mut table: Table = toml::from_str(text)?;
    let day = table.get("day").cloned().context("a file of scenarios has its day")?;
    let Some(Value::Array(all)) = table.remove("scenario") else { bail!("it has no [[scenario]]") };
    all.into_iter()
        .map(|scenario| {
            let Value::Table(mut scenario) = scenario else { bail!("a scenario is a table") };
            scenario.entry("day").or_insert(day.clone());
            for key in ["group", "wash", "aircraft"] {
                if let Some(value) = table.get(key) {
                    scenario.entry(key).or_insert(value.clone());
                }
            }
            let title = scenario.get("title").and_then(Value::as_str).context("a scenario has its title")?.to_owned();
            Ok(Scenario { close_to: words(&scenario, "close_to"), title, table: scenario })
        })
        .collect()
}

impl Scenario {
    /// Plays it.
    pub fn run(&self, procedures: &[&str]) -> Result<Run> {
        let midnight = Value::Datetime("00:00:00".parse()?);
        let mut record = Record::founded(self.instant(&midnight)?, procedures)?;
        let mut run = Run::default();
        let Some(Value::Array(steps)) = self.table.get("step") else { bail!("it has no steps") };
        for (n, step) in steps.iter().enumerate() {
            let step = step.as_table().context("a step is a table")?;
            let done = if step.contains_key("publish") {
                self.publish(&mut record, step, procedures)
            } else if step.contains_key("enrol") {
                self.enrol(&mut record, step)
            } else if step.contains_key("fact") {
                self.card(&mut record, step)
            } else {
                self.moment(&mut record, step, &mut run)
            };
            done.with_context(|| format!("step {}", n + 1))?;
        }
        Ok(run)
    }

    fn instant(&self, value: &Value) -> Result<u64> {
        instant_ms(value, self.table.get("day")).map_err(anyhow::Error::msg)
    }

    fn at(&self, step: &Table, key: &str) -> Result<Option<u64>> {
        step.get(key).map(|value| self.instant(value).with_context(|| key.to_owned())).transpose()
    }

    fn publish(&self, record: &mut Record, step: &Table, procedures: &[&str]) -> Result<()> {
        let named = step["publish"].as_str().context("publish takes a title and revision")?;
        let (title, _) = named.rsplit_once(" r").context("as in \"Bare r1\"")?;
        let is_it = |text: &&&str| text.contains(&format!("title = {title:?}"));
        let text = procedures.iter().find(is_it).with_context(|| format!("no procedure {named:?}"))?;
        let revision = step.get("revision").and_then(Value::as_integer).context("a revision has a number")?;
        let added = step.get("added").and_then(Value::as_str).unwrap_or_default();
        let text = format!("{}\n{added}", text.replacen("revision = 1\n", &format!("revision = {revision}\n"), 1));
        record.publish(&text, self.at(step, "at")?.context("when was it published?")?)
    }

    fn enrol(&self, record: &mut Record, step: &Table) -> Result<()> {
        let name = step["enrol"].as_str().context("enrol takes a name")?;
        let may = words(step, "may").iter().map(|word| authority(word)).collect::<Result<Vec<Authority>>>()?;
        record.enrol(name, &may, self.at(step, "at")?.context("when?")?)
    }

    fn card(&self, record: &mut Record, step: &Table) -> Result<()> {
        let station = step.get("station").and_then(Value::as_str).unwrap_or("ramp-1").to_owned();
        if step.get("new_run").and_then(Value::as_bool) == Some(true) {
            let lost = step.get("lost").and_then(Value::as_bool) == Some(true);
            record.restart(&station, lost);
        }
        let seen = step.get("seen").and_then(Value::as_str);
        let by = Delivery {
            station,
            signer: step.get("signer").and_then(Value::as_str).context("a card has its signer")?.to_owned(),
            received_ms: self.at(step, "at")?.context("a card has its time")?,
            recorded_ms: self.at(step, "signed")?,
            seen_size: seen.map(|label| self.index(record, label)).transpose()?,
            clock_offset_ms: match step.get("offset_s") {
                None => Some(0),
                Some(Value::String(text)) if text == "unknown" => None,
                Some(seconds) => Some(seconds.as_integer().context("offset_s takes seconds")? * 1000),
            },
            outcome: match step.get("came").and_then(Value::as_str) {
                None => Came::Admitted,
                Some("refused") => Came::Refused,
                Some("forked") => Came::Forked,
                Some(other) => bail!("{other:?} is nothing that becomes of a card"),
            },
        };
        let mut card = Table::new();
        card.insert("day".to_owned(), self.table["day"].clone());
        for key in ["wash", "aircraft"] {
            if let Some(value) = step.get(key).or_else(|| self.table.get(key)) {
                card.insert(key.to_owned(), value.clone());
            }
        }
        let mut facts = step["fact"].clone();
        self.substitute(record, &mut facts)?;
        card.insert("fact".to_owned(), facts);
        record.card(&card, &by)
    }

    fn index(&self, record: &Record, label: &str) -> Result<u64> {
        let wash = self.table.get("wash").and_then(Value::as_str).unwrap_or_default();
        let found = record.indices.get(&format!("{wash}/{label}")).or_else(|| record.indices.get(label));
        found.copied().with_context(|| format!("no fact has the label {label:?}"))
    }

    fn substitute(&self, record: &Record, value: &mut Value) -> Result<()> {
        match value {
            Value::Array(all) => all.iter_mut().try_for_each(|v| self.substitute(record, v)),
            Value::Table(table) => table.iter_mut().try_for_each(|(_, v)| self.substitute(record, v)),
            Value::String(text) => {
                if let Some(label) = text.strip_prefix("$index:") {
                    *value = Value::Integer(i64::try_from(self.index(record, label)?)?);
                } else if let Some(name) = text.strip_prefix("$key:") {
                    *value = Value::String(key::key_id(&key_of(name).verifying_key()).to_string());
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn moment(&self, record: &mut Record, step: &Table, run: &mut Run) -> Result<()> {
        let at_ms = self.at(step, "at")?.context("a moment has its time")?;
        let silent = words(step, "silent");
        for station in record.stations().into_iter().filter(|s| !silent.contains(s)) {
            let unsent = step.get("unsent").and_then(|all| all.get(&station)).and_then(Value::as_integer);
            record.report(&station, at_ms, unsent.unwrap_or(0).try_into()?)?;
        }
        let aircraft = step.get("aircraft").or_else(|| self.table.get("aircraft")).and_then(Value::as_str);
        let known_before = step.get("known_before").and_then(Value::as_str);
        let answer = record.history.assess(&Question {
            aircraft: id(aircraft.context("which aircraft?")?),
            planned_start_ms: self.at(step, "start")?,
            assume_closed: words(step, "assume_closed"),
            epoch: 1,
            size: known_before.map_or(Ok(record.history.size()), |label| self.index(record, label))?,
            time_ms: self.at(step, "judged")?.unwrap_or(at_ms),
        });
        let told = Told::of(&answer, self.instant(&Value::Datetime("00:00:00".parse()?))?);
        run.items.push(answer.items.iter().map(|item| item.kind.name()).collect());
        run.rules.extend(answer.findings.iter().map(|finding| finding.rule.name()));
        run.wrong.extend(self.compare(step, &told)?);
        Ok(())
    }

    fn compare(&self, step: &Table, told: &Told) -> Result<Vec<String>> {
        let known = [
            "at",
            "judged",
            "known_before",
            "start",
            "assume_closed",
            "silent",
            "unsent",
            "aircraft",
            "items",
            "findings",
            "verdict",
            "latest_starts",
            "conditions",
            "horizon",
            "first_line",
        ];
        if let Some(unknown) = step.keys().find(|key| !known.contains(&key.as_str())) {
            bail!("{unknown:?} is not known in a moment");
        }
        if !step.contains_key("items") {
            bail!("a moment has its items");
        }
        let at = step["at"].to_string();
        let mut wrong = Vec::new();
        let mut differ = |what: &str, expected: Vec<String>, told: &[String]| {
            if expected != told {
                wrong.push(format!("at {at}, {what}: expected {expected:#?}, told {told:#?}"));
            }
        };
        differ("items", sorted(self.expand(step, "items")?), &told.items);
        differ("findings", sorted(self.expand(step, "findings")?), &told.findings);
        for (key, told) in [("latest_starts", &told.latest_starts), ("conditions", &told.conditions)] {
            if step.contains_key(key) {
                differ(key, words(step, key), told);
            }
        }
        for (key, told) in [("verdict", &told.verdict), ("horizon", &told.horizon), ("first_line", &told.first_line)] {
            if let Some(expected) = step.get(key) {
                let expected = expected.as_str().map_or_else(|| expected.to_string(), str::to_owned);
                differ(key, vec![expected], std::slice::from_ref(told));
            }
        }
        Ok(wrong)
    }

    /// "@name" stands for the names of its group.
    fn expand(&self, step: &Table, key: &str) -> Result<Vec<String>> {
        let groups = self.table.get("group").and_then(Value::as_table);
        let mut all = Vec::new();
        for word in words(step, key) {
            match word.strip_prefix('@') {
                None => all.push(word),
                Some(name) => {
                    let group =
                        groups.filter(|g| g.contains_key(name)).with_context(|| format!("no group {name:?}"))?;
                    all.extend(words(group, name));
                }
            }
        }
        Ok(all)
    }
}

fn authority(word: &str) -> Result<Authority> {
    let name = format!("AUTHORITY_{}", word.to_uppercase());
    Authority::from_str_name(&name).with_context(|| format!("{word:?} is no authority"))
}

fn words(table: &Table, key: &str) -> Vec<String> {
    let all = table.get(key).and_then(Value::as_array);
    all.into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
}

fn sorted(mut all: Vec<String>) -> Vec<String> {
    all.sort();
    all
}

/// An answer in the words of a scenario.
struct Told {
    items: Vec<String>,
    findings: Vec<String>,
    verdict: String,
    latest_starts: Vec<String>,
    conditions: Vec<String>,
    horizon: String,
    first_line: String,
}

impl Told {
    fn of(answer: &Assessment, midnight_ms: u64) -> Told {
        let clock = |ms: u64| clock(ms, midnight_ms);
        Told {
            items: sorted(answer.items.iter().map(|item| item_in_words(item, midnight_ms)).collect()),
            findings: sorted(answer.findings.iter().map(finding_in_words).collect()),
            verdict: answer.verdict.name().to_owned(),
            latest_starts: answer
                .latest_starts
                .iter()
                .map(|start| format!("{} {}", start.engine.position, clock(start.latest_start_ms)))
                .collect(),
            conditions: answer.conditions.clone(),
            horizon: answer.horizon_ms.map_or_else(|| "never".to_owned(), clock),
            first_line: answer.first_line.clone(),
        }
    }
}

/// A time of the scenario's day; another day's with its date.
fn clock(ms: u64, midnight_ms: u64) -> String {
    let full = render::second(ms);
    let of_day = (midnight_ms..midnight_ms + 86_400_000).contains(&ms);
    let (day, time) = full.split_once(' ').unwrap_or(("", &full));
    let time = time.trim_end_matches('Z');
    if of_day { time.to_owned() } else { format!("{day}T{time}Z") }
}

fn item_in_words(item: &Item, midnight_ms: u64) -> String {
    let mut words = item.kind.name().to_owned();
    if let Some(engine) = &item.engine {
        words.push_str(&format!(" {}", engine.position));
    }
    let subject = match item.kind {
        // Ids and hashes are random: the kind, and for a finding its rule, say enough.
        ItemKind::DeviceOutstanding | ItemKind::UnreadFact => "",
        // A defect's line, where it has one.
        ItemKind::DefectOpen => item.subject.rsplit_once(' ').map_or("", |(line, _)| line),
        ItemKind::FindingOpen => item.subject.split(' ').next().unwrap_or_default(),
        _ => &item.subject,
    };
    if !subject.is_empty() {
        words.push_str(&format!(" {subject}"));
    }
    if let Some(due) = item.due_ms {
        words.push_str(&format!(", due {}", clock(due, midnight_ms)));
    }
    words.push_str(match item.blocks {
        Blocks::Yes => "",
        Blocks::No => ", not blocking",
        Blocks::SignOff => ", sign-off",
        Blocks::Condition => ", on terms",
    });
    words
}

fn finding_in_words(finding: &Finding) -> String {
    let mut words = finding.rule.name().to_owned();
    if let Some(engine) = &finding.engine {
        words.push_str(&format!(" {}", engine.position));
    }
    if !finding.subject.is_empty() {
        words.push_str(&format!(" {}", finding.subject));
    }
    let severity = match finding.severity {
        Severity::Note => "note",
        Severity::Minor => "minor",
        Severity::Major => "major",
    };
    let settled = if finding.settled.is_some() { ", settled" } else { "" };
    format!("{words} ({severity}{settled})")
}

/// How often each item kind was open at some moment and gone at a later one of the same scenario.
pub fn opened_and_closed(runs: &[Run]) -> BTreeMap<&'static str, (bool, bool)> {
    let mut seen: BTreeMap<&'static str, (bool, bool)> =
        rules::ItemKind::ALL.iter().map(|kind| (kind.name(), (false, false))).collect();
    for run in runs {
        for (at, kinds) in run.items.iter().enumerate() {
            for kind in kinds {
                let seen = seen.entry(kind).or_default();
                seen.0 = true;
                seen.1 |= run.items[at + 1..].iter().any(|later| !later.contains(kind));
            }
        }
    }
    seen
}
