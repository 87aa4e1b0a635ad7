//! A card: what one person signs by one deliberate act, written as TOML.
//!
//! ```toml
//! wash = "north-1"             # its label here; wash-opened makes it known
//! aircraft = "ZZ-RBA"          # registration, or id in hex; a known wash says it itself
//! day = 2031-03-04             # for times of day, which are UTC
//!
//! [[fact]]
//! kind = "line-disconnected"   # the kinds and fields of rinsebook/v1/fact.proto
//! at = 08:04:00                # when it happened; without it, now
//! label = "ps1-off"            # for acts_on, here and on later cards
//! engine = 2                   # position; the serial number is looked up
//! line = "PS-1"
//! ```
//!
//! Fields keep their names and units. Instants (`…_ms`) are written as dates and times, days (`…_unix_day`) as dates,
//! ids by name or in hex, choices by their short names, texts as they are or as `{ file = "…" }`. `acts_on` names facts by
//! label or hash. What a fact is about is worked out from what it names; `about` adds what that does not tell, as where a
//! fact acts on one of a wash that this station does not know.

mod describe;
mod subjects;
mod values;

use std::path::PathBuf;

use prost::Message;
use prost_reflect::{DynamicMessage, Value as Reflected};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1;
use toml::{Table, Value};

use crate::names::{Names, Wash};
use crate::station::Draft;
use crate::{ClientError, contract};
pub use describe::describe;
pub use values::instant_ms;

/// Why a text is no card.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}{reason}; nothing was signed")]
pub struct CardError {
    /// Which fact, such as "fact 2 (line-disconnected): ".
    pub place: String,
    /// What is wrong there, and what to do.
    pub reason: String,
}

/// Everything that will be signed.
#[derive(Debug, Clone)]
pub struct Card {
    /// In the order of the text.
    pub facts: Vec<CardFact>,
    /// Texts that the facts name.
    pub blobs: Vec<v1::Blob>,
    /// Washes that the card opens, by label.
    pub opens: Vec<(String, Wash)>,
}

/// One fact of a card.
#[derive(Debug, Clone)]
pub struct CardFact {
    /// `wash/label`, where it has a label.
    pub label: Option<String>,
    /// What is signed.
    pub draft: Draft,
    /// Facts of this card, by place, that it acts on.
    pub earlier: Vec<usize>,
}

/// What a card is read with.
#[derive(Debug, Clone)]
pub struct Context<'n> {
    /// The names known here.
    pub names: &'n Names,
    /// Now, Unix milliseconds.
    pub now_ms: u64,
    /// Where files that a card names are looked for.
    pub folder: Option<PathBuf>,
}

impl Card {
    /// Reads a card from its text.
    pub fn parse(text: &str, context: &Context<'_>) -> Result<Card, CardError> {
        let table: Table = toml::from_str(text)
            .map_err(|e| CardError { place: String::new(), reason: format!("it is no TOML: {e}") })?;
        Card::from_table(&table, context)
    }

    /// Reads a card from a table.
    pub fn from_table(table: &Table, context: &Context<'_>) -> Result<Card, CardError> {
        let of_card = |reason| CardError { place: String::new(), reason };
        for key in table.keys() {
            if !["wash", "aircraft", "day", "at", "fact"].contains(&key.as_str()) {
                return Err(of_card(format!("{key:?} is not known on a card; it has wash, aircraft, day, at, fact")));
            }
        }
        let facts = match table.get("fact") {
            Some(Value::Array(facts)) if !facts.is_empty() => facts,
            _ => return Err(of_card("it has no [[fact]]".to_owned())),
        };
        let mut reader = Reader { context, card: table, read: Vec::new(), blobs: Vec::new(), opens: Vec::new() };
        for (at, fact) in facts.iter().enumerate() {
            let kind = fact.get("kind").and_then(Value::as_str).unwrap_or("of no kind");
            let place = format!("fact {} ({kind}): ", at + 1);
            let Value::Table(fact) = fact else {
                return Err(CardError { place, reason: "it is no table".to_owned() });
            };
            let fact = reader.fact(fact).map_err(|reason| CardError { place, reason })?;
            reader.read.push(fact);
        }
        Ok(Card { facts: reader.read, blobs: reader.blobs, opens: reader.opens })
    }

