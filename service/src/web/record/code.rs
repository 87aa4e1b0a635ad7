//! A QR code as SVG: one path of squares, with the quiet zone of four that ISO/IEC 18004 asks.

use std::fmt::Write as _;

use qrcode::types::Color;
use qrcode::{EcLevel, QrCode};

const QUIET: usize = 4;

/// The drawing; none where the text is too long for a code.
pub(super) fn svg(text: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
    let (width, side) = (code.width(), code.width() + 2 * QUIET);
    let mut path = String::new();
    for (at, color) in code.to_colors().into_iter().enumerate() {
        if color == Color::Dark {
            let _ = write!(path, "M{} {}h1v1h-1z", at % width + QUIET, at / width + QUIET);
        }
    }
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" role=\"img\" \
         aria-label=\"Code with the words beside it\" shape-rendering=\"crispEdges\">\
         <rect width=\"{side}\" height=\"{side}\" fill=\"#ffffff\"/><path d=\"{path}\" fill=\"#000000\"/></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_has_a_square_for_each_dark_module_and_room_around() {
        let svg = svg("rinsebook.invalid/local/1 17").unwrap();
        let code = QrCode::with_error_correction_level("rinsebook.invalid/local/1 17", EcLevel::M).unwrap();
        let dark = code.to_colors().into_iter().filter(|c| *c == Color::Dark).count();
        assert_eq!(svg.matches("h1v1h-1z").count(), dark);
        assert!(svg.contains("M4 4h1"), "the first finder pattern begins behind the quiet zone");
    }
}
