//! What was noted on the page and is not signed yet, one file a wash in the station's folder, written whole and synced at
//! every touch: the program may be killed at any moment and nothing that was noted is lost.
//!
//! A draft is a card as `rinsebook fact` takes it, with motoring under way beside it.

use std::collections::BTreeMap;

use rinsebook_proto::fact::Kind;
use rinsebook_proto::rules::kind_name;
use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use super::next::Group;
use crate::ClientError;
use crate::card::{Card, Context};
use crate::home::Home;
use crate::names::Names;
use crate::outbox::Outbox;
use crate::station::Station;

const FOLDER: &str = "drafts";

/// Motoring as it is captured, touch by touch. Unix milliseconds.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub(crate) struct Run {
    /// The engine's position.
    pub(crate) engine: u32,
    /// Without injection.
    pub(crate) dry: bool,
    pub(crate) motoring_started_ms: u64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) rotation_confirmed_ms: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) injection_started_ms: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) injection_ended_ms: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) motoring_ended_ms: Option<u64>,
    /// It was broken off.
    pub(crate) aborted: bool,
}

/// What is noted of one wash.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Draft {
    /// The wash, 32 hex digits.
    pub(crate) wash: String,
    /// The aircraft's registration.
    pub(crate) aircraft: String,
    /// The facts of the card, in the order noted.
    #[serde(default)]
    pub(crate) fact: Vec<Table>,
    /// At most one an engine.
    #[serde(default)]
    pub(crate) run: Vec<Run>,
}

impl Draft {
    /// The whole as a card.
    pub(crate) fn card(&self) -> Table {
        self.part(|_| true)
    }

    /// What one person of that group signs, as a card.
    pub(crate) fn card_of(&self, group: Group) -> Table {
        self.part(|fact| group_of(fact) == group)
    }

    fn part(&self, wanted: impl Fn(&Table) -> bool) -> Table {
        let facts: Vec<Value> = self.fact.iter().filter(|fact| wanted(fact)).cloned().map(Value::Table).collect();
        Table::from_iter([
            ("wash".to_owned(), Value::String(self.wash.clone())),
            ("aircraft".to_owned(), Value::String(self.aircraft.clone())),
            ("fact".to_owned(), Value::Array(facts)),
        ])
    }

    /// Its groups that have something to sign.
    pub(crate) fn groups(&self) -> Vec<(Group, usize)> {
        let count = |group| self.fact.iter().filter(|fact| group_of(fact) == group).count();
        Group::ALL.into_iter().map(|group| (group, count(group))).filter(|(_, n)| *n > 0).collect()
    }

    /// Whether it holds the wash's opening.
    pub(crate) fn opens(&self) -> bool {
        self.fact.iter().any(|fact| kind_of(fact) == "wash-opened")
    }

    /// Takes one fact back. The opening goes last, since all others stand on it.
    pub(crate) fn undo(&mut self, place: usize) -> Result<(), ClientError> {
        let Some(fact) = self.fact.get(place) else {
            return Err(ClientError::Usage("that was taken back or signed already".to_owned()));
        };
        if kind_of(fact) == "wash-opened" && self.fact.len() > 1 {
            let why = "take back what was noted on this wash first: without its opening it would stand on nothing";
            return Err(ClientError::Usage(why.to_owned()));
        }
        self.fact.remove(place);
        Ok(())
    }

    /// Motoring under way on that engine.
    pub(crate) fn run_of(&self, engine: u32) -> Option<&Run> {
        self.run.iter().find(|run| run.engine == engine)
    }
}

/// A fact's kind, by its name on the card.
pub(crate) fn kind_of(fact: &Table) -> &str {
    fact.get("kind").and_then(Value::as_str).unwrap_or_default()
}

fn group_of(fact: &Table) -> Group {
    Group::of_kind(kind_of(fact))
}

/// All drafts of this station.
pub(crate) struct Drafts {
    home: Home,
    all: BTreeMap<String, Draft>,
    damaged: Vec<String>,
}

impl Drafts {
    /// Reads what was noted before. A file that cannot be read stays where it is, under another name.
    pub(crate) fn open(home: &Home) -> Result<Drafts, ClientError> {
        let dir = home.path(FOLDER);
        let make = || {
            std::fs::create_dir_all(&dir)?;
            std::fs::File::open(home.path("."))?.sync_all()
        };
        make().map_err(ClientError::file("cannot make the folder of drafts"))?;
        let mut drafts = Drafts { home: home.clone(), all: BTreeMap::new(), damaged: Vec::new() };
        let files = std::fs::read_dir(&dir).map_err(ClientError::file("cannot read the folder of drafts"))?;
        for file in files.filter_map(Result::ok).map(|entry| entry.path()) {
            if file.extension().is_none_or(|e| e != "toml") {
                continue;
            }
            let read = std::fs::read_to_string(&file).ok().and_then(|text| toml::from_str::<Draft>(&text).ok());
            match read {
                Some(draft) => drop(drafts.all.insert(draft.wash.clone(), draft)),
                None => {
                    let aside = file.with_extension("damaged");
                    std::fs::rename(&file, &aside).map_err(ClientError::file("cannot put a damaged draft aside"))?;
                    drafts.damaged.push(aside.display().to_string());
                }
            }
        }
        Ok(drafts)
    }

    /// The draft of a wash; none while nothing is noted.
    pub(crate) fn get(&self, wash: &str) -> Option<&Draft> {
        self.all.get(wash)
    }

    /// All, by wash.
    pub(crate) fn all(&self) -> impl Iterator<Item = &Draft> {
        self.all.values()
    }

    /// Facts noted and not signed.
    pub(crate) fn unsigned(&self) -> usize {
        self.all.values().map(|draft| draft.fact.len()).sum()
    }