    /// What is handed to the station to sign.
    pub fn linked(&self) -> Vec<(Draft, Vec<usize>)> {
        self.facts.iter().map(|fact| (fact.draft.clone(), fact.earlier.clone())).collect()
    }

    /// Facts that it acts on of which nobody here knows what they are about.
    pub fn strangers(&self, names: &Names) -> Vec<Hash> {
        let all = self.facts.iter().flat_map(|fact| fact.draft.refers.iter().copied());
        all.filter(|hash| names.subjects_of(hash).is_none()).collect()
    }

    /// Remembers what the card named, once it is signed.
    pub fn remember(&self, signed: &[Hash], names: &mut Names) {
        for (label, wash) in &self.opens {
            names.washes.insert(label.clone(), wash.clone());
        }
        for (fact, hash) in self.facts.iter().zip(signed) {
            if let Some(label) = &fact.label {
                names.facts.insert(label.clone(), hash.to_string());
                names.learn_subjects(hash, &fact.draft.subjects);
            }
        }
    }
}

/// Keys of a fact that are not fields of its kind.
const OWN_KEYS: [&str; 7] = ["kind", "at", "label", "acts_on", "wash", "aircraft", "about"];

struct Reader<'r> {
    context: &'r Context<'r>,
    card: &'r Table,
    read: Vec<CardFact>,
    blobs: Vec<v1::Blob>,
    opens: Vec<(String, Wash)>,
}

