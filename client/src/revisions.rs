//! What changed between two texts of a procedure, by meaning. Comments, layout and the order of entries mean nothing.
//!
//! Both texts are compared as trees of TOML, path by path, and not field by field: a path that has no words yet (see
//! [`words`]) is told by its path, so that nothing can be passed over. Only texts that can be read as procedures should come
//! here: their readers refuse whatever has no meaning.

mod words;

use std::collections::BTreeSet;
use std::io::{self, Write};

use rinsebook_proto::rules::procedure::Procedure;
use toml::{Table, Value};

use words::Step;

/// One difference.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Change {
    /// Where it stands, such as `lines[PS-1].leak_check`.
    pub path: String,
    /// What it is about, such as "line PS-1".
    pub about: String,
    /// What it says of it, such as "leak check asked".
    pub what: String,
    /// As it was, with its unit; none: it was not there.
    pub old: Option<String>,
    /// As it is.
    pub new: Option<String>,
    /// A whole entry of a list, which came or went.
    pub entry: bool,
}

/// Two texts, compared.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Compared {
    /// What must be known before the differences are read, such as that the engine types are not the same.
    pub first: Vec<String>,
    /// Title and revision of each.
    pub names: [String; 2],
    /// They are the same to the byte.
    pub same_text: bool,
    /// They ask the same of the same engine type.
    pub same_meaning: bool,
    /// What differs, in the order of a procedure.
    pub changes: Vec<Change>,
}

/// Keys at the top that name a text, and ask nothing.
const NAMES: [&str; 4] = ["title", "procedure", "revision", "engine_type"];

/// Compares two texts that were read as these procedures. An error is of TOML, and does not come from such texts.
pub fn compare(old: (&str, &Procedure), new: (&str, &Procedure)) -> Result<Compared, toml::de::Error> {
    let (old_tree, new_tree): (Table, Table) = (toml::from_str(old.0)?, toml::from_str(new.0)?);
    let mut changes = Vec::new();
    let keys: BTreeSet<&String> = old_tree.keys().chain(new_tree.keys()).collect();
    for key in keys.into_iter().filter(|key| !NAMES.contains(&key.as_str())) {
        walk(&[Step::Key(key.clone())], old_tree.get(key), new_tree.get(key), &mut changes);
    }
    changes.sort_by_cached_key(|change: &Change| words::rank(&change.path));
    let [a, b] = [old.1, new.1];
    Ok(Compared {
        first: first(a, b, !changes.is_empty()),
        names: [a, b].map(|p| format!("{} r{}", p.title, p.revision)),
        same_text: old.0 == new.0,
        same_meaning: changes.is_empty() && a.engine_type == b.engine_type && a.procedure == b.procedure,
        changes,
    })
}

fn first(a: &Procedure, b: &Procedure, differ: bool) -> Vec<String> {
    let mut first = Vec::new();
    if a.engine_type != b.engine_type {
        first.push(format!(
            "these are for different engine types, {} and {}: neither stands in for the other",
            a.engine_type, b.engine_type
        ));
    }
    if a.procedure != b.procedure {
        first.push(format!(
            "these are different procedures ({} and {}), not revisions of one",
            a.procedure, b.procedure
        ));
    } else if b.revision < a.revision {
        first.push(format!("the second is the older one: revision {} came before {}", b.revision, a.revision));
    } else if b.revision == a.revision && differ {
        first.push(format!("both call themselves revision {}, and yet they differ", a.revision));
    }
    if a.procedure == b.procedure && a.title != b.title {
        first.push(format!("the title was \"{}\" and is \"{}\"", a.title, b.title));
    }
    first
}

fn walk(path: &[Step], old: Option<&Value>, new: Option<&Value>, changes: &mut Vec<Change>) {
    if old == new {
        return;
    }
    match (old, new) {
        (Some(Value::Table(old)), Some(Value::Table(new))) => {
            let keys: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
            let under = |key: &String| [path, &[Step::Key(key.clone())]].concat();
            keys.into_iter().for_each(|key| walk(&under(key), old.get(key), new.get(key), changes));
        }
        (None | Some(Value::Array(_)), None | Some(Value::Array(_))) => entries(path, old, new, changes),
        _ => changes.push(words::change(path, old, new)),
    }
}

/// A list: its entries are the same by name, whatever their order. A list that is absent is empty.
fn entries(path: &[Step], old: Option<&Value>, new: Option<&Value>, changes: &mut Vec<Change>) {
    let all = |list: Option<&Value>| list.and_then(Value::as_array).cloned().unwrap_or_default();
    let (old, new) = (all(old), all(new));
    let of = |list: &[Value], called: &str| list.iter().find(|entry| words::called(entry) == called).cloned();
    let mut seen = BTreeSet::new();
    for called in old.iter().chain(&new).map(words::called) {
        if seen.insert(called.clone()) {
            let (was, is) = (of(&old, &called), of(&new, &called));
            walk(&[path, &[Step::Entry(called)]].concat(), was.as_ref(), is.as_ref(), changes);
        }
    }
}

/// For people. `line` writes one line, broken where it is too long: a head, then text under itself.
pub fn tell(
    compared: &Compared,
    out: &mut dyn Write,
    line: fn(&str, &str, &mut dyn Write) -> io::Result<()>,
) -> io::Result<()> {
    compared.first.iter().try_for_each(|said| line("NOTE  ", said, out))?;
    line("from  ", &compared.names[0], out)?;
    line("to    ", &compared.names[1], out)?;
    let mut about = "";
    for change in &compared.changes {
        if change.about != about {
            line("  ", &change.about, out)?;
            about = &change.about;
        }
        line("    ", &sentence(change), out)?;
    }
    let told = match (compared.changes.len(), compared.same_meaning) {
        (0, _) if compared.same_text => "the very same text".to_owned(),
        (0, true) => "the same in meaning: only names, comments, layout or the order of entries differ".to_owned(),
        (0, false) => "the same limits and entries, but not for the same procedure and engine type".to_owned(),
        (1, _) => "1 difference in what is asked".to_owned(),
        (n, _) => format!("{n} differences in what is asked"),
    };
    line("", &told, out)
}

fn sentence(change: &Change) -> String {
    let what = &change.what;
    let of = |held: &str, head: &str| if held.is_empty() { String::new() } else { format!("{head}{held}") };
    match (&change.old, &change.new) {
        (None, Some(new)) if change.entry => format!("{what} added{}", of(new, ": ")),
        (Some(old), None) if change.entry => format!("{what} removed{}", of(old, ", was: ")),
        (old, new) => {
            let said = |held: &Option<String>| held.clone().unwrap_or_else(|| "nothing asked".to_owned());
            format!("{what}: {} → {}", said(old), said(new))
        }
    }
}

#[cfg(test)]
mod tests;
