//! A timeline as SVG: black on white, patterns for sorts, letters for moments. Presentation attributes only, so that it
//! needs no style sheet, here or in a file of its own.

use std::fmt::Write as _;

use super::super::words;
use super::axis::Axis;
use super::{Bar, Lane, Look, Mark, Sign, Timeline, Track};

const WIDTH: f64 = 980.0;
const LABELS: f64 = 206.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 34.0;
const TITLE: f64 = 30.0;
const TRACK: f64 = 28.0;
const BAR: f64 = 16.0;
const LEGEND_ROW: f64 = 26.0;
const LEGEND_COLUMNS: usize = 4;

impl Timeline {
    /// The drawing.
    pub(in super::super) fn svg(&self) -> String {
        let tracks: usize = self.lanes.iter().map(|lane| lane.tracks.len()).sum();
        let body = TOP + self.lanes.len() as f64 * TITLE + tracks as f64 * TRACK + 10.0;
        let entries = Look::ALL.len() + Sign::ALL.len() + 1;
        let height = body + entries.div_ceil(LEGEND_COLUMNS) as f64 * LEGEND_ROW + 16.0;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height:.0}\" role=\"img\" \
             aria-label=\"Timeline of the wash\" font-family=\"system-ui, sans-serif\" font-size=\"14\" fill=\"#14110d\">"
        );
        out.push_str(PATTERNS);
        let _ = write!(out, "<rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#ffffff\"/>");
        let axis = self.axis();
        self.ticks(&mut out, &axis, body);
        let mut y = TOP;
        for lane in &self.lanes {
            y = self.lane(&mut out, &axis, lane, y);
        }
        legend(&mut out, body);
        out.push_str("</svg>");
        out
    }

    fn axis(&self) -> Axis {
        let tracks = self.lanes.iter().flat_map(|lane| &lane.tracks);
        let begun_or_ended = tracks.flat_map(|track| {
            let bars = track.bars.iter().flat_map(|bar| [Some(bar.from_ms), bar.to_ms]).flatten();
            bars.chain(track.marks.iter().map(|mark| mark.at_ms))
        });
        let within = begun_or_ended.filter(|at_ms| (self.from_ms..=self.to_ms).contains(at_ms));
        Axis::over(within.chain([self.from_ms, self.to_ms]).collect(), LABELS, WIDTH - LABELS - RIGHT)
    }

    fn ticks(&self, out: &mut String, axis: &Axis, bottom: f64) {
        for at_ms in axis.ticks() {
            let _ = write!(
                out,
                "<path d=\"M{x:.1} {TOP}V{bottom:.0}\" stroke=\"#8a857c\" stroke-dasharray=\"1 5\"/>\
                 <text x=\"{x:.1}\" y=\"20\" text-anchor=\"middle\">{}</text>",
                words::clock(at_ms),
                x = axis.x(at_ms)
            );
        }
        for (x, length_ms) in axis.breaks() {
            let _ = write!(
                out,
                "<path d=\"M{:.1} {TOP}V{bottom:.0}M{:.1} {TOP}V{bottom:.0}\" stroke=\"#14110d\" stroke-dasharray=\"8 4\"/>\
                 <text x=\"{x:.1}\" y=\"20\" text-anchor=\"middle\">‹ {} ›</text>",
                x - 3.0,
                x + 3.0,
                words::length(length_ms / 60_000)
            );
        }
    }

    fn lane(&self, out: &mut String, axis: &Axis, lane: &Lane, top: f64) -> f64 {
        let _ = write!(
            out,
            "<path d=\"M0 {top:.0}H{WIDTH}\" stroke=\"#14110d\" stroke-width=\"2\"/>\
             <text x=\"6\" y=\"{:.0}\" font-weight=\"700\" font-size=\"16\">{}</text>",
            top + 20.0,
            words::escaped(&lane.title)
        );
        let mut y = top + TITLE;
        for track in &lane.tracks {
            self.track(out, axis, track, y);
            y += TRACK;
        }
        y
    }

    fn track(&self, out: &mut String, axis: &Axis, track: &Track, y: f64) {
        let middle = y + TRACK / 2.0;
        let _ =
            write!(out, "<text x=\"14\" y=\"{:.0}\">{}</text>", middle + 5.0, words::escaped(&shortened(&track.label)));
        for bar in &track.bars {
            self.bar(out, axis, bar, middle);
        }
        let mut last = f64::MIN;
        let mut marks: Vec<&Mark> = track.marks.iter().collect();
        marks.sort_by_key(|mark| mark.at_ms);
        for mark in marks {
            // Moments too close to be told apart stand beside each other, in order.
            last = axis.x(mark.at_ms).max(last + 18.0);
            sign(out, mark.sign, last.min(WIDTH - 9.0), middle, &title(mark.at_ms, None, &mark.text));
        }
    }

    fn bar(&self, out: &mut String, axis: &Axis, bar: &Bar, middle: f64) {
        let (from, to) = (axis.x(bar.from_ms), axis.x(bar.to_ms.unwrap_or(self.to_ms)));
        let (top, width) = (middle - BAR / 2.0, (to - from).max(3.0));
        let title = match bar.to_ms {
            Some(to_ms) => title(bar.from_ms, Some(to_ms), &bar.text),
            None => format!("{}, open since {}", bar.text, words::clock(bar.from_ms)),
        };
        let _ = write!(
            out,
            "<rect x=\"{from:.1}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{BAR}\" {}><title>{}</title></rect>",
            paint(bar.look),
            words::escaped(&title)
        );
        // What goes on beyond the drawing, or is still open, ends in an arrow head.
        if bar.to_ms.is_none_or(|to_ms| to_ms > self.to_ms) {
            let _ = write!(out, "<path d=\"M{to:.1} {:.1}l10 9l-10 9z\" fill=\"#14110d\"/>", middle - 9.0);
        }
    }
}

