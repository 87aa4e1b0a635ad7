//! One TOML value into one field of the contract.

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use prost_reflect::{DynamicMessage, FieldDescriptor, Kind, MessageDescriptor, Value as Reflected};
use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::v1;
use toml::Value;
use toml::value::Datetime;

use super::Reader;
use super::subjects::About;
use crate::contract;

/// The field of that name; what there is instead, where there is none.
pub(super) fn field_of(of: &MessageDescriptor, key: &str) -> Result<FieldDescriptor, String> {
    of.get_field_by_name(key).ok_or_else(|| {
        let names: Vec<String> = of.fields().map(|f| f.name().to_owned()).collect();
        let has = if names.is_empty() { "no fields".to_owned() } else { names.join(", ") };
        format!("{key:?} is not one of its fields; it has {has}")
    })
}

/// An instant, Unix milliseconds: with its date, or a time of the card's day. All UTC.
pub fn instant_ms(value: &Value, day: Option<&Value>) -> Result<u64, String> {
    let Value::Datetime(at) = value else {
        return Err("it takes a time such as 08:05:00, or 2031-03-04T08:05:00Z, without quotes".to_owned());
    };
    let time = at.time.ok_or("it takes a time of day too")?;
    let time = NaiveTime::from_hms_nano_opt(
        time.hour.into(),
        time.minute.into(),
        time.second.unwrap_or(0).into(),
        time.nanosecond.unwrap_or(0),
    );
    let time = time.ok_or("no such time of day")?;
    let date = match (&at.date, &at.offset, day) {
        (Some(date), Some(_), _) => *date,
        (Some(_), None, _) => return Err("write it in UTC, with a Z at its end".to_owned()),
        (None, _, Some(Value::Datetime(Datetime { date: Some(date), time: None, .. }))) => *date,
        (None, _, Some(_)) => return Err("`day` takes a date such as 2031-03-04, without quotes".to_owned()),
        (None, _, None) => return Err("it is a time of day, and the card has no `day`".to_owned()),
    };
    let offset_minutes = match at.offset {
        Some(toml::value::Offset::Custom { minutes }) => i64::from(minutes),
        _ => 0,
    };
    let instant: DateTime<Utc> = NaiveDateTime::new(naive(date)?, time).and_utc();
    let ms = instant.timestamp_millis() - offset_minutes * 60_000;
    u64::try_from(ms).map_err(|_| "it lies before 1970".to_owned())
}

fn naive(date: toml::value::Date) -> Result<NaiveDate, String> {
    NaiveDate::from_ymd_opt(date.year.into(), date.month.into(), date.day.into())
        .ok_or_else(|| "no such date".to_owned())
}

fn unix_day(value: &Value) -> Result<i32, String> {
    match value {
        Value::Datetime(Datetime { date: Some(date), time: None, .. }) => {
            let days = naive(*date)?.signed_duration_since(DateTime::UNIX_EPOCH.date_naive()).num_days();
            i32::try_from(days).map_err(|_| "no such date".to_owned())
        }
        _ => Err("it takes a date such as 2031-03-04, without quotes".to_owned()),
    }
}

fn integer<N: TryFrom<i64>>(value: &Value) -> Result<N, String> {
    let number = value.as_integer().ok_or("it takes a whole number")?;
    N::try_from(number).map_err(|_| format!("{number} is out of its range"))
}