impl Reader<'_> {
    fn fact(&mut self, fact: &Table) -> Result<CardFact, String> {
        let mut about = self.about(fact)?;
        let kind = self.kind(fact, &about)?;
        if let Kind::WashOpened(opened) = &kind {
            about.engines = opened.engines.iter().filter_map(|e| e.engine.as_ref()).map(|e| e.serial.clone()).collect();
            self.open(&about)?;
        }
        let happened_ms = match fact.get("at").or_else(|| self.card.get("at")) {
            Some(at) => values::instant_ms(at, self.day())?,
            None => self.context.now_ms,
        };
        let (mut refers, mut earlier) = (Vec::new(), Vec::new());
        // Who acts on a fact acts on all that it is about: else the rules do not take it as meant.
        let mut more = Vec::new();
        for name in texts(fact.get("acts_on"), "acts_on")? {
            match self.earlier(&about.wash_label, name) {
                Some(place) => {
                    more.extend(self.read[place].draft.subjects.iter().cloned());
                    earlier.push(place);
                }
                None => {
                    let hash = self.context.names.fact(&about.wash_label, name)?;
                    more.extend(self.context.names.subjects_of(&hash).into_iter().flatten());
                    refers.push(hash);
                }
            }
        }
        let label = text(fact, "label")?.map(|label| format!("{}/{label}", about.wash_label));
        if label.as_ref().is_some_and(|label| self.read.iter().any(|f| f.label.as_ref() == Some(label))) {
            return Err("another fact of this card has its label".to_owned());
        }
        for also in texts(fact.get("about"), "about")? {
            more.push(subjects::written(also)?);
        }
        let subjects = subjects::of(&kind, &about, more);
        Ok(CardFact { label, draft: Draft { happened_ms, kind, subjects, refers }, earlier })
    }

    fn earlier(&self, wash: &str, name: &str) -> Option<usize> {
        let full = format!("{wash}/{name}");
        self.read.iter().position(|f| f.label.as_ref().is_some_and(|l| *l == full || l == name))
    }

    fn day(&self) -> Option<&Value> {
        self.card.get("day")
    }

    /// The wash and the aircraft that the fact is about.
    fn about(&self, fact: &Table) -> Result<subjects::About, String> {
        let names = self.context.names;
        let named = |key| Ok::<_, String>(text(fact, key)?.or(text(self.card, key)?));
        let wash_label = named("wash")?.unwrap_or_default().to_owned();
        let opened_here = self.opens.iter().find(|(label, _)| *label == wash_label).map(|(_, wash)| wash);
        let known = opened_here.or_else(|| names.washes.get(&wash_label));
        let opening = fact.get("kind").and_then(Value::as_str) == Some("wash-opened");
        let wash = match known.map_or(wash_label.as_str(), |wash| &wash.id) {
            "" => None,
            // An opening under a label gives the wash its id.
            hex => match Id::from_hex(hex) {
                Some(id) if known.is_none() || !opening => Some(id),
                Some(_) => return Err(format!("the wash {wash_label:?} is open already; choose another label")),
                None if opening => Some(Id::random()),
                None => {
                    let known: Vec<&str> = names.washes.keys().map(String::as_str).collect();
                    let why = format!("no wash {hex:?} is known here (known: {}); open it first", known.join(", "));
                    return Err(why);
                }
            },
        };
        let aircraft_name = named("aircraft")?.or(known.map(|wash| wash.aircraft.as_str())).unwrap_or_default();
        let aircraft = (!aircraft_name.is_empty()).then(|| names.aircraft_id(aircraft_name)).transpose()?;
        let engines = known.map(|wash| wash.engines.clone()).unwrap_or_default();
        Ok(subjects::About { wash_label, wash, aircraft_name: aircraft_name.to_owned(), aircraft, engines })
    }

    fn open(&mut self, about: &subjects::About) -> Result<(), String> {
        let wash = about.wash.ok_or("a wash needs a label: write wash = \"…\" on the card")?;
        if about.aircraft.is_none() {
            return Err("a wash needs its aircraft: write aircraft = \"…\" on the card".to_owned());
        }
        let (id, aircraft) = (wash.to_string(), about.aircraft_name.clone());
        self.opens.push((about.wash_label.clone(), Wash { id, aircraft, engines: about.engines.clone() }));
        Ok(())
    }

    fn kind(&mut self, fact: &Table, about: &subjects::About) -> Result<Kind, String> {
        let bytes = self.kind_field(fact, about, &OWN_KEYS)?;
        let fact = v1::Fact::decode(bytes.as_slice()).map_err(|e| e.to_string())?;
        fact.kind.ok_or_else(|| "it says nothing".to_owned())
    }

    /// The kind field as it stands in `Fact`, tag and length included.
    fn kind_field(&mut self, fact: &Table, about: &subjects::About, own: &[&str]) -> Result<Vec<u8>, String> {
        let name = text(fact, "kind")?.ok_or("it has no kind")?;
        let descriptor = contract::message("Fact").map_err(|e| e.to_string())?;
        let field = descriptor.get_field_by_name(&name.replace('-', "_")).filter(|f| f.containing_oneof().is_some());
        let field = field.ok_or_else(|| format!("{name:?} is no kind of fact; see fact.proto for their names"))?;
        let of_kind = field.kind();
        let of_kind = of_kind.as_message().ok_or("its kind holds nothing")?;
        let mut body = DynamicMessage::new(of_kind.clone());
        for (key, value) in fact.iter().filter(|(key, _)| !own.contains(&key.as_str())) {
            let field = values::field_of(of_kind, key)?;
            let value = self.value(&field, value, about).map_err(|why| format!("`{key}`: {why}"))?;
            body.set_field(&field, value);
        }
        // The card's own word for the aircraft is that of the kind too, where it has one.
        if let (true, Some(field), Some(aircraft)) =
            (own.contains(&"aircraft"), of_kind.get_field_by_name("aircraft"), about.aircraft)
        {
            body.set_field(&field, Reflected::Bytes(aircraft.to_vec().into()));
        }
        let mut whole = DynamicMessage::new(descriptor);
        whole.set_field(&field, Reflected::Message(body));
        Ok(whole.encode_to_vec())
    }
}

fn text<'t>(table: &'t Table, key: &str) -> Result<Option<&'t str>, String> {
    match table.get(key) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(other) => Err(format!("`{key}` takes text in quotes, not {}", other.type_str())),
    }
}

fn texts<'t>(value: Option<&'t Value>, key: &str) -> Result<Vec<&'t str>, String> {
    let wrong = || format!("`{key}` takes a list of texts in quotes");
    match value {
        None => Ok(Vec::new()),
        Some(Value::String(one)) => Ok(vec![one]),
        Some(Value::Array(all)) => all.iter().map(|v| v.as_str().ok_or_else(wrong)).collect(),
        Some(_) => Err(wrong()),
    }
}

impl From<CardError> for ClientError {
    fn from(error: CardError) -> ClientError {
        ClientError::Usage(error.to_string())
    }
}

#[cfg(test)]
mod tests;
