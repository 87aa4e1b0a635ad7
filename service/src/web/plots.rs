//! Plain plots: a bar a value, the number beside it; and small columns over time. Black on white, told in words too.

use std::fmt::Write as _;

use super::words::escaped;

/// So narrow that a phone shows it in its own size.
const WIDTH: f64 = 320.0;
const ROW: f64 = 46.0;
const NUMBER: f64 = 70.0;

/// A label and how many; `of` gives a second number, such as the washes that waivers are counted over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Value {
    pub(super) label: String,
    pub(super) count: u64,
    pub(super) of: Option<u64>,
}

/// One bar a value, in the order given.
pub(super) fn bars(title: &str, values: &[Value]) -> String {
    let height = ROW * values.len().max(1) as f64 + 6.0;
    let mut out = begin(title, height);
    let most = values.iter().map(|v| v.count).max().unwrap_or(0).max(1) as f64;
    if values.is_empty() {
        let _ = write!(out, "<text x=\"0\" y=\"18\">none recorded</text>");
    }
    for (at, value) in values.iter().enumerate() {
        let y = at as f64 * ROW + 4.0;
        let width = value.count as f64 / most * (WIDTH - NUMBER);
        let of = value.of.map(|of| format!(" of {of}")).unwrap_or_default();
        let _ = write!(
            out,
            "<text x=\"0\" y=\"{:.0}\">{}</text>\
             <rect x=\"0\" y=\"{:.0}\" width=\"{width:.1}\" height=\"16\" fill=\"#0a2f3a\"/>\
             <text x=\"{:.1}\" y=\"{:.0}\" font-weight=\"700\">{}{of}</text>",
            y + 13.0,
            escaped(&shortened(&value.label)),
            y + 19.0,
            width + 6.0,
            y + 32.0,
            value.count
        );
    }
    out + "</svg>"
}

/// One small row of columns a label, over the same periods, oldest first. The number in each column is said where it is
/// not zero.
pub(super) fn columns(title: &str, periods: &[String], rows: &[(String, Vec<u64>)]) -> String {
    const TALL: f64 = 70.0;
    let height = TALL * rows.len().max(1) as f64 + 24.0;
    let mut out = begin(title, height);
    if rows.is_empty() {
        let _ = write!(out, "<text x=\"0\" y=\"18\">none recorded</text>");
    }
    let most = rows.iter().flat_map(|(_, counts)| counts).max().copied().unwrap_or(0).max(1) as f64;
    let step = WIDTH / periods.len().max(1) as f64;
    for (row, (label, counts)) in rows.iter().enumerate() {
        let base = row as f64 * TALL + TALL - 4.0;
        let _ = write!(
            out,
            "<text x=\"0\" y=\"{:.0}\">{}</text><path d=\"M0 {base:.0}H{WIDTH}\" stroke=\"#14110d\"/>",
            base - TALL + 20.0,
            escaped(&shortened(label))
        );
        for (at, count) in counts.iter().enumerate().filter(|(_, count)| **count > 0) {
            let (x, tall) = (at as f64 * step, *count as f64 / most * (TALL - 40.0));
            let _ = write!(
                out,
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{tall:.1}\" fill=\"#0a2f3a\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"14\">{count}</text>",
                x + 2.0,
                base - tall,
                step - 4.0,
                x + step / 2.0,
                base - tall - 2.0
            );
        }
    }
    let foot = height - 6.0;
    for (at, period) in periods.iter().enumerate().filter(|(at, _)| at % 4 == 0) {
        let _ = write!(
            out,
            "<text x=\"{:.1}\" y=\"{foot:.0}\" font-size=\"14\">{}</text>",
            at as f64 * step,
            escaped(period)
        );
    }
    out + "</svg>"
}

fn begin(title: &str, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" aria-label=\"{}\" \
         font-family=\"system-ui, sans-serif\" font-size=\"14\" fill=\"#14110d\">",
        escaped(title)
    )
}

fn shortened(label: &str) -> String {
    if label.chars().count() <= 32 { label.to_owned() } else { label.chars().take(31).chain(['…']).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_stands_beside_its_bar_and_the_longest_bar_is_the_greatest_value() {
        let value = |label: &str, count| Value { label: label.to_owned(), count, of: Some(9) };
        let svg = bars("t", &[value("few", 2), value("many", 8)]);
        assert!(svg.contains("2 of 9") && svg.contains("8 of 9"));
        let widths: Vec<f64> =
            svg.split("width=\"").skip(1).filter_map(|rest| rest.split('"').next()?.parse().ok()).collect();
        assert!(widths.windows(2).all(|pair| pair[0] < pair[1]), "{widths:?}");
    }

    #[test]
    fn nothing_recorded_is_said() {
        assert!(bars("t", &[]).contains("none recorded"));
        assert!(columns("t", &[], &[]).contains("none recorded"));
    }
}
