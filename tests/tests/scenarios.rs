//! The rule book as stories: every file in `tests/scenarios` is played, and what the rules say at each moment is compared
//! with what stands there, exactly.

use std::collections::BTreeSet;
use std::path::Path;

use rinsebook_proto::rules::Rule;
use rinsebook_tests::scenario::{self, Run, Scenario};

const PROCEDURES: [&str; 9] = [
    include_str!("../../deploy/procedures/ossavar-t2.toml"),
    include_str!("../../deploy/procedures/tellmark-r5.toml"),
    include_str!("../scenarios/procedures/bare.toml"),
    include_str!("../scenarios/procedures/bare-four.toml"),
    include_str!("../scenarios/procedures/line.toml"),
    include_str!("../scenarios/procedures/two-lines.toml"),
    include_str!("../scenarios/procedures/two-rows.toml"),
    include_str!("../scenarios/procedures/cowls.toml"),
    include_str!("../scenarios/procedures/fittings.toml"),
];

fn scenarios() -> Vec<Scenario> {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let mut files: Vec<_> = std::fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|e| e == "toml"));
    files.sort();
    let read = |file: &std::path::PathBuf| {
        let text = std::fs::read_to_string(file).unwrap();
        scenario::read(&text).unwrap_or_else(|e| panic!("{}: {e:#}", file.display()))
    };
    files.iter().flat_map(read).collect()
}

fn run(scenario: &Scenario) -> Run {
    scenario.run(&PROCEDURES).unwrap_or_else(|e| panic!("{}: {e:#}", scenario.title))
}

#[test]
fn every_scenario_is_told_exactly_as_it_stands_there() {
    let all = scenarios();
    let mut wrong = Vec::new();
    for scenario in &all {
        let run = run(scenario);
        wrong.extend(run.wrong.iter().map(|why| format!("{}\n  {why}", scenario.title)));
        for near in scenario.close_to.iter().filter(|rule| run.rules.contains(&rule.as_str())) {
            wrong.push(format!("{}\n  it raises {near}, and should only come near", scenario.title));
        }
    }
    assert!(wrong.is_empty(), "{} of {} scenarios:\n{}", wrong.len(), all.len(), wrong.join("\n\n"));
}

#[test]
fn every_kind_of_item_is_opened_and_closed_by_some_scenario() {
    let runs: Vec<Run> = scenarios().iter().map(run).collect();
    let seen = scenario::opened_and_closed(&runs);
    let never: Vec<_> = seen.iter().filter(|(_, (opened, closed))| !opened || !closed).collect();
    assert!(never.is_empty(), "kind, whether opened, whether closed: {never:#?}");
}

#[test]
fn every_rule_is_broken_by_some_scenario_and_nearly_broken_by_another() {
    let all = scenarios();
    let broken: BTreeSet<&str> = all.iter().flat_map(|scenario| run(scenario).rules).collect();
    let nearly: BTreeSet<&str> = all.iter().flat_map(|s| s.close_to.iter().map(String::as_str)).collect();
    let every: BTreeSet<&str> = Rule::ALL.iter().map(|rule| rule.name()).collect();
    let unknown: Vec<_> = nearly.difference(&every).collect();
    assert!(unknown.is_empty(), "no rules: {unknown:?}");
    let (unbroken, not_near): (Vec<_>, Vec<_>) =
        (every.difference(&broken).collect(), every.difference(&nearly).collect());
    assert!(unbroken.is_empty() && not_near.is_empty(), "never broken: {unbroken:#?}\nnever nearly: {not_near:#?}");
}

#[test]
fn there_are_at_least_a_hundred_and_twenty_of_them_and_no_two_have_one_title() {
    let all = scenarios();
    let titles: BTreeSet<&str> = all.iter().map(|scenario| scenario.title.as_str()).collect();
    assert_eq!(titles.len(), all.len());
    assert!(all.len() >= 120, "{}", all.len());
}
