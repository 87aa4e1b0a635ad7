//! The contract as data: what the script reads facts by, and the same reading here. Both turn a fact's bytes into the same
//! words, field by field, in the order of the field numbers; neither knows the kinds one by one.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

use prost_reflect::{
    DescriptorPool, DynamicMessage, FieldDescriptor, Kind as Type, MessageDescriptor, ReflectMessage, Value,
};
use rinsebook_proto::FILE_DESCRIPTOR_SET;
use serde_json::{Map, json};

use super::super::words::{line, spaced};

static POOL: LazyLock<DescriptorPool> =
    LazyLock::new(|| DescriptorPool::decode(FILE_DESCRIPTOR_SET).expect("our own descriptors are whole"));

/// Units that a field's name ends with, and how many thousandths one of it is, where it is shown by a decimal point.
const UNITS: [(&str, usize, &str); 7] = [
    ("_tenths_celsius", 1, " °C"),
    ("_tenths_percent", 1, " %"),
    ("_millilitres", 3, " L"),
    ("_millinewton_metres", 3, " N·m"),
    ("_per_mille", 0, " ‰"),
    ("_seconds", 0, " s"),
    ("_bytes", 0, " bytes"),
];
/// The last instant of year 9999: beyond it the number is shown.
const LAST_MS: u64 = 253_402_300_799_999;
/// Longer bytes are shown by their beginning.
const BYTES_SHOWN: usize = 64;

/// What names stand for ids and digests on one page; all of it comes from entries that the page carries.
#[derive(Debug, Default)]
pub(super) struct Names {
    /// People, by id.
    pub(super) people: BTreeMap<Vec<u8>, String>,
    /// Texts of annexes, by digest.
    pub(super) annexes: BTreeMap<Vec<u8>, String>,
}

fn fact() -> MessageDescriptor {
    POOL.get_message_by_name("rinsebook.v1.Fact").expect("the contract has facts")
}

/// The contract as the script takes it: `{"m": {message: {number: [field, type, of]}}, "e": {enum: {number: word}}}`.
pub(in super::super) fn schema() -> String {
    let (mut messages, mut enums, mut open) = (Map::new(), Map::new(), vec![fact()]);
    while let Some(message) = open.pop() {
        if messages.contains_key(message.name()) {
            continue;
        }
        let mut fields = Map::new();
        for field in message.fields() {
            let (kind, of) = match field.kind() {
                Type::Message(of) => {
                    open.push(of.clone());
                    ("m", of.name().to_owned())
                }
                Type::Enum(of) => {
                    let values = of.values().map(|v| (v.number().to_string(), json!(enum_word(of.name(), v.name()))));
                    enums.insert(of.name().to_owned(), values.collect::<Map<_, _>>().into());
                    ("e", of.name().to_owned())
                }
                Type::String => ("s", String::new()),
                Type::Bytes => ("y", String::new()),
                Type::Bool => ("b", String::new()),
                Type::Sint32 | Type::Sint64 => ("z", String::new()),
                _ => ("u", String::new()),
            };
            fields.insert(field.number().to_string(), json!([field.name(), kind, of]));
        }
        messages.insert(message.name().to_owned(), fields.into());
    }
    json!({ "m": messages, "e": enums }).to_string()
}

/// `LOCKING_TAB_WASHER` of `Locking` is "tab washer".
fn enum_word(of: &str, value: &str) -> String {
    let mut prefix = String::new();
    for (at, c) in of.char_indices() {
        if at > 0 && c.is_uppercase() {
            prefix.push('_');
        }
        prefix.push(c.to_ascii_uppercase());
    }
    spaced(&value.strip_prefix(&format!("{prefix}_")).unwrap_or(value).to_lowercase())
}

/// A fact's kind in words, and its fields as label and value.
pub(super) fn read(payload: &[u8], names: &Names) -> (String, Vec<[String; 2]>) {
    let Some((field, message)) = kind_of(payload) else { return ("cannot be read".to_owned(), Vec::new()) };
    let mut lines = Vec::new();
    fields(&message, "", names, &mut lines);
    (spaced(field.name()), lines)
}

fn kind_of(payload: &[u8]) -> Option<(FieldDescriptor, DynamicMessage)> {
    let whole = DynamicMessage::decode(fact(), payload).ok()?;
    let kind = whole.fields().find(|(field, _)| field.number() >= 32)?;
    Some((kind.0.clone(), kind.1.as_message()?.clone()))
}

fn fields(message: &DynamicMessage, prefix: &str, names: &Names, out: &mut Vec<[String; 2]>) {
    for (field, value) in message.fields() {
        let (label, unit) = label(field.name());
        let label = if prefix.is_empty() { label } else { format!("{prefix}, {label}") };
        match value {
            Value::List(list) => list.iter().for_each(|value| one(&field, value, label.clone(), unit, names, out)),
            value => one(&field, value, label, unit, names, out),
        }
    }
}