    /// Files that could not be read, where they lie now.
    pub(crate) fn damaged(&self) -> &[String] {
        &self.damaged
    }

    /// Changes the draft of a wash, on disk before this returns. One that holds nothing any more goes.
    pub(crate) fn change<T>(
        &mut self,
        wash: &str,
        aircraft: &str,
        change: impl FnOnce(&mut Draft) -> Result<T, ClientError>,
    ) -> Result<T, ClientError> {
        let fresh = || Draft { wash: wash.to_owned(), aircraft: aircraft.to_owned(), ..Draft::default() };
        let mut draft = self.all.get(wash).cloned().unwrap_or_else(fresh);
        let told = change(&mut draft)?;
        let name = format!("{FOLDER}/{wash}.toml");
        if draft.fact.is_empty() && draft.run.is_empty() {
            match std::fs::remove_file(self.home.path(&name)) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                    return Err(ClientError::file("cannot remove an empty draft")(e));
                }
                _ => {}
            }
            self.all.remove(wash);
        } else {
            let unwritable = |e: toml::ser::Error| ClientError::Usage(format!("this cannot be noted: {e}"));
            self.home.replace(&name, toml::to_string(&draft).map_err(unwritable)?.as_bytes())?;
            self.all.insert(wash.to_owned(), draft);
        }
        Ok(told)
    }

    /// Takes out what was signed already: the program may have been killed between signing and forgetting.
    pub(crate) fn forget_signed(&mut self, station: &Station, names: &Names) -> Result<(), ClientError> {
        let signed: Vec<(Kind, u64)> = station
            .outbox_items()
            .iter()
            .filter_map(Outbox::fact)
            .filter_map(|fact| Some((fact.kind()?.clone(), fact.header().happened_ms)))
            .collect();
        let washes: Vec<(String, String)> = self.all().map(|d| (d.wash.clone(), d.aircraft.clone())).collect();
        for (wash, aircraft) in washes {
            self.change(&wash, &aircraft, |draft| {
                let card = draft.card();
                // Its own opening, signed already, may be known by now: it is read as it was before.
                let mut names = names.clone();
                if draft.opens() {
                    names.washes.remove(&draft.wash);
                }
                let context = Context { names: &names, now_ms: 0, folder: None };
                // A card that cannot be read now is no reason to lose it.
                let Ok(card) = Card::from_table(&card, &context) else { return Ok(()) };
                let is_signed = |n: usize| {
                    let draft = &card.facts[n].draft;
                    signed.iter().any(|(kind, at)| *at == draft.happened_ms && same(kind, &draft.kind))
                };
                let mut n = 0;
                draft.fact.retain(|_| {
                    n += 1;
                    !is_signed(n - 1)
                });
                Ok(())
            })?;
        }
        Ok(())
    }
}

/// Whether two kinds say the same. An annex has another salt, and so another digest, each time that it is read.
fn same(signed: &Kind, noted: &Kind) -> bool {
    match (signed, noted) {
        (Kind::Remark(_) | Kind::SignedOff(_), _) => kind_name(signed) == kind_name(noted),
        _ => signed == noted,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn home() -> (tempfile::TempDir, Home) {
        let dir = tempfile::tempdir().unwrap();
        let home = Home::create(&dir.path().join("s"), "s", "https://localhost:1", "none").unwrap();
        (dir, home)
    }

    fn noted(kind: &str) -> Table {
        Table::from_iter([("kind".to_owned(), Value::String(kind.to_owned()))])
    }

    #[test]
    fn what_was_noted_is_there_after_the_program_ended_and_a_damaged_file_is_kept_aside() {
        let (_dir, home) = home();
        let mut drafts = Drafts::open(&home).unwrap();
        let run = Run { engine: 2, motoring_started_ms: 5, ..Run::default() };
        drafts
            .change("aa", "ZZ-RBA", |draft| {
                draft.fact.push(noted("isolated"));
                draft.run.push(run.clone());
                Ok(())
            })
            .unwrap();
        std::fs::write(home.path("drafts/bb.toml"), "wash = [").unwrap();
        drop(drafts);
        let again = Drafts::open(&home).unwrap();
        assert_eq!(again.get("aa").unwrap().fact, [noted("isolated")]);
        assert_eq!(again.get("aa").unwrap().run_of(2), Some(&run));
        assert_eq!(again.damaged().len(), 1);
        assert!(home.path("drafts/bb.damaged").exists());
    }

    #[test]
    fn the_opening_is_taken_back_last_and_an_empty_draft_leaves_no_file() {
        let (_dir, home) = home();
        let mut drafts = Drafts::open(&home).unwrap();
        let both = |draft: &mut Draft| {
            draft.fact.extend([noted("wash-opened"), noted("isolated")]);
            Ok(())
        };
        drafts.change("aa", "ZZ-RBA", both).unwrap();
        assert!(drafts.change("aa", "ZZ-RBA", |draft| draft.undo(0)).is_err());
        drafts.change("aa", "ZZ-RBA", |draft| draft.undo(1)).unwrap();
        drafts.change("aa", "ZZ-RBA", |draft| draft.undo(0)).unwrap();
        assert!(drafts.get("aa").is_none());
        assert!(!home.path("drafts/aa.toml").exists());
    }

    #[test]
    fn each_group_signs_its_own_part() {
        let fact = vec![noted("isolated"), noted("inspected"), noted("signed-off")];
        let draft = Draft { fact, ..Draft::default() };
        assert_eq!(draft.groups(), [(Group::Work, 1), (Group::Second, 1), (Group::Certify, 1)]);
        assert_eq!(draft.card_of(Group::Second)["fact"].as_array().unwrap().len(), 1);
    }
}