impl Reader<'_> {
    pub(super) fn value(&mut self, field: &FieldDescriptor, value: &Value, about: &About) -> Result<Reflected, String> {
        match value {
            Value::Array(all) if field.is_list() => {
                let all: Result<Vec<Reflected>, String> = all.iter().map(|v| self.single(field, v, about)).collect();
                Ok(Reflected::List(all?))
            }
            _ if field.is_list() => Err("it takes a list, in [ ]".to_owned()),
            one => self.single(field, one, about),
        }
    }

    fn single(&mut self, field: &FieldDescriptor, value: &Value, about: &About) -> Result<Reflected, String> {
        let name = field.name();
        match field.kind() {
            Kind::Message(of) => self.message(&of, value, about),
            Kind::Enum(of) => {
                let chosen = value.as_str().ok_or("it takes one of its names in quotes")?;
                contract::number_of(&of, chosen).map(Reflected::EnumNumber)
            }
            Kind::Uint64 if name.ends_with("_ms") => instant_ms(value, self.day()).map(Reflected::U64),
            Kind::Sint32 if name.ends_with("_unix_day") => unix_day(value).map(Reflected::I32),
            Kind::Uint64 => integer(value).map(Reflected::U64),
            Kind::Uint32 => integer(value).map(Reflected::U32),
            Kind::Sint32 | Kind::Int32 => integer(value).map(Reflected::I32),
            Kind::Bool => value.as_bool().map(Reflected::Bool).ok_or_else(|| "it takes true or false".to_owned()),
            Kind::String => {
                let text = value.as_str().ok_or("it takes text in quotes")?;
                Ok(Reflected::String(text.to_owned()))
            }
            Kind::Bytes => self.bytes(name, value, about).map(|bytes| Reflected::Bytes(bytes.into())),
            other => Err(format!("a card cannot say a {other:?}")),
        }
    }

    fn bytes(&mut self, field: &str, value: &Value, about: &About) -> Result<Vec<u8>, String> {
        if let ("kind_field", Value::Table(replacement)) = (field, value) {
            return self.kind_field(replacement, about, &["kind"]);
        }
        let text = value.as_str().ok_or("it takes a name, or an id in hex, in quotes")?;
        let names = self.context.names;
        let id = match field {
            "person" | "performer" | "helpers" | "watch_person" => names.person(text)?,
            "device" | "devices" => names.device(text)?,
            "aircraft" => names.aircraft_id(text)?,
            _ => return hex::decode(text).map_err(|_| "it takes bytes in hex".to_owned()),
        };
        Ok(id.to_vec())
    }

    fn message(&mut self, of: &MessageDescriptor, value: &Value, about: &About) -> Result<Reflected, String> {
        let mut message = DynamicMessage::new(of.clone());
        let mut put = |field: &str, value| message.set_field_by_name(field, value);
        match (of.name(), value) {
            ("EngineAt", Value::Integer(position)) => {
                let position = u32::try_from(*position).map_err(|_| "positions count from 1".to_owned())?;
                let engine = self.context.names.engine(&about.aircraft_name, position)?;
                put("position", Reflected::U32(engine.position));
                put("serial", Reflected::String(engine.serial));
            }
            ("ProcedureRef", Value::String(name)) => {
                let digest = self.context.names.procedure(name)?;
                put("digest", Reflected::Bytes(digest.to_vec().into()));
            }
            ("AnnexRef" | "AttachmentRef", value) => {
                let digest = self.blob(value, of.name() == "AnnexRef")?;
                put("digest", Reflected::Bytes(digest.to_vec().into()));
            }
            (_, Value::Table(table)) => {
                for (key, value) in table {
                    let field = field_of(of, key)?;
                    let value = self.value(&field, value, about).map_err(|why| format!("`{key}`: {why}"))?;
                    message.set_field(&field, value);
                }
            }
            (name, _) => return Err(format!("it takes a table with the fields of {name}")),
        }
        Ok(Reflected::Message(message))
    }

    /// Text as it is, or a file's bytes. An annex has a random salt, so that erasing it leaves nothing to guess by.
    fn blob(&mut self, value: &Value, annex: bool) -> Result<Hash, String> {
        let content = match value {
            Value::String(text) => text.as_bytes().to_vec(),
            Value::Table(table) => match (table.get("file"), table.get("digest")) {
                (Some(Value::String(file)), None) => {
                    let path = self.context.folder.clone().unwrap_or_default().join(file);
                    std::fs::read(&path).map_err(|e| format!("cannot read {}: {e}", path.display()))?
                }
                (None, Some(Value::String(digest))) => {
                    return Hash::from_hex(digest).ok_or_else(|| "a digest has 64 hex digits".to_owned());
                }
                _ => return Err("it takes text, { file = \"…\" } or { digest = \"…\" }".to_owned()),
            },
            _ => return Err("it takes text, { file = \"…\" } or { digest = \"…\" }".to_owned()),
        };
        let salt = if annex { Id::random().to_vec() } else { Vec::new() };
        let digest = Hash::of_parts(&[&salt, &content]);
        self.blobs.push(v1::Blob { salt, content });
        Ok(digest)
    }
}
