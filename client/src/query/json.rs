//! Answers for programs: the contract's messages as JSON. Names are the contract's, but instants, which are named `…_ms`
//! there, are RFC 3339 under `…_time`; ids, hashes and other bytes are hex; enum values are their short names, such as
//! `sign-off`. A list is always there; what an answer does not hold is absent.

use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, EnumDescriptor, FieldDescriptor, Kind, ReflectMessage, Value};
use serde_json::{Map, Value as Json};

use super::text::rfc3339;
use crate::ClientError;

/// Writes messages of `rinsebook.v1` as JSON.
#[derive(Debug)]
pub struct Writer(DescriptorPool);

impl Writer {
    /// Reads the contract.
    pub fn new() -> Result<Writer, ClientError> {
        let pool = DescriptorPool::decode(rinsebook_proto::FILE_DESCRIPTOR_SET).map_err(|e| contract(&e))?;
        Ok(Writer(pool))
    }

    /// One message, by its name in the contract, such as `OpenItem`.
    pub fn message(&self, name: &str, message: &impl Message) -> Result<Json, ClientError> {
        let described = self.0.get_message_by_name(&format!("rinsebook.v1.{name}"));
        let described = described.ok_or_else(|| contract(&format!("it has no message {name}")))?;
        let bytes = message.encode_to_vec();
        let dynamic = DynamicMessage::decode(described, bytes.as_slice()).map_err(|e| contract(&e))?;
        Ok(object(&dynamic))
    }

    /// Several of one kind.
    pub fn list<M: Message>(&self, name: &str, messages: &[M]) -> Result<Json, ClientError> {
        messages.iter().map(|message| self.message(name, message)).collect()
    }
}

fn contract(why: &dyn std::fmt::Display) -> ClientError {
    ClientError::Answered(format!("the answer cannot be written as JSON: the contract built in here: {why}"))
}

fn object(message: &DynamicMessage) -> Json {
    let descriptor = message.descriptor();
    let shown = descriptor.fields().filter(|f| !f.supports_presence() || message.has_field(f)).map(|field| {
        let value = value(&field, &message.get_field(&field));
        (name(&field), value)
    });
    Json::Object(shown.collect::<Map<_, _>>())
}

fn is_instant(field: &FieldDescriptor) -> bool {
    field.kind() == Kind::Uint64 && field.name().ends_with("_ms")
}

fn name(field: &FieldDescriptor) -> String {
    match field.name().strip_suffix("_ms") {
        Some("time") if is_instant(field) => "time".to_owned(),
        Some(what) if is_instant(field) => format!("{what}_time"),
        _ => field.name().to_owned(),
    }
}

fn value(field: &FieldDescriptor, held: &Value) -> Json {
    match held {
        Value::List(values) => values.iter().map(|held| value(field, held)).collect(),
        Value::Message(message) => object(message),
        Value::Bytes(bytes) => hex::encode(bytes).into(),
        Value::String(text) => text.as_str().into(),
        Value::Bool(yes) => (*yes).into(),
        Value::EnumNumber(number) => match field.kind() {
            Kind::Enum(of) => short_name(&of, *number),
            _ => (*number).into(),
        },
        // Beyond the calendar: told as it is rather than not at all.
        Value::U64(ms) if is_instant(field) => rfc3339(*ms).map_or_else(|| (*ms).into(), Json::from),
        Value::U64(number) => (*number).into(),
        Value::U32(number) => (*number).into(),
        Value::I64(number) => (*number).into(),
        Value::I32(number) => (*number).into(),
        // The contract has no maps and no floats.
        Value::F32(_) | Value::F64(_) | Value::Map(_) => Json::Null,
    }
}

/// `BLOCKS_SIGN_OFF` of `Blocks` is `sign-off`; a value of a later version stays a number.
fn short_name(of: &EnumDescriptor, number: i32) -> Json {
    let Some(value) = of.get_value(number) else { return number.into() };
    crate::contract::short_name(of, value.name()).into()
}

#[cfg(test)]
mod tests {
    use rinsebook_proto::v1;

    use super::*;

    #[test]
    fn an_item_has_hex_ids_instants_and_short_names_and_leaves_out_what_it_does_not_hold() {
        let item = v1::OpenItem {
            kind: v1::ItemKind::RunUpDue as i32,
            blocks: v1::Blocks::SignOff as i32,
            due_ms: Some(1_930_356_600_000),
            opened_by: Some(v1::FactRef { index: 7, envelope_hash: vec![0xab; 32], ..v1::FactRef::default() }),
            who_may: vec![v1::Authority::Run as i32, v1::Authority::Certify as i32],
            ..v1::OpenItem::default()
        };
        let json = Writer::new().unwrap().message("OpenItem", &item).unwrap();
        assert_eq!(json["kind"], "run-up-due");
        assert_eq!(json["blocks"], "sign-off");
        assert_eq!(json["due_time"], "2031-03-04T02:10:00.000Z");
        assert_eq!(json["opened_by"]["envelope_hash"], "ab".repeat(32));
        assert_eq!(json["who_may"], serde_json::json!(["run", "certify"]));
        assert!(json.get("engine").is_none() && json.get("due_ms").is_none(), "{json}");
    }

    #[test]
    fn an_optional_instant_that_is_absent_is_absent_and_lists_are_always_there() {
        let writer = Writer::new().unwrap();
        let none = writer.message("Assessment", &v1::Assessment::default()).unwrap();
        assert!(none.get("horizon_time").is_none() && none["items"].as_array().is_some_and(Vec::is_empty), "{none}");
        let as_of = Some(v1::AsOf { epoch: 1, size: 9, time_ms: 1_930_377_600_000 });
        let some = v1::Assessment { horizon_ms: Some(u64::MAX), as_of, ..v1::Assessment::default() };
        let json = writer.message("Assessment", &some).unwrap();
        assert_eq!(json["as_of"]["time"], "2031-03-04T08:00:00.000Z");
        assert_eq!(json["horizon_time"], u64::MAX, "no calendar knows it");
        assert!(writer.message("NoSuchMessage", &some).is_err());
    }
}