/// The field's name less its unit, and the unit.
fn label(name: &str) -> (String, &str) {
    let units = UNITS.iter().map(|(suffix, _, _)| *suffix).chain(["_unix_day", "_ms"]);
    let unit = units.into_iter().find(|suffix| name.ends_with(suffix)).unwrap_or("");
    (spaced(name.strip_suffix(unit).unwrap_or(name)), unit)
}

fn one(field: &FieldDescriptor, value: &Value, label: String, unit: &str, names: &Names, out: &mut Vec<[String; 2]>) {
    let shown = match value {
        Value::Message(inner) => match inner.descriptor().name() {
            "EngineAt" => engine(inner),
            "AnnexRef" => {
                let digest = digest(inner);
                names
                    .annexes
                    .get(&digest)
                    .cloned()
                    .unwrap_or_else(|| format!("kept beside the log under {}", hex::encode(&digest)))
            }
            "AttachmentRef" | "ProcedureRef" => hex::encode(digest(inner)),
            _ => return fields(inner, &label, names, out),
        },
        Value::Bytes(bytes) if field.name() == "kind_field" => {
            let Some((kind, inner)) = kind_of(bytes) else { return out.push([label, "cannot be read".to_owned()]) };
            return fields(&inner, &format!("in its place, {}", spaced(kind.name())), names, out);
        }
        Value::Bytes(bytes) => names.people.get(bytes.as_ref()).cloned().unwrap_or_else(|| bytes_shown(bytes)),
        Value::EnumNumber(number) => enum_shown(field, *number),
        Value::String(text) => line(text),
        Value::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Value::U64(n) => number((*n).into(), unit),
        Value::U32(n) => number((*n).into(), unit),
        Value::I64(n) => number((*n).into(), unit),
        Value::I32(n) => number((*n).into(), unit),
        // The contract has no other type.
        _ => return,
    };
    out.push([label, shown]);
}

fn digest(message: &DynamicMessage) -> Vec<u8> {
    let field = message.get_field_by_name("digest");
    field.and_then(|value| value.as_bytes().map(|bytes| bytes.to_vec())).unwrap_or_default()
}

fn engine(message: &DynamicMessage) -> String {
    let field = |name| message.get_field_by_name(name);
    let position = field("position").and_then(|value| value.as_u32()).unwrap_or_default();
    let serial = field("serial").and_then(|value| value.as_str().map(line)).unwrap_or_default();
    format!("{position}, serial number {serial}")
}

fn enum_shown(field: &FieldDescriptor, number: i32) -> String {
    let Type::Enum(of) = field.kind() else { return number.to_string() };
    of.get_value(number).map_or_else(|| number.to_string(), |value| enum_word(of.name(), value.name()))
}

fn bytes_shown(bytes: &[u8]) -> String {
    match bytes.get(..BYTES_SHOWN) {
        Some(first) if bytes.len() > BYTES_SHOWN => format!("{}… ({} bytes)", hex::encode(first), bytes.len()),
        _ => hex::encode(bytes),
    }
}

fn number(value: i128, unit: &str) -> String {
    match unit {
        "_ms" => u64::try_from(value).map_or_else(|_| format!("{value} ms"), instant),
        "_unix_day" => day(value),
        _ => match UNITS.iter().find(|(suffix, _, _)| *suffix == unit) {
            Some((_, decimals, of)) => format!("{}{of}", pointed(value, *decimals)),
            None => value.to_string(),
        },
    }
}

fn pointed(value: i128, decimals: usize) -> String {
    let (sign, digits) = (if value < 0 { "−" } else { "" }, value.unsigned_abs().to_string());
    if decimals == 0 {
        return format!("{sign}{digits}");
    }
    let digits = format!("{digits:0>width$}", width = decimals + 1);
    let (whole, rest) = digits.split_at(digits.len() - decimals);
    format!("{sign}{whole}.{rest}")
}

/// An instant to the millisecond, where there are any.
pub(super) fn instant(ms: u64) -> String {
    let at = i64::try_from(ms).ok().filter(|_| ms <= LAST_MS).and_then(chrono::DateTime::from_timestamp_millis);
    let form = if ms.is_multiple_of(1000) { "%Y-%m-%d %H:%M:%SZ" } else { "%Y-%m-%d %H:%M:%S%.3fZ" };
    at.map_or_else(|| format!("{ms} ms"), |at| at.format(form).to_string())
}

fn day(value: i128) -> String {
    let days = u64::try_from(value).ok().filter(|days| *days <= LAST_MS / 86_400_000);
    days.map_or_else(|| value.to_string(), |days| instant(days * 86_400_000)[..10].to_owned())
}

