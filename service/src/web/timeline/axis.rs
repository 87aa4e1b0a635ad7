//! Time across a drawing. Long stretches in which nothing begins or ends are shortened, so that a dry crank of two minutes
//! can be seen beside a run-up window of twelve hours; where time is shortened, that is drawn and said.

/// What an idle stretch is shortened to, milliseconds.
const IDLE_MS: u64 = 30 * 60_000;

/// Distances between ticks, in minutes.
const STEPS: [u64; 9] = [1, 2, 5, 10, 15, 30, 60, 180, 720];
const MAX_TICKS: u64 = 10;
/// Room that a tick's word takes.
const WORD: f64 = 58.0;

/// From instants to places between two edges.
#[derive(Debug)]
pub(super) struct Axis {
    left: f64,
    scale: f64,
    /// Each stretch: from when, to when, shown as long as.
    stretches: Vec<(u64, u64, u64)>,
}

impl Axis {
    /// Over these instants, in any order, of which the first and last are the edges' own.
    pub(super) fn over(mut instants: Vec<u64>, left: f64, width: f64) -> Axis {
        instants.sort_unstable();
        instants.dedup();
        let stretches: Vec<(u64, u64, u64)> =
            instants.windows(2).map(|pair| (pair[0], pair[1], (pair[1] - pair[0]).min(IDLE_MS))).collect();
        let shown_ms: u64 = stretches.iter().map(|(_, _, shown)| shown).sum();
        Axis { left, scale: width / shown_ms.max(1) as f64, stretches }
    }

    /// Where an instant lies; what lies beyond an edge lies on it.
    pub(super) fn x(&self, at_ms: u64) -> f64 {
        let mut shown = 0.0;
        for (from_ms, to_ms, length) in &self.stretches {
            if at_ms <= *from_ms {
                break;
            }
            let part = (at_ms.min(*to_ms) - from_ms) as f64 / (to_ms - from_ms) as f64;
            shown += part * *length as f64;
        }
        self.left + shown * self.scale
    }

    /// The middle of each shortened stretch, with its true length in milliseconds.
    pub(super) fn breaks(&self) -> Vec<(f64, u64)> {
        let shortened = self.stretches.iter().filter(|(from_ms, to_ms, shown)| to_ms - from_ms > *shown);
        shortened.map(|(from, to, _)| ((self.x(*from) + self.x(*to)) / 2.0, to - from)).collect()
    }

    /// Round instants to be named, none within a shortened stretch, none too near to another or to a break.
    pub(super) fn ticks(&self) -> Vec<u64> {
        let shown_minutes = self.stretches.iter().map(|(_, _, shown)| shown).sum::<u64>() / 60_000;
        let step_ms = STEPS.into_iter().find(|step| shown_minutes / step <= MAX_TICKS).unwrap_or(1440) * 60_000;
        let breaks = self.breaks();
        let mut last = f64::MIN;
        let mut ticks = Vec::new();
        for (from_ms, to_ms, _) in self.stretches.iter().filter(|(from, to, shown)| to - from <= *shown) {
            for at_ms in (from_ms.div_ceil(step_ms) * step_ms..=*to_ms).step_by(step_ms as usize) {
                let x = self.x(at_ms);
                if x - last >= WORD && breaks.iter().all(|(at, _)| (at - x).abs() >= WORD * 1.2) {
                    ticks.push(at_ms);
                    last = x;
                }
            }
        }
        ticks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE_MS: u64 = 60_000;

    #[test]
    fn time_goes_on_evenly_where_something_happens_and_is_shortened_where_nothing_does() {
        let at = |minutes: u64| minutes * MINUTE_MS;
        let axis = Axis::over(vec![at(0), at(10), at(20), at(620), at(630)], 100.0, 700.0);
        // 10 + 10 + 30 (of 600) + 10 minutes shown on 700: 11 2/3 a minute.
        let near = |a: f64, b: f64| assert!((a - b).abs() < 0.01, "{a} {b}");
        near(axis.x(at(0)), 100.0);
        near(axis.x(at(5)), 100.0 + 5.0 * 700.0 / 60.0);
        near(axis.x(at(620)), 100.0 + 50.0 * 700.0 / 60.0);
        near(axis.x(at(900)), 800.0);
        assert_eq!(axis.breaks().len(), 1);
        near(axis.breaks()[0].0, 100.0 + 35.0 * 700.0 / 60.0);
        assert_eq!(axis.breaks()[0].1, at(600));
    }

    #[test]
    fn order_is_kept_and_no_tick_stands_in_a_shortened_stretch() {
        let instants: Vec<u64> = [0, 3, 4, 90, 91, 95, 1500].map(|m| m * MINUTE_MS).to_vec();
        let axis = Axis::over(instants.clone(), 0.0, 900.0);
        let places: Vec<f64> = (0..=1500).map(|m| axis.x(m * MINUTE_MS)).collect();
        assert!(places.windows(2).all(|pair| pair[0] < pair[1]));
        for tick in axis.ticks() {
            assert!(tick <= 4 * MINUTE_MS || (90 * MINUTE_MS..=95 * MINUTE_MS).contains(&tick), "{tick}");
        }
    }
}
