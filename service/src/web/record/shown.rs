//! What a record shows, as blocks whose every string stands in an element of its own: so the strings can be signed, and a
//! browser can tell whether those that it shows are the same.

use super::super::words::line;

/// A piece of a section.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Block {
    Title(String),
    Heading(String),
    Text(String),
    /// Set apart: it must be read.
    Notice(String),
    Notes(Vec<String>),
    Table {
        head: Vec<String>,
        rows: Vec<Vec<String>>,
    },
    /// A drawing; its words are strings like others, its shapes are not checked.
    Drawing(String),
    /// A code for a camera, with its words beside it.
    Code {
        svg: String,
        lines: Vec<String>,
    },
}

/// Blocks that the service derived and signs together.
pub(super) type Section = Vec<Block>;

impl Block {
    pub(super) fn heading(text: &str) -> Block {
        Block::Heading(text.to_owned())
    }

    pub(super) fn text(text: impl Into<String>) -> Block {
        Block::Text(text.into())
    }

    pub(super) fn table(head: &[&str], rows: Vec<Vec<String>>) -> Block {
        Block::Table { head: head.iter().map(|text| (*text).to_owned()).collect(), rows }
    }

    /// Its strings, in the order of the page.
    fn strings(&self) -> Vec<String> {
        match self {
            Block::Title(text) | Block::Heading(text) | Block::Text(text) | Block::Notice(text) => vec![text.clone()],
            Block::Notes(notes) => notes.clone(),
            Block::Table { head, rows } => head.iter().chain(rows.iter().flatten()).cloned().collect(),
            Block::Drawing(svg) => strings_of(svg),
            Block::Code { svg, lines } => strings_of(svg).into_iter().chain(lines.iter().cloned()).collect(),
        }
    }
}

/// A section's strings as a browser finds them: spaces collapsed, empty ones left out.
pub(super) fn strings(section: &[Block]) -> Vec<String> {
    let all = section.iter().flat_map(Block::strings).map(|text| line(&text));
    all.filter(|text| !text.is_empty()).collect()
}

/// The text nodes of an SVG that we drew ourselves.
fn strings_of(svg: &str) -> Vec<String> {
    let after = svg.split('<').filter_map(|piece| piece.split_once('>')).map(|(_, text)| text);
    let plain = |text: &str| {
        let text = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&#39;", "'");
        text.replace("&amp;", "&")
    };
    after.map(plain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strings_stand_in_the_order_of_the_page_without_empty_ones() {
        let section = vec![
            Block::heading("Lines"),
            Block::table(&["a", ""], vec![vec!["1  2".to_owned(), " ".to_owned()], vec!["3".to_owned()]]),
            Block::Drawing("<svg><text>x &lt; &amp;lt;</text><g/></svg>".to_owned()),
        ];
        assert_eq!(strings(&section), ["Lines", "a", "1 2", "3", "x < &lt;"]);
    }
}