/// Annexes by the field that names them: its name, and the digest.
pub(super) type AnnexesNamed = BTreeSet<(String, Vec<u8>)>;

/// Every id of 16 bytes that a fact's body holds, and every annex that it names, with the field that does.
pub(super) fn named(payload: &[u8]) -> (BTreeSet<Vec<u8>>, AnnexesNamed) {
    let (mut ids, mut annexes) = (BTreeSet::new(), BTreeSet::new());
    let mut open: Vec<DynamicMessage> = kind_of(payload).map(|(_, message)| message).into_iter().collect();
    while let Some(message) = open.pop() {
        for (field, value) in message.fields() {
            let values = match value {
                Value::List(list) => list.iter().collect(),
                value => vec![value],
            };
            for value in values {
                match value {
                    Value::Message(inner) if inner.descriptor().name() == "AnnexRef" => {
                        annexes.insert((field.name().to_owned(), digest(inner)));
                    }
                    Value::Message(inner) => open.push(inner.clone()),
                    Value::Bytes(bytes) if field.name() == "kind_field" => {
                        open.extend(kind_of(bytes).map(|(_, message)| message));
                    }
                    Value::Bytes(bytes) if bytes.len() == 16 => drop(ids.insert(bytes.to_vec())),
                    _ => {}
                }
            }
        }
    }
    (ids, annexes)
}

#[cfg(test)]
mod tests {
    use prost::Message;
    use rinsebook_proto::v1;

    use super::*;

    fn lines(kind: v1::fact::Kind, names: &Names) -> (String, Vec<String>) {
        let (said, lines) = read(&v1::Fact { header: None, kind: Some(kind) }.encode_to_vec(), names);
        (said, lines.into_iter().map(|[label, value]| format!("{label}: {value}")).collect())
    }

    fn reconnection() -> v1::LineReconnected {
        v1::LineReconnected {
            engine: Some(v1::EngineAt { position: 2, serial: "OT-0002".to_owned() }),
            line: " PS-1\n".to_owned(),
            torque_millinewton_metres: Some(17_050),
            tool: Some(v1::ToolUsed { tool: "TW-12".to_owned(), calibration_due_unix_day: Some(22_552) }),
            locking: Some(v1::Locking::TabWasher as i32),
            helpers: vec![vec![3; 16], vec![4; 16]],
        }
    }

    #[test]
    fn a_fact_is_read_field_by_field_with_its_units_and_the_names_of_people() {
        let names = Names { people: [(vec![3; 16], "Ida Rasko (invented)".to_owned())].into(), ..Names::default() };
        let (kind, lines) = lines(v1::fact::Kind::LineReconnected(reconnection()), &names);
        assert_eq!(kind, "line reconnected");
        let helper = hex::encode([4; 16]);
        assert_eq!(
            lines,
            [
                "engine: 2, serial number OT-0002",
                "line: PS-1",
                "torque: 17.050 N·m",
                "tool, tool: TW-12",
                "tool, calibration due: 2031-09-30",
                "locking: tab washer",
                "helpers: Ida Rasko (invented)",
                &format!("helpers: {helper}"),
            ]
        );
    }

    #[test]
    fn a_correction_shows_what_it_puts_in_place() {
        let kind_field = v1::Fact { header: None, kind: Some(v1::fact::Kind::LineReconnected(reconnection())) };
        let corrected = v1::Corrected { kind_field: kind_field.encode_to_vec(), ..v1::Corrected::default() };
        let (_, lines) = lines(v1::fact::Kind::Corrected(corrected), &Names::default());
        assert!(lines.contains(&"in its place, line reconnected, torque: 17.050 N·m".to_owned()), "{lines:?}");
    }

    #[test]
    fn numbers_are_exact_and_instants_beyond_the_calendar_are_numbers() {
        assert_eq!(number(-5, "_tenths_celsius"), "−0.5 °C");
        assert_eq!(number(60_000, "_millilitres"), "60.000 L");
        assert_eq!(instant(1_930_377_600_001), "2031-03-04 08:00:00.001Z");
        assert_eq!(instant(u64::MAX), format!("{} ms", u64::MAX));
        assert_eq!(day(-1), "-1");
    }

    #[test]
    fn every_message_that_a_fact_may_hold_is_in_the_schema() {
        let schema: serde_json::Value = serde_json::from_str(&schema()).unwrap();
        for kind in fact().fields().filter(|field| field.number() >= 32) {
            let of = kind.kind().as_message().unwrap().name().to_owned();
            assert!(schema["m"][&of].is_object(), "{of}");
        }
        assert_eq!(schema["e"]["Locking"]["3"], "tab washer");
    }
}
