//! A fact as it is read out before it is signed: every field that was recorded, with its unit, in words.

use prost::Message;
use prost_reflect::{DynamicMessage, FieldDescriptor, Kind as FieldKind, ReflectMessage, Value};
use rinsebook_proto::bytes::Hash;
use rinsebook_proto::fact::Kind;
use rinsebook_proto::v1;

use crate::names::Names;
use crate::{ClientError, contract, render};

/// Field and value of everything that the kind records, in the contract's order.
pub fn describe(kind: &Kind, blobs: &[v1::Blob], names: &Names) -> Result<Vec<(String, String)>, ClientError> {
    let fact = v1::Fact { header: None, kind: Some(kind.clone()) };
    let failed = |e: prost::DecodeError| ClientError::Usage(format!("this fact cannot be shown: {e}"));
    let fact = DynamicMessage::decode(contract::message("Fact")?, fact.encode_to_vec().as_slice()).map_err(failed)?;
    let body = fact.fields().find_map(|(_, value)| value.as_message().cloned());
    let speaker = Speaker { blobs, names };
    Ok(body.map(|body| speaker.fields(&body)).unwrap_or_default())
}

struct Speaker<'s> {
    blobs: &'s [v1::Blob],
    names: &'s Names,
}

impl Speaker<'_> {
    fn fields(&self, message: &DynamicMessage) -> Vec<(String, String)> {
        message.fields().map(|(field, value)| (label(&field), self.say(&field, value))).collect()
    }

    fn say(&self, field: &FieldDescriptor, value: &Value) -> String {
        match value {
            Value::List(all) => all.iter().map(|v| self.say(field, v)).collect::<Vec<_>>().join("; "),
            Value::Message(message) => self.message(message),
            Value::Bytes(bytes) => self.named(bytes),
            Value::String(text) => text.clone(),
            Value::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
            Value::EnumNumber(number) => match field.kind() {
                FieldKind::Enum(of) => of
                    .get_value(*number)
                    .map_or_else(|| number.to_string(), |v| contract::short_name(&of, v.name()).replace('-', " ")),
                _ => number.to_string(),
            },
            Value::U64(ms) if field.name().ends_with("_ms") => render::second(*ms),
            Value::I32(day) if field.name().ends_with("_unix_day") => {
                let ms = u64::try_from(i64::from(*day) * 86_400_000).unwrap_or(0);
                render::second(ms).split(' ').next().unwrap_or_default().to_owned()
            }
            Value::U64(n) => with_unit(field.name(), i128::from(*n)),
            Value::U32(n) => with_unit(field.name(), i128::from(*n)),
            Value::I64(n) => with_unit(field.name(), i128::from(*n)),
            Value::I32(n) => with_unit(field.name(), i128::from(*n)),
            // The contract has no maps and no floats.
            Value::F32(_) | Value::F64(_) | Value::Map(_) => "?".to_owned(),
        }
    }

    fn message(&self, message: &DynamicMessage) -> String {
        let descriptor = message.descriptor();
        let digest = || {
            let held = message.get_field_by_name("digest")?;
            Hash::from_slice(held.as_bytes()?)
        };
        match descriptor.name() {
            "EngineAt" => {
                let part = |name| message.get_field_by_name(name).map(|v| v.into_owned());
                let position = part("position").and_then(|v| v.as_u32()).unwrap_or_default();
                let serial = part("serial").and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default();
                format!("{position} (serial {serial})")
            }
            "ProcedureRef" | "AnnexRef" | "AttachmentRef" => digest().map_or_else(String::new, |d| self.text_of(&d)),
            _ => {
                let fields = self.fields(message);
                fields.into_iter().map(|(field, value)| format!("{field} {value}")).collect::<Vec<_>>().join(", ")
            }
        }
    }

    fn text_of(&self, digest: &Hash) -> String {
        let blob = self.blobs.iter().find(|b| Hash::of_parts(&[&b.salt, &b.content]) == *digest);
        match blob.map(|b| std::str::from_utf8(&b.content)) {
            Some(Ok(text)) => text.to_owned(),
            Some(Err(_)) => "bytes that are no text".to_owned(),
            None => {
                let hex = digest.to_string();
                let title = self.names.procedures.iter().find(|(_, known)| **known == hex);
                title.map_or_else(|| format!("text {}…", digest.short()), |(title, _)| title.clone())
            }
        }
    }

    /// An id by the name that it has here.
    fn named(&self, bytes: &[u8]) -> String {
        let hex = hex::encode(bytes);
        let known = self.names.people.iter().chain(&self.names.devices).find(|(_, id)| **id == hex);
        let aircraft = || self.names.aircraft.iter().find(|(_, a)| a.id == hex).map(|(name, _)| name.clone());
        known.map(|(name, _)| name.clone()).or_else(aircraft).unwrap_or(hex)
    }
}

const UNITS: [(&str, u32, &str); 8] = [
    ("_tenths_celsius", 1, " °C"),
    ("_tenths_percent", 1, " %"),
    ("_per_mille", 0, " ‰"),
    ("_millilitres", 3, " L"),
    ("_millinewton_metres", 3, " N·m"),
    ("_seconds", 0, " s"),
    ("_ms", 0, " ms"),
    ("_unix_day", 0, ""),
];

fn label(field: &FieldDescriptor) -> String {
    let name = field.name();
    let unit = UNITS.iter().find(|(suffix, ..)| name.ends_with(suffix)).map_or("", |(suffix, ..)| *suffix);
    name.strip_suffix(unit).unwrap_or(name).replace('_', " ")
}

/// A whole number of thousandths or tenths as people write it.
fn with_unit(name: &str, number: i128) -> String {
    let Some((_, digits, unit)) = UNITS.iter().find(|(suffix, ..)| name.ends_with(suffix)) else {
        return number.to_string();
    };
    let scale = 10i128.pow(*digits);
    let (sign, size) = (if number < 0 { "-" } else { "" }, number.unsigned_abs());
    let (whole, part) = (size / scale.unsigned_abs(), size % scale.unsigned_abs());
    if part == 0 {
        return format!("{sign}{whole}{unit}");
    }
    let fraction = format!("{part:0width$}", width = *digits as usize);
    format!("{sign}{whole}.{}{unit}", fraction.trim_end_matches('0'))
}
