//! The one-way flow, held: which module may name which, how long a file may be, and what no file may say.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Modules of each crate, and those of the same crate that they may name. What is not listed may name nothing.
const MAY_NAME: [(&str, &[(&str, &str)]); 3] = [
    (
        "proto",
        &[
            ("key", "bytes fact"),
            ("fact", "bytes key v1"),
            ("chain", "bytes v1"),
            ("tree", "bytes"),
            ("note", "bytes key"),
            ("pack", "bytes entry"),
            ("succession", "bytes key note rules v1"),
            ("cosignature", "bytes key note"),
            ("entry", "bytes fact tree"),
            ("tiles", "bytes tree"),
            ("proof", "bytes note tree"),
            // Bytes in frames; what they hold is none of its business.
            ("journal", "bytes"),
            // From facts and the roster alone: never from the log.
            ("rules", "bytes fact key v1"),
        ],
    ),
    (
        "service",
        &[
            ("backup", "config error"),
            ("command", "backup caller config restore run tokens"),
            ("identity", "config error"),
            ("config", "limits"),
            ("doorkeeper", "limits"),
            ("shed", "access caller doorkeeper error limits"),
            ("authority", "config error identity"),
            ("caller", ""),
            // Where work is done that blocks.
            ("work", ""),
            // How files come to be whole.
            ("whole", ""),
            // One table from errors to answers: it knows the reasons of tokens by name.
            ("error", "tokens"),
            ("tokens", "caller config error identity work"),
            ("session", "caller tokens"),
            ("blobs", "error whole"),
            ("admission", "error work"),
            ("founding", "identity"),
            ("signing", "error identity"),
            ("standstill", "error"),
            ("restore", "error standstill"),
            ("erasing", "blobs refusal"),
            ("register", ""),
            ("desk", "admission erasing error founding identity refusal register signing standstill"),
            ("log", "desk error"),
            // Facts read back: for the rules one by one, at a start those that registers name.
            ("shelf", "log"),
            ("registers", "log register"),
            ("sequencer", "admission desk error log work"),
            ("snapshot", "desk whole"),
            ("projection", "blobs desk register registers sequencer snapshot"),
            ("query", "blobs error projection sequencer work"),
            ("files", "log projection witnesses"),
            ("packs", "blobs error log projection query witnesses"),
            ("access", "authority caller error projection session tokens"),
            ("sign_in", "access caller session tokens"),
            (
                "recovery",
                "admission blobs config desk erasing error identity log projection register registers sequencer shelf snapshot \
                 standstill work",
            ),
            ("watch", "error query"),
            ("witnesses", "config error projection"),
            ("audits", "config error signing whole"),
            ("web", "access audits blobs caller error identity log projection query session signing watch witnesses"),
            (
                "grpc",
                "admission audits authority blobs caller desk error identity limits log packs projection query rpc sequencer signing standstill tokens watch \
                 witnesses work",
            ),
            // The only wiring: it knows everybody.
            (
                "run",
                "access admission audits authority blobs config doorkeeper error files grpc identity limits log packs projection query recovery rpc \
                 sequencer session shed shelf sign_in signing tokens web witnesses work",
            ),
        ],
    ),
    (
        "client",
        &[
            ("contract", ""),
            ("dial", ""),
            ("home", "dial"),
            ("outbox", ""),
            ("secret", "home"),
            ("remote", "home"),
            ("station", "home outbox"),
            ("enrol", "home station"),
            ("trust", "remote rpc station verify"),
            ("sync", "outbox remote rpc station trust"),
            ("about", ""),
            ("query", "about contract home remote rpc"),
            ("explain", "about query remote render"),
            ("revisions", ""),
            ("names", "about home query remote"),
            ("card", "about contract names render station"),
            ("verify", "home render secret station"),
            ("brought", "home"),
            ("mirror", "brought home outbox remote rpc station"),
            ("page", "about brought card explain home mirror names outbox query remote render station sync"),
            ("receipt", "remote rpc station trust"),
            ("witness", "home"),
            ("demo", "card enrol home names query remote render rpc station sync verify"),
            (
                "command",
                "card demo enrol explain home names page query receipt remote render revisions rpc secret station sync verify witness",
            ),
            ("main", "command"),
        ],
    ),
];

/// Inside the client's verifier: each module may name those that stand before it, and its own parts.
const VERIFIER: [&str; 20] = [
    "keys",
    "files",
    "places",
    "seen",
    "held",
    "policy",
    "otherwise",
    "opened",
    "erased",
    "outcome",
    "blobs",
    "second",
    "checker",
    "ahead",
    "state",
    "tiles",
    "roster_chain",
    "receipt",
    "pack",
    "command",
];

const LONGEST_FILE_LINES: usize = 600;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn rust_files(dir: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    files
}

/// Whether a file is for tests alone, by its name or folder.
fn is_test(root: &Path, file: &Path) -> bool {
    let parts = file.strip_prefix(root).unwrap().components();
    parts.skip(1).any(|part| part.as_os_str().to_str().is_some_and(|name| name.starts_with("test")))
}

/// The top module that a file of `src` belongs to.
fn module(src: &Path, file: &Path) -> String {
    let first = file.strip_prefix(src).unwrap().components().next().unwrap();
    first.as_os_str().to_str().unwrap().trim_end_matches(".rs").to_owned()
}

