//! The contract, as data: the messages of `rinsebook.v1` by name, for what is written or read in general.

use std::sync::LazyLock;

use prost_reflect::{DescriptorPool, EnumDescriptor, MessageDescriptor};

use crate::ClientError;

static POOL: LazyLock<Result<DescriptorPool, String>> =
    LazyLock::new(|| DescriptorPool::decode(rinsebook_proto::FILE_DESCRIPTOR_SET).map_err(|e| e.to_string()));

/// The message of that name in `rinsebook.v1`.
pub(crate) fn message(name: &str) -> Result<MessageDescriptor, ClientError> {
    let unusable = |why: String| ClientError::Answered(format!("the contract built in here: {why}"));
    let pool = POOL.as_ref().map_err(|why| unusable(why.clone()))?;
    pool.get_message_by_name(&format!("rinsebook.v1.{name}"))
        .ok_or_else(|| unusable(format!("it has no message {name}; is this program whole?")))
}

/// A value's name for people: `BLOCKS_SIGN_OFF` of `Blocks` is `sign-off`.
pub(crate) fn short_name(of: &EnumDescriptor, full: &str) -> String {
    let mut prefix = String::new();
    for letter in of.name().chars() {
        if letter.is_uppercase() && !prefix.is_empty() {
            prefix.push('_');
        }
        prefix.push(letter.to_ascii_uppercase());
    }
    let short = full.strip_prefix(&prefix).and_then(|rest| rest.strip_prefix('_')).unwrap_or(full);
    short.to_ascii_lowercase().replace('_', "-")
}

/// The number of a value by its short name; zero, which says nothing, has none.
pub(crate) fn number_of(of: &EnumDescriptor, name: &str) -> Result<i32, String> {
    let known = || of.values().filter(|v| v.number() != 0);
    let number = known().find(|v| short_name(of, v.name()) == name).map(|v| v.number());
    number.ok_or_else(|| {
        let names: Vec<String> = known().map(|v| short_name(of, v.name())).collect();
        format!("{name:?} is none of {}", names.join(", "))
    })
}
