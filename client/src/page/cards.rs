//! The cards of the page: one form an engine and stage, and the facts that it notes, as a card file has them.

mod forms;
mod read;

use rinsebook_proto::rules::procedure::Procedure;
use rinsebook_proto::v1::EngineAt;
use toml::{Table, Value};

use super::clock;
use super::drafts::Run;
use super::next::Step;
use super::progress::{EngineProgress, WashProgress};
use super::view::WashView;

pub(crate) use forms::form;
pub(crate) use read::facts;

/// What a form is made with and read by.
pub(crate) struct Asked<'a> {
    /// The stage.
    pub(crate) step: Step,
    /// The wash.
    pub(crate) wash: &'a WashView,
    /// Its procedure.
    pub(crate) procedure: &'a Procedure,
    /// How far it is.
    pub(crate) all: &'a WashProgress,
    /// The engine, where the stage is of one.
    pub(crate) engine: &'a EngineAt,
    /// How far that is.
    pub(crate) progress: &'a EngineProgress,
    /// Cycles of each engine in scope that count so far.
    pub(crate) cycles: Vec<(u32, u32)>,
    /// Names of people.
    pub(crate) people: Vec<String>,
    /// Motoring that was captured, to be looked over.
    pub(crate) run: Option<&'a Run>,
    /// Now, Unix milliseconds.
    pub(crate) now_ms: u64,
}

/// One thing to be filled in.
#[derive(Debug, Clone, Default)]
pub(crate) struct Field {
    /// Its name in the form.
    pub(crate) name: String,
    /// What stands over it.
    pub(crate) label: String,
    /// text, decimal, clock, date, check, choice or long.
    pub(crate) kind: &'static str,
    /// What stands in it; for a check, "on" or nothing.
    pub(crate) value: String,
    /// Beside it: a unit, a limit.
    pub(crate) hint: String,
    /// Of a choice: value and words.
    pub(crate) options: Vec<(String, String)>,
}

/// One element of the procedure on a card.
#[derive(Debug, Clone, Default)]
pub(crate) struct Row {
    /// What it is; empty where a person names it.
    pub(crate) title: String,
    /// What is known of it.
    pub(crate) known: String,
    /// Its fields; the first says whether it was done.
    pub(crate) fields: Vec<Field>,
}

/// A card to be filled in.
#[derive(Debug, Clone, Default)]
pub(crate) struct Form {
    /// Elements.
    pub(crate) rows: Vec<Row>,
    /// What is asked once.
    pub(crate) fields: Vec<Field>,
    /// Whether what was filled in last time can be taken over.
    pub(crate) same_as_last: bool,
    /// Where nothing can be noted, why.
    pub(crate) nothing: String,
}

impl Form {
    /// Puts back what a person had filled in.
    pub(crate) fn refill(&mut self, values: &Values) {
        let all = self.rows.iter_mut().flat_map(|row| row.fields.iter_mut()).chain(self.fields.iter_mut());
        for field in all {
            field.value = values.get(&field.name).to_owned();
        }
    }
}

/// What a form sent.
#[derive(Debug, Clone, Default)]
pub(crate) struct Values(pub(crate) Vec<(String, String)>);

impl Values {
    /// A field's text, trimmed; empty where it was not sent.
    pub(crate) fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(key, _)| key == name).map_or("", |(_, value)| value.trim())
    }

    /// Whether a check is set.
    pub(crate) fn is_on(&self, name: &str) -> bool {
        !self.get(name).is_empty()
    }

    fn needed(&self, name: &str, what: &str) -> Result<&str, String> {
        Some(self.get(name)).filter(|text| !text.is_empty()).ok_or_else(|| format!("{what}: fill this in"))
    }

    /// When, on the day that comes nearest before now; none where it is empty.
    fn instant(&self, name: &str, what: &str, now_ms: u64) -> Result<Option<u64>, String> {
        match self.get(name) {
            "" => Ok(None),
            text => clock::read(text, now_ms).map(Some).map_err(|why| format!("{what}: {why}")),
        }
    }

    /// A number with so many decimals at most, as a whole number of the smallest.
    fn decimal(&self, name: &str, what: &str, digits: u32) -> Result<Option<i64>, String> {
        match self.get(name) {
            "" => Ok(None),
            text => decimal(text, digits).map(Some).map_err(|why| format!("{what}: {why}")),
        }
    }
}

/// "17", "17.5" or "17,5" with one digit: 170, 175.
pub(crate) fn decimal(text: &str, digits: u32) -> Result<i64, String> {
    let wrong = || format!("{text:?} is no number with at most {digits} decimals");
    let (sign, rest) = match text.strip_prefix(['-', '−']) {
        Some(rest) => (-1, rest),
        None => (1, text),
    };
    let (whole, part) = rest.split_once(['.', ',']).unwrap_or((rest, ""));
    let plain = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    let part_digits = u32::try_from(part.len()).unwrap_or(u32::MAX);
    if whole.is_empty() || whole.len() > 9 || part_digits > digits || !plain(whole) || !plain(part) {
        return Err(wrong());
    }
    let number: i64 = format!("{whole}{part}").parse().map_err(|_| wrong())?;
    Ok(sign * number * 10_i64.pow(digits - part_digits))
}

/// A whole number of the smallest as people write it.
pub(crate) fn shown(number: i64, digits: u32) -> String {
    let scale = 10_i64.pow(digits);
    let (sign, size) = (if number < 0 { "-" } else { "" }, number.abs());
    let part = format!("{:0width$}", size % scale, width = digits as usize);
    let part = part.trim_end_matches('0');
    if digits == 0 || part.is_empty() {
        format!("{sign}{}", size / scale)
    } else {
        format!("{sign}{}.{part}", size / scale)
    }
}

/// A fact as a card has it.
struct Fact(Table);

impl Fact {
    fn new(kind: &str, at_ms: u64) -> Fact {
        Fact(Table::new()).text("kind", kind).at("at", Some(at_ms))
    }

    fn put(mut self, key: &str, value: Value) -> Fact {
        self.0.insert(key.to_owned(), value);
        self
    }

    fn engine(self, engine: &EngineAt) -> Fact {
        self.put("engine", Value::Table(engine_table(engine)))
    }

    /// Nothing where it is empty.
    fn text(self, key: &str, text: &str) -> Fact {
        if text.is_empty() { self } else { self.put(key, Value::String(text.to_owned())) }
    }

    fn yes(self, key: &str, yes: bool) -> Fact {
        self.put(key, Value::Boolean(yes))
    }

    fn number(self, key: &str, number: Option<i64>) -> Fact {
        match number {
            Some(number) => self.put(key, Value::Integer(number)),
            None => self,
        }
    }

    fn at(self, key: &str, ms: Option<u64>) -> Fact {
        match ms.and_then(clock::toml) {
            Some(at) => self.put(key, Value::Datetime(at)),
            None => self,
        }
    }

    fn texts(self, key: &str, texts: &[String]) -> Fact {
        self.put(key, Value::Array(texts.iter().cloned().map(Value::String).collect()))
    }
}

/// An engine as a card has it, its serial number written out: it was read off the wash, not typed.
pub(crate) fn engine_table(engine: &EngineAt) -> Table {
    Table::from_iter([
        ("position".to_owned(), Value::Integer(engine.position.into())),
        ("serial".to_owned(), Value::String(engine.serial.clone())),
    ])
}

#[cfg(test)]
mod tests;
