//! How ingest, queries, starts and audits grow with the log, drawn: two axes, both logarithmic, one line a figure.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Result;

use super::clocks::percentile;
use super::{Run, audit, ingest, queries, start};
use crate::fleet::Fleet;

/// Facts sent to a log of each size.
const FACTS: usize = 40_000;

/// A line: what it shows, and a value at each size.
struct Line {
    name: &'static str,
    points: Vec<(f64, f64)>,
}

/// Measures at every size and writes one SVG a figure into the folder.
pub(super) fn draw(run: &Run, folder: &Path) -> Result<()> {
    std::fs::create_dir_all(folder)?;
    let at = |measure: &dyn Fn(u64) -> Result<f64>| {
        run.sizes().into_iter().map(|size| Ok((size as f64, measure(size)?))).collect::<Result<Vec<_>>>()
    };
    let ingest = at(&|size| {
        let fleet = Fleet::of(size)?;
        start::opened_before(&fleet)?;
        let round = ingest::once(run, &fleet, FACTS)?;
        Ok(round.cpu / round.facts as f64 * 1e6)
    })?;
    let mut asked = Vec::new();
    for size in run.sizes() {
        let mut rounds = queries::rounds(run, size)?;
        let mut half = |pick: fn(&mut queries::Asked) -> &mut Vec<f64>| {
            let mut halves: Vec<f64> = rounds.iter_mut().map(|round| percentile(pick(round), 0.5)).collect();
            percentile(&mut halves, 0.5)
        };
        asked.push((size as f64, half(|round| &mut round.items), half(|round| &mut round.assess)));
    }
    let restart = at(&|size| {
        let (seconds, server) = start::start_seconds(&Fleet::of(size)?)?;
        server.stop()?;
        Ok(seconds)
    })?;
    let audits = at(&|size| Ok(1e6 / audit::entries_a_second(size)?))?;
    let line = |name, points| Line { name, points };
    let items = asked.iter().map(|(size, items, _)| (*size, *items)).collect();
    let assess = asked.iter().map(|(size, _, assess)| (*size, *assess)).collect();
    let drawings = [
        ("ingest", "CPU time a fact, projection included (µs): flat", vec![line("ingest", ingest)]),
        ("query", "one aircraft's answer, p50 (ms): flat", vec![line("items", items), line("assessment", assess)]),
        ("restart", "from a clean stop to the first answer (s)", vec![line("restart", restart)]),
        ("audit", "wall time an entry of a whole audit (µs): flat", vec![line("audit", audits)]),
    ];
    for (name, title, lines) in drawings {
        std::fs::write(folder.join(format!("{name}.svg")), svg(title, &lines))?;
    }
    Ok(())
}

const WIDTH: f64 = 520.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 60.0;
const TOP: f64 = 40.0;
const BOTTOM: f64 = 50.0;
const COLOURS: [&str; 2] = ["#1f5fa8", "#b3541e"];

/// The drawing. The vertical axis spans whole decades, so that a line that looks flat is flat.
fn svg(title: &str, lines: &[Line]) -> String {
    let points = || lines.iter().flat_map(|line| &line.points);
    let span = |pick: fn(&(f64, f64)) -> f64| {
        let all = || points().map(pick);
        let (least, most) = (all().fold(f64::INFINITY, f64::min), all().fold(0.0, f64::max));
        (least.log10().floor(), most.log10().ceil().max(least.log10().floor() + 1.0))
    };
    let ((left, right), (low, high)) = (span(|p| p.0), span(|p| p.1));
    let x = |v: f64| LEFT + (v.log10() - left) / (right - left) * (WIDTH - LEFT - 30.0);
    let y = |v: f64| HEIGHT - BOTTOM - (v.log10() - low) / (high - low) * (HEIGHT - TOP - BOTTOM);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
         font-size=\"12\">\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n\
         <text x=\"{LEFT}\" y=\"22\" font-size=\"14\">{title}</text>\n"
    );
    for decade in low as i32..=high as i32 {
        let (value, at) = (10f64.powi(decade), y(10f64.powi(decade)));
        let _ = writeln!(out, "<path d=\"M{LEFT} {at:.1}H{:.1}\" stroke=\"#ccc\"/>", WIDTH - 30.0);
        let _ = writeln!(out, "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{value}</text>", LEFT - 6.0, at + 4.0);
    }
    for decade in left as i32..=right as i32 {
        let (value, at) = (10f64.powi(decade), x(10f64.powi(decade)));
        let _ = writeln!(out, "<text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{value}</text>", HEIGHT - 30.0);
    }
    let _ = writeln!(
        out,
        "<text x=\"{LEFT}\" y=\"{:.1}\">facts of washes in the log, beside 10,000 aircraft</text>",
        HEIGHT - 10.0
    );
    for (line, colour) in lines.iter().zip(COLOURS) {
        let path: Vec<String> = line.points.iter().map(|(a, b)| format!("{:.1} {:.1}", x(*a), y(*b))).collect();
        let _ =
            writeln!(out, "<path d=\"M{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>", path.join(" L"));
        for (number, (a, b)) in line.points.iter().enumerate() {
            let (at, up) = (x(*a), y(*b));
            let _ = writeln!(out, "<circle cx=\"{at:.1}\" cy=\"{up:.1}\" r=\"3\" fill=\"{colour}\"/>");
            let value = super::figure::short(*b);
            let _ = writeln!(
                out,
                "<text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"{}\" fill=\"{colour}\">{value}</text>",
                up - 8.0,
                // The first stands on the axis: its label goes to the right of it.
                if number == 0 { "start" } else { "middle" }
            );
        }
        if let Some((a, b)) = line.points.first() {
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" fill=\"{colour}\">{}</text>",
                x(*a) + 30.0,
                y(*b) + 16.0,
                line.name
            );
        }
    }
    out + "</svg>\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_that_stays_is_drawn_level_and_one_that_grows_ten_times_a_decade_up() {
        let line = |points: [(f64, f64); 2]| Line { name: "l", points: points.to_vec() };
        let level = svg("t", &[line([(1e4, 30.0), (1e5, 30.0)])]);
        let path = level.lines().find(|l| l.contains("stroke-width")).unwrap();
        let places = path.split(&['M', 'L', '"'][..]).filter(|p| p.starts_with(|c: char| c.is_ascii_digit()));
        let ups: Vec<&str> = places.filter_map(|p| p.trim().split_once(' ')).map(|p| p.1).collect();
        assert_eq!((ups.len(), ups[0]), (2, ups[1]), "{path}");
        assert_ne!(svg("t", &[line([(1e4, 3.0), (1e5, 30.0)])]), level);
    }
}
