//! The measuring program on a log so small that its figures mean nothing: what it prints is what is promised.

use std::process::{Command, Output};

use serde_json::Value;

fn measure(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_measure"));
    command.args(args).env("RINSEBOOK_MEASURE_LARGE", "1000").env("RINSEBOOK_MEASURE_ROUNDS", "1");
    command.output().unwrap()
}

#[test]
fn each_figure_is_one_json_object_a_line_and_its_ratio_is_its_value_by_its_limit() {
    let output = measure(&["disk", "restart", "rebuild", "memory", "--json"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told = String::from_utf8(output.stdout).unwrap();
    let figures: Vec<Value> = told.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let names: Vec<&str> = figures.iter().map(|figure| figure["figure"].as_str().unwrap()).collect();
    assert_eq!(names, ["disk", "restart", "memory", "rebuild"]);
    for figure in &figures {
        let number = |field: &str| figure[field].as_f64().unwrap_or_else(|| panic!("{field} of {figure}"));
        assert!(number("value") > 0.0 && number("limit") > 0.0 && number("n") > 0.0, "{figure}");
        assert!((number("ratio") - number("value") / number("limit")).abs() < 1e-9, "{figure}");
        assert!(number("ratio_min") <= number("ratio") && number("ratio") <= number("ratio_max"), "{figure}");
        assert!(figure["unit"].is_string() && figure["reached"].is_boolean(), "{figure}");
    }
}

#[test]
fn a_figure_that_is_none_is_refused_and_those_that_are_there_are_named() {
    let output = measure(&["speed"]);
    assert!(!output.status.success());
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.contains("there is no figure speed") && told.contains("ack-latency"), "{told}");
}