/// Modules named as `crate::x` or inside `use crate::{…}`; what stands in tests is left aside.
fn named(text: &str) -> BTreeSet<String> {
    named_from(text, "crate::")
}

fn named_from(text: &str, root: &str) -> BTreeSet<String> {
    let code: String = text.lines().take_while(|line| *line != "#[cfg(test)]").collect::<Vec<_>>().join("\n");
    let mut named = BTreeSet::new();
    for after in code.split(root).skip(1) {
        let (group, plural) = match after.strip_prefix('{') {
            Some(group) => (group.split('}').next().unwrap_or_default(), true),
            None => (after, false),
        };
        let parts = if plural { group.split(',').collect() } else { vec![group] };
        for part in parts {
            let name: String =
                part.trim().chars().take_while(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || *c == '_').collect();
            named.insert(name);
        }
    }
    named.remove("");
    named
}

#[test]
fn each_module_names_only_those_that_it_may() {
    let mut wrong = Vec::new();
    for (name, rooms) in MAY_NAME {
        let src = root().join(name).join("src");
        let rooms: BTreeMap<&str, BTreeSet<&str>> =
            rooms.iter().map(|(module, may)| (*module, may.split(' ').collect())).collect();
        let nothing = BTreeSet::new();
        for file in rust_files(&src) {
            let of = module(&src, &file);
            if of == "lib" || is_test(&src, &file) {
                continue;
            }
            let may = rooms.get(of.as_str()).unwrap_or(&nothing);
            let text = std::fs::read_to_string(&file).unwrap();
            for other in named(&text).iter().filter(|other| **other != of && !may.contains(other.as_str())) {
                wrong.push(format!("{name}: {} names {other}", file.strip_prefix(&src).unwrap().display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn imports_inside_the_verifier_run_one_way() {
    let dir = root().join("client/src/verify");
    let files =
        rust_files(&dir).into_iter().filter(|file| !file.file_name().unwrap().to_str().unwrap().starts_with("test"));
    let (mut wrong, mut met) = (Vec::new(), BTreeSet::new());
    for file in files {
        let of = module(&dir, &file);
        let Some(place) = VERIFIER.iter().position(|name| *name == of) else {
            wrong.push(format!("{of} has no place in the order"));
            continue;
        };
        met.insert(place);
        let text = std::fs::read_to_string(&file).unwrap();
        // A part of a module names its siblings by one `super`, and the module's by two or from the crate's root.
        let part = file.parent() != Some(&dir);
        let by_super = named_from(&text, if part { "super::super::" } else { "super::" });
        let others = by_super.into_iter().chain(named_from(&text, "crate::verify::"));
        let later = others.filter(|other| VERIFIER[place..].contains(&other.as_str()) && *other != of);
        wrong.extend(later.map(|other| format!("{} names {other}", file.display())));
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(met.len(), VERIFIER.len(), "every module of the order is there");
}

#[test]
fn the_check_finds_modules_in_every_way_of_naming_them() {
    let text =
        "use crate::one::X;\nuse crate::{two, three::Y};\nfn f() { crate::four::g() }\n#[cfg(test)]\nuse crate::five;";
    let expected: BTreeSet<String> = ["one", "two", "three", "four"].map(str::to_owned).into();
    assert_eq!(named(text), expected);
}

#[test]
fn no_file_is_longer_than_a_reader_can_hold() {
    let long: Vec<String> = ["proto/src", "service/src", "client/src", "tests/src", "tests/tests", "tests/fuzz/src"]
        .iter()
        .flat_map(|dir| rust_files(&root().join(dir)))
        .filter_map(|file| {
            let lines = std::fs::read_to_string(&file).unwrap().lines().count();
            (lines > LONGEST_FILE_LINES).then(|| format!("{} has {lines} lines", file.display()))
        })
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

#[test]
fn nothing_that_people_read_says_that_an_aircraft_is_released() {
    // Where the word stands, it is denied, or it is the name of the fact that holds the other record's reference.
    let may_stand = [
        "not a release",
        "release reference",
        "no release",
        "never release",
        "release_reference",
        "release-reference",
        "area-released",
        "Release",
    ];
    let mut wrong = Vec::new();
    for dir in ["proto/src", "service/src", "client/src"] {
        for file in rust_files(&root().join(dir)).into_iter().filter(|file| !is_test(&root(), file)) {
            let text = std::fs::read_to_string(&file).unwrap();
            let said = text.lines().filter(|line| line.contains('"') && !line.trim_start().starts_with("//"));
            for line in said.filter(|line| line.contains("release") && !may_stand.iter().any(|may| line.contains(may)))
            {
                wrong.push(format!("{}: {}", file.display(), line.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn unsafe_code_is_forbidden_in_every_crate() {
    let read = |path: &str| -> toml::Table {
        std::fs::read_to_string(root().join(path)).unwrap().parse().unwrap_or_else(|e| panic!("{path}: {e}"))
    };
    let workspace = read("Cargo.toml");
    assert_eq!(workspace["workspace"]["lints"]["rust"]["unsafe_code"].as_str(), Some("forbid"));
    for member in workspace["workspace"]["members"].as_array().unwrap() {
        let path = format!("{}/Cargo.toml", member.as_str().unwrap());
        let inherits = read(&path).get("lints").and_then(|lints| lints.get("workspace")?.as_bool());
        assert_eq!(inherits, Some(true), "{path}: add `[lints] workspace = true`");
    }
}
