//! The rule book as stories: every file in `tests/scenarios` is played, and what the rules say at each moment is compared
//! with what stands there, exactly.

use std::path::Path;

use rinsebook_tests::scenario::{self, Run, Scenario};

const PROCEDURES: [&str; 7] = [
    include_str!("../../deploy/procedures/ossavar-t2.toml"),
    include_str!("../../deploy/procedures/tellmark-r5.toml"),
    include_str!("../scenarios/procedures/bare.toml"),
    include_str!("../scenarios/procedures/line.toml"),
    include_str!("../scenarios/procedures/two-lines.toml"),
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
