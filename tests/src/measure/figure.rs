//! What a measurement says: one value against its limit, the parts it is made of, and how far its rounds were apart.

use std::fmt::Write as _;

/// Which side of the bound is good.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reach {
    /// The ratio is to be this at most.
    AtMost(f64),
    /// The ratio is to be this at least.
    AtLeast(f64),
}

/// A part, with its unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What it is.
    pub name: String,
    /// How much.
    pub value: f64,
    /// Of what.
    pub unit: &'static str,
}

/// See the module. `ratio` is value ÷ limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Its name, as on the command line.
    pub figure: &'static str,
    /// What of it, where it has several.
    pub of: String,
    /// The median of its rounds.
    pub value: f64,
    /// What it is held against.
    pub limit: f64,
    /// Of value and limit.
    pub unit: &'static str,
    /// Facts, questions or writes that it rests on, in each round.
    pub n: u64,
    /// What the ratio has to be.
    pub reach: Reach,
    /// The least and the largest ratio of its rounds.
    pub spread: (f64, f64),
    /// How many.
    pub rounds: usize,
    /// What value and limit are made of, from the round with the median.
    pub parts: Vec<Part>,
}

/// One round's value and limit, with their parts.
#[derive(Debug, Clone, Default)]
pub struct Round {
    /// The value.
    pub value: f64,
    /// Its limit.
    pub limit: f64,
    /// What they are made of.
    pub parts: Vec<Part>,
}

impl Round {
    /// A round without parts.
    pub fn new(value: f64, limit: f64) -> Round {
        Round { value, limit, parts: vec![] }
    }

    /// With this part.
    pub fn with(mut self, name: impl Into<String>, value: f64, unit: &'static str) -> Round {
        self.parts.push(Part { name: name.into(), value, unit });
        self
    }
}

impl Figure {
    /// From the rounds: the one whose ratio is in the middle stands for them.
    ///
    /// # Panics
    /// Without a round.
    pub fn of(
        figure: &'static str,
        of: impl Into<String>,
        unit: &'static str,
        n: u64,
        reach: Reach,
        mut rounds: Vec<Round>,
    ) -> Figure {
        let ratio = |round: &Round| round.value / round.limit;
        rounds.sort_by(|a, b| ratio(a).total_cmp(&ratio(b)));
        let spread = (ratio(&rounds[0]), ratio(&rounds[rounds.len() - 1]));
        let count = rounds.len();
        let Round { value, limit, parts } = rounds.swap_remove(count / 2);
        Figure { figure, of: of.into(), value, limit, unit, n, reach, spread, rounds: count, parts }
    }

    /// Value ÷ limit.
    pub fn ratio(&self) -> f64 {
        self.value / self.limit
    }

    /// Whether it is where it has to be.
    pub fn is_reached(&self) -> bool {
        match self.reach {
            Reach::AtMost(bound) => self.ratio() <= bound,
            Reach::AtLeast(bound) => self.ratio() >= bound,
        }
    }

    fn bound(&self) -> String {
        match self.reach {
            Reach::AtMost(bound) => format!("≤ {bound}"),
            Reach::AtLeast(bound) => format!("≥ {bound}"),
        }
    }

    /// One JSON object, in a line.
    pub fn json(&self) -> String {
        let parts = self.parts.iter().map(|p| serde_json::json!({"name": p.name, "value": p.value, "unit": p.unit}));
        serde_json::json!({
            "figure": self.figure,
            "of": self.of,
            "value": self.value,
            "limit": self.limit,
            "ratio": self.ratio(),
            "unit": self.unit,
            "n": self.n,
            "to_reach": self.bound(),
            "reached": self.is_reached(),
            "rounds": self.rounds,
            "ratio_min": self.spread.0,
            "ratio_max": self.spread.1,
            "parts": parts.collect::<Vec<_>>(),
        })
        .to_string()
    }

    /// A row of the table, in Markdown.
    pub fn row(&self) -> String {
        let name = if self.of.is_empty() { self.figure.to_owned() } else { format!("{}: {}", self.figure, self.of) };
        let mut parts = String::new();
        for part in &self.parts {
            let comma = if parts.is_empty() { "" } else { "; " };
            let _ = write!(parts, "{comma}{} {} {}", part.name, short(part.value), part.unit);
        }
        format!(
            "| {name} | {} {} | {} {} | {} ({}–{}) | {} | {} | {} | {parts} |",
            short(self.value),
            self.unit,
            short(self.limit),
            self.unit,
            short(self.ratio()),
            short(self.spread.0),
            short(self.spread.1),
            self.bound(),
            if self.is_reached() { "yes" } else { "**no**" },
            self.n,
        )
    }
}

/// The table's head, in Markdown.
pub const HEAD: &str = "| figure | value | limit | ratio (least–largest of the rounds) | to reach | reached | n | parts |\n\
                        |---|---|---|---|---|---|---|---|";

/// Three digits that count.
pub fn short(value: f64) -> String {
    match value.abs() {
        v if v >= 1000.0 => format!("{value:.0}"),
        v if v >= 100.0 => format!("{value:.1}"),
        v if v >= 1.0 => format!("{value:.2}"),
        v if v > 0.0 && v < 0.001 => format!("{value:.1e}"),
        _ => format!("{value:.3}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_round_in_the_middle_stands_for_all_and_the_bound_decides() {
        let rounds = [3.0, 1.0, 2.0].map(|value| Round::new(value, 2.0).with("part", value, "s")).to_vec();
        let figure = Figure::of("f", "", "s", 7, Reach::AtMost(1.0), rounds.clone());
        assert_eq!((figure.value, figure.ratio(), figure.spread), (2.0, 1.0, (0.5, 1.5)));
        assert_eq!(figure.parts[0].value, 2.0);
        assert!(figure.is_reached());
        assert!(!Figure::of("f", "", "s", 7, Reach::AtLeast(1.1), rounds).is_reached());
        let json: serde_json::Value = serde_json::from_str(&figure.json()).unwrap();
        assert_eq!((&json["ratio"], &json["n"]), (&1.0.into(), &7.into()));
    }
}
