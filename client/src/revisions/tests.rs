//! Differences of procedures, on the texts that are deployed.

use super::*;

const OSSAVAR: &str = include_str!("../../../deploy/procedures/ossavar-t2.toml");
const TELLMARK: &str = include_str!("../../../deploy/procedures/tellmark-r5.toml");

fn compared(old: &str, new: &str) -> Compared {
    let [a, b] = [old, new].map(|text| Procedure::parse(text).unwrap());
    compare((old, &a), (new, &b)).unwrap()
}

fn told(compared: &Compared) -> String {
    let mut out = Vec::new();
    tell(compared, &mut out, |head, text, out| writeln!(out, "{head}{text}")).unwrap();
    String::from_utf8(out).unwrap()
}

/// Every path of a tree, lists by their entries.
fn paths(path: &[Step], value: &Value, all: &mut Vec<Vec<Step>>) {
    let under = |step| [path, &[step]].concat();
    match value {
        Value::Table(table) => {
            table.iter().for_each(|(key, held)| paths(&under(Step::Key(key.clone())), held, all));
        }
        Value::Array(entries) => entries.iter().for_each(|held| {
            let entry = under(Step::Entry(words::called(held)));
            all.push(entry.clone());
            paths(&entry, held, all);
        }),
        _ => all.push(path.to_owned()),
    }
}

fn key(name: &str) -> Vec<Step> {
    name.split('.').map(|key| Step::Key(key.to_owned())).collect()
}

#[test]
fn every_path_of_a_procedure_has_words_and_no_words_are_for_a_path_that_none_has() {
    let mut all = Vec::new();
    for text in [OSSAVAR, TELLMARK] {
        let tree: Table = toml::from_str(text).unwrap();
        for (key, held) in tree.iter().filter(|(key, _)| !NAMES.contains(&key.as_str())) {
            paths(&[Step::Key(key.clone())], held, &mut all);
        }
    }
    let without: Vec<&Vec<Step>> = all.iter().filter(|path| words::words(path).is_none()).collect();
    assert!(all.len() > 50 && without.is_empty(), "{without:?}");
    let known: BTreeSet<String> = all.iter().map(|path| words::general(path)).collect();
    let lists = ["motoring.starter_duty", "run_up.overdue_closed_by"];
    let odd: Vec<&str> = words::WORDS.iter().map(|(path, _)| *path).filter(|path| !known.contains(*path)).collect();
    assert!(odd.iter().all(|path| lists.contains(path)), "{odd:?}");
}

#[test]
fn comments_layout_numbers_of_revisions_and_the_order_of_entries_change_no_meaning() {
    assert!(compared(OSSAVAR, OSSAVAR).same_text);
    let bare: String =
        OSSAVAR.lines().map(|line| line.split(" #").next().unwrap_or_default().to_owned() + "\n").collect();
    let moved = bare.replace("[\"run-up\", \"dried-otherwise\",", "[\"dried-otherwise\", \"run-up\",");
    let swapped = moved.replace("\"supply hose\"", "\"x\"").replace("\"spray adapter\"", "\"supply hose\"");
    let swapped = swapped.replace("\"x\"", "\"spray adapter\"").replace("revision = 1", "revision = 2");
    assert_ne!(swapped, moved);
    let same = compared(OSSAVAR, &swapped);
    assert!(same.same_meaning && !same.same_text && same.first.is_empty(), "{same:?}");
    assert!(told(&same).contains("only names, comments, layout or the order of entries differ"), "{}", told(&same));
}

#[test]
fn limits_timing_ways_out_and_entries_are_told_old_and_new_with_their_units() {
    let new = OSSAVAR
        .replace("revision = 1", "revision = 2")
        .replace("window_min_tenths_celsius = 600", "window_min_tenths_celsius = 625")
        .replace("soak_s = 300", "soak_s = 450")
        .replace("window_s = 43_200", "window_s = 36_000")
        .replace(", \"decision\"]", "]")
        .replace("rest_s = 300", "rest_s = 600")
        .replace("torque_min_millinewton_metres = 15_000", "torque_min_millinewton_metres = 15_500")
        .replace("leak_check = false", "leak_check = true")
        .replace("locking = \"self-locking\" # invented\n", "")
        .replace("[[fixtures]]\nname = \"supply hose\"\n", "")
        .replace(
            "[[isolations]]\nname = \"reverser\"\ntested = true",
            "[[isolations]]\nname = \"bleed [a].b\"\ntested = false",
        );
    let compared = compared(OSSAVAR, &new);
    let text = told(&compared);
    for line in [
        "  water\n    water no colder than: 60 °C → 62.5 °C\n",
        "    starter rests for at least: 5 min (300 s) → 10 min (600 s)\n",
        "    soak: 5 min (300 s) → 7 min 30 s (450 s)\n",
        "    run-up window from the first injection: 12 h (43200 s) → 10 h (36000 s)\n",
        "    a way to close an overdue run-up removed, was: decision\n",
        "  line PS-1\n    torque at least: 15 N·m → 15.5 N·m\n",
        "  line MV-2\n    leak or function check asked: no → yes\n    locked by: self-locking → nothing asked\n",
        "  fixture supply hose\n    fixture removed\n",
        "  isolation bleed [a].b\n    isolation added: tested when restored: no\n",
        "  isolation reverser\n    isolation removed, was: tested when restored: yes\n",
    ] {
        assert!(text.contains(line), "{line} in:\n{text}");
    }
    assert!(text.ends_with("11 differences in what is asked\n"), "{text}");
    assert!(!compared.same_meaning);
}

#[test]
fn another_engine_type_or_procedure_and_a_step_back_are_said_before_anything_else() {
    let other = told(&compared(OSSAVAR, TELLMARK));
    assert!(other.starts_with("NOTE  these are for different engine types, Ossavar T2 and Tellmark R5"), "{other}");
    assert!(other.contains("NOTE  these are different procedures"), "{other}");
    let typed = compared(OSSAVAR, &OSSAVAR.replace("engine_type = \"Ossavar T2\"", "engine_type = \"Ossavar T3\""));
    assert!(typed.changes.is_empty() && !typed.same_meaning, "{typed:?}");
    let newer = OSSAVAR.replace("revision = 1", "revision = 2");
    assert!(told(&compared(&newer, OSSAVAR)).starts_with("NOTE  the second is the older one"));
    let twin = told(&compared(OSSAVAR, &OSSAVAR.replace("soak_s = 300", "soak_s = 301")));
    assert!(twin.starts_with("NOTE  both call themselves revision 1, and yet they differ"), "{twin}");
}

#[test]
fn a_path_without_words_is_told_by_its_path() {
    let mut changes = Vec::new();
    walk(&key("rinse.hot_s"), None, Some(&Value::Integer(90)), &mut changes);
    walk(&key("rinse.names"), Some(&Value::Array(vec!["a".into()])), None, &mut changes);
    let told: Vec<String> = changes.iter().map(sentence).collect();
    assert_eq!(told, ["rinse.hot_s: nothing asked → 1 min 30 s (90 s)", "rinse.names[a] removed, was: a"]);
    assert_eq!(changes[0].about, "rinse");
}
