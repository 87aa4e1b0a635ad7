//! A story as a script: who signs what at which station and when, when a link is cut, when a planner looks.

use anyhow::{Context, Result, bail};
use toml::{Table, Value};

/// A turn-round to be played.
#[derive(Debug, Clone)]
pub struct Story {
    /// What it tells.
    pub title: String,
    /// The aircraft that it is about.
    pub aircraft: String,
    /// In the order of their times.
    pub steps: Vec<Step>,
}

/// One thing that happens.
#[derive(Debug, Clone)]
pub struct Step {
    /// What everybody's clock shows, Unix milliseconds.
    pub at_ms: u64,
    /// What.
    pub what: What,
}

/// What happens.
#[derive(Debug, Clone)]
pub enum What {
    /// Somebody signs a card; it is sent where the link is up.
    Card {
        /// The station.
        station: String,
        /// Who signs.
        signer: String,
        /// As `rinsebook fact` takes it.
        card: Table,
    },
    /// The planner asks what is open.
    Moment(String),
    /// The station's sockets are cut.
    Cut(String),
    /// Its link is back, and it catches up.
    Mend(String),
    /// Its program is ended and started anew.
    Restart(String),
}

impl Story {
    /// Reads a script.
    pub fn parse(text: &str) -> Result<Story> {
        let mut table: Table = toml::from_str(text)?;
        let title = take_text(&mut table, "title")?;
        let aircraft = take_text(&mut table, "aircraft")?;
        let Some(Value::Array(steps)) = table.remove("step") else { bail!("a story has [[step]]s") };
        let mut day = table.get("day").cloned().context("a story has its day")?;
        let mut read: Vec<Step> = Vec::new();
        for (n, step) in steps.into_iter().enumerate() {
            let Value::Table(mut step) = step else { bail!("step {} is no table", n + 1) };
            if let Some(next) = step.remove("day") {
                day = next;
            }
            let step = one(step, &aircraft, &table, &day).with_context(|| format!("step {}", n + 1))?;
            if read.last().is_some_and(|last| last.at_ms > step.at_ms) {
                bail!("step {} comes before the one that it stands behind", n + 1);
            }
            read.push(step);
        }
        Ok(Story { title, aircraft, steps: read })
    }

    /// The same story, had no link been cut and no program ended.
    pub fn connected(&self) -> Story {
        let mut story = self.clone();
        story.steps.retain(|step| matches!(step.what, What::Card { .. } | What::Moment(_)));
        story
    }

    /// The same story without the fact of that label: what would have been told then.
    pub fn without(&self, label: &str) -> Story {
        let mut story = self.clone();
        for step in &mut story.steps {
            if let What::Card { card, .. } = &mut step.what
                && let Some(Value::Array(facts)) = card.get_mut("fact")
            {
                facts.retain(|fact| fact.get("label").and_then(Value::as_str) != Some(label));
            }
        }
        let empty = |card: &Table| card.get("fact").and_then(Value::as_array).is_none_or(Vec::is_empty);
        story.steps.retain(|step| !matches!(&step.what, What::Card { card, .. } if empty(card)));
        story
    }
}

fn one(mut step: Table, aircraft: &str, story: &Table, day: &Value) -> Result<Step> {
    let at = step.remove("at").context("it has its time")?;
    let at_ms = crate::card::instant_ms(&at, Some(day)).map_err(anyhow::Error::msg)?;
    let mut words = |key: &str| step.remove(key).and_then(|v| v.as_str().map(str::to_owned));
    let what = if let Some(title) = words("moment") {
        What::Moment(title)
    } else if let Some(station) = words("cut") {
        What::Cut(station)
    } else if let Some(station) = words("mend") {
        What::Mend(station)
    } else if let Some(station) = words("restart") {
        What::Restart(station)
    } else {
        let station = words("station").context("a card has its station")?;
        let signer = words("signer").context("a card has its signer")?;
        let mut card = std::mem::take(&mut step);
        card.insert("aircraft".to_owned(), Value::String(aircraft.to_owned()));
        card.insert("day".to_owned(), day.clone());
        card.insert("at".to_owned(), at);
        if let Some(wash) = story.get("wash") {
            card.insert("wash".to_owned(), wash.clone());
        }
        What::Card { station, signer, card }
    };
    if let Some(unknown) = step.keys().next() {
        bail!("{unknown:?} is not known in a step");
    }
    Ok(Step { at_ms, what })
}

fn take_text(table: &mut Table, key: &str) -> Result<String> {
    match table.remove(key) {
        Some(Value::String(text)) => Ok(text),
        _ => bail!("a story has its {key}"),
    }
}