fn title(from_ms: u64, to_ms: Option<u64>, text: &str) -> String {
    match to_ms {
        Some(to_ms) => format!("{text}, {} to {}", words::clock(from_ms), words::clock(to_ms)),
        None => format!("{}: {text}", words::clock(from_ms)),
    }
}

fn shortened(label: &str) -> String {
    if label.chars().count() <= 24 { label.to_owned() } else { label.chars().take(23).chain(['…']).collect() }
}

fn sign(out: &mut String, sign: Sign, x: f64, y: f64, title: &str) {
    let shape = match sign {
        Sign::Finding(_) => format!("<path d=\"M{x:.1} {:.1}l10 18h-20z\"", y - 11.0),
        Sign::Other => format!("<rect x=\"{:.1}\" y=\"{:.1}\" width=\"16\" height=\"16\"", x - 8.0, y - 8.0),
        _ => format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"9\""),
    };
    let below = if matches!(sign, Sign::Finding(_)) { 5.5 } else { 5.0 };
    let _ = write!(
        out,
        "<g><title>{}</title>{shape} fill=\"#ffffff\" stroke=\"#14110d\" stroke-width=\"2\"/>\
         <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"14\" font-weight=\"700\">{}</text></g>",
        words::escaped(title),
        y + below,
        sign.letter()
    );
}

fn paint(look: Look) -> &'static str {
    match look {
        Look::Access => "fill=\"url(#rb-dots)\" stroke=\"#14110d\"",
        Look::Line => "fill=\"url(#rb-slant)\" stroke=\"#14110d\" stroke-width=\"2\"",
        Look::Fixture => "fill=\"url(#rb-upright)\" stroke=\"#14110d\"",
        Look::Isolation => "fill=\"url(#rb-cross)\" stroke=\"#14110d\"",
        Look::Motoring => "fill=\"#ffffff\" stroke=\"#14110d\" stroke-width=\"2\"",
        Look::Injection => "fill=\"#14110d\" stroke=\"#14110d\"",
        Look::Soak => "fill=\"url(#rb-level)\" stroke=\"#14110d\"",
        Look::DryCrank => "fill=\"url(#rb-check)\" stroke=\"#14110d\" stroke-width=\"2\"",
        Look::RunUp => "fill=\"url(#rb-chevron)\" stroke=\"#14110d\" stroke-width=\"2\"",
        Look::Window => "fill=\"#ffffff\" stroke=\"#14110d\" stroke-dasharray=\"6 3\"",
    }
}

const PATTERNS: &str = concat!(
    "<defs>",
    "<pattern id=\"rb-dots\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" height=\"6\" fill=\"#ffffff\"/><circle cx=\"3\" cy=\"3\" r=\"1.2\" fill=\"#14110d\"/></pattern>",
    "<pattern id=\"rb-slant\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" height=\"6\" fill=\"#ffffff\"/><path d=\"M-1 7L7 -1M-1 1L1 -1M5 7L7 5\" stroke=\"#14110d\" stroke-width=\"1.6\"/></pattern>",
    "<pattern id=\"rb-upright\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\"><rect width=\"5\" height=\"5\" fill=\"#ffffff\"/><path d=\"M2 0V5\" stroke=\"#14110d\"/></pattern>",
    "<pattern id=\"rb-cross\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\"><rect width=\"7\" height=\"7\" fill=\"#ffffff\"/><path d=\"M0 3.5H7M3.5 0V7\" stroke=\"#14110d\"/></pattern>",
    "<pattern id=\"rb-level\" width=\"6\" height=\"4\" patternUnits=\"userSpaceOnUse\"><rect width=\"6\" height=\"4\" fill=\"#ffffff\"/><path d=\"M0 2H6\" stroke=\"#14110d\"/></pattern>",
    "<pattern id=\"rb-check\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\"><rect width=\"8\" height=\"8\" fill=\"#ffffff\"/><path d=\"M0 0h4v4h-4zM4 4h4v4h-4z\" fill=\"#14110d\"/></pattern>",
    "<pattern id=\"rb-chevron\" width=\"10\" height=\"16\" patternUnits=\"userSpaceOnUse\"><rect width=\"10\" height=\"16\" fill=\"#ffffff\"/><path d=\"M0 0l6 8l-6 8\" fill=\"none\" stroke=\"#14110d\" stroke-width=\"2\"/></pattern>",
    "</defs>"
);

fn legend(out: &mut String, top: f64) {
    let column = WIDTH / LEGEND_COLUMNS as f64;
    let place = |at: usize| {
        let (x, y) =
            ((at % LEGEND_COLUMNS) as f64 * column + 14.0, top + 20.0 + (at / LEGEND_COLUMNS) as f64 * LEGEND_ROW);
        (x, y)
    };
    let word = |out: &mut String, x: f64, y: f64, text: &str| {
        let _ = write!(out, "<text x=\"{:.0}\" y=\"{:.0}\">{text}</text>", x + 46.0, y + 5.0);
    };
    for (at, (look, text)) in Look::ALL.into_iter().enumerate() {
        let (x, y) = place(at);
        let _ = write!(
            out,
            "<rect x=\"{x:.0}\" y=\"{:.0}\" width=\"36\" height=\"{BAR}\" {}/>",
            y - BAR / 2.0,
            paint(look)
        );
        word(out, x, y, text);
    }
    let letters = Sign::ALL.into_iter().chain([(Sign::Finding(1), "finding, numbered below")]);
    for (at, (of, text)) in letters.enumerate() {
        let (x, y) = place(Look::ALL.len() + at);
        sign(out, of, x + 18.0, y, text);
        word(out, x, y, text);
    }
}
