//! Where the stories are played: the shop, its people and stations, each station's link, and everybody's one clock.

use std::collections::BTreeMap;
use std::io::Write;

use anyhow::{Context as _, Result, bail};
use rinsebook_proto::v1;

use super::cast::Cast;
use super::link::Link;
use super::shop::Shop;
use super::story::{Story, What};
use crate::card::{Card, Context};
use crate::names::Names;
use crate::station::Station;
use crate::sync::sync;
use crate::{ClientError, render};

/// What a planner was told.
#[derive(Debug, Clone)]
pub struct Told {
    /// The moment.
    pub title: String,
    /// The answer, as it came over gRPC.
    pub answer: v1::Assessment,
}

struct Manned {
    station: Option<Station>,
    link: Link,
}

/// See the module.
pub struct Stage<'o> {
    /// The shop and its people.
    pub cast: Cast,
    /// Answers are told whole, and not in short.
    pub whole: bool,
    manned: BTreeMap<String, Manned>,
    names: Names,
    out: &'o mut (dyn Write + Send),
}

impl<'o> Stage<'o> {
    /// Mans the stations of this cast; what is told goes to `out`.
    pub async fn set(mut cast: Cast, out: &'o mut (dyn Write + Send)) -> Result<Stage<'o>> {
        let address = cast.shop.service.as_ref().context("the service runs")?.address;
        let mut manned = BTreeMap::new();
        for label in ["ramp-1", "bay-2", "planning"] {
            let link = Link::to(address).await?;
            let mut station = cast.shop.station(label).await?;
            station.home.set_address(&link.address())?;
            manned.insert(label.to_owned(), Manned { station: Some(station), link });
        }
        let mut names = cast.names.clone();
        let channel = crate::remote::connect(&cast.shop.desk.home).await?;
        names.learn(channel).await?;
        Ok(Stage { cast, whole: true, manned, names, out })
    }

    /// Plays one story; gives what the planner was told at each moment.
    pub async fn play(&mut self, story: &Story) -> Result<Vec<Told>> {
        writeln!(self.out, "\n\n==== {}", story.title)?;
        let mut told = Vec::new();
        for step in &story.steps {
            self.cast.shop.clock.set(step.at_ms);
            match &step.what {
                What::Card { station, signer, card } => self.sign(station, signer, card).await?,
                What::Moment(title) => told.push(self.moment(&story.aircraft, title, step.at_ms).await?),
                What::Cut(label) => {
                    self.man(label)?.link.cut();
                    self.note(
                        step.at_ms,
                        &format!("The link of {label} is cut; it signs on, and keeps what it signs."),
                    )?;
                }
                What::Mend(label) => {
                    self.man(label)?.link.mend().await?;
                    let caught_up = self.send(label).await?;
                    self.note(step.at_ms, &format!("The link of {label} is back; {caught_up}"))?;
                }
                What::Restart(label) => {
                    let clock = self.cast.shop.clock.clone();
                    let man = self.man(label)?;
                    let home = man.station.take().context("the station runs")?.home.clone();
                    man.station = Some(Station::open(home, clock)?);
                    self.note(step.at_ms, &format!("The program of {label} is ended and started anew."))?;
                }
            }
        }
        Ok(told)
    }

    /// Everybody goes home; the shop stays.
    pub fn close(self) -> Shop {
        self.cast.shop
    }

    fn man(&mut self, label: &str) -> Result<&mut Manned> {
        self.manned.get_mut(label).with_context(|| format!("no station is called {label}"))
    }

    fn note(&mut self, at_ms: u64, text: &str) -> Result<()> {
        Ok(writeln!(self.out, "\n-- {}  {text}", render::instant(at_ms))?)
    }

    async fn sign(&mut self, label: &str, signer: &str, card: &toml::Table) -> Result<()> {
        let now_ms = rinsebook_proto::clock::Clock::wall_ms(&*self.cast.shop.clock);
        let card = Card::from_table(card, &Context { names: &self.names, now_ms, folder: None })?;
        let key = self.cast.key(signer)?;
        let station = self.man(label)?.station.as_mut().context("the station runs")?;
        for blob in &card.blobs {
            station.keep(blob)?;
        }
        let signed = station.sign_linked(&key, card.linked())?;
        card.remember(&signed, &mut self.names);
        self.send(label).await.map(|_| ())
    }

    /// Sends what the station holds; behind a cut link that has to fail, and nothing may be lost by it.
    async fn send(&mut self, label: &str) -> Result<String> {
        let man = self.man(label)?;
        let up = man.link.is_up();
        let station = man.station.as_mut().context("the station runs")?;
        let waiting = station.unsent().len();
        match sync(station, 1).await {
            Ok(report) if up && report.left == 0 && report.refused.is_empty() => {
                Ok(format!("{} facts are recorded, nothing is left.", report.admitted))
            }
            Err(ClientError::Unreachable(_)) if !up && station.unsent().len() == waiting => {
                Ok(format!("{waiting} facts are saved at the station."))
            }
            other => bail!("{label}, link {}: {other:?}", if up { "up" } else { "cut" }),
        }
    }

    /// Stations that are connected report themselves, as they do all the time; then the planner asks.
    async fn moment(&mut self, aircraft: &str, title: &str, at_ms: u64) -> Result<Told> {
        let connected: Vec<String> =
            self.manned.iter().filter(|(_, man)| man.link.is_up()).map(|(label, _)| label.clone()).collect();
        for label in connected {
            self.send(&label).await?;
        }
        let answer = self.cast.assess(aircraft).await?;
        writeln!(self.out, "\n== {}  {title}", render::instant(at_ms))?;
        let tell = if self.whole { render::assessment } else { render::in_short };
        tell(&answer, self.out)?;
        Ok(Told { title: title.to_owned(), answer })
    }
}
