//! What a fact is about, in the words that people read and write: "engine serial OT-1", "wash …", "the roster".

use rinsebook_proto::bytes::Id;
use rinsebook_proto::fact::Subject;

/// In words.
pub fn text(subject: &Subject) -> String {
    match subject {
        Subject::Aircraft(id) => format!("aircraft {id}"),
        Subject::Engine(serial) => format!("engine serial {serial}"),
        Subject::Wash(id) => format!("wash {id}"),
        Subject::Roster => "the roster".to_owned(),
        Subject::Device(id) => format!("device {id}"),
    }
}

/// From its words; none where they are nobody's.
pub fn read(text: &str) -> Option<Subject> {
    if let Some(serial) = text.strip_prefix("engine serial ") {
        return (!serial.trim().is_empty()).then(|| Subject::Engine(serial.to_owned()));
    }
    match text.split_once(' ')? {
        ("aircraft", hex) => Id::from_hex(hex).map(Subject::Aircraft),
        ("wash", hex) => Id::from_hex(hex).map(Subject::Wash),
        ("device", hex) => Id::from_hex(hex).map(Subject::Device),
        ("the", "roster") => Some(Subject::Roster),
        _ => None,
    }
}
