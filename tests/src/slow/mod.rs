//! A second opinion: the rules once more, slow and obvious. It works on a plain list of facts, computes every answer from
//! scratch with nested loops, and shares no code with the rules that it is compared with; the only thing it takes from
//! them is the procedure file as it was read.

pub mod checks;
pub mod compare;
pub mod corrections;
pub mod facts;
pub mod findings;
pub mod items;
pub mod lines;
pub mod order;
pub mod people;
pub mod roster;
pub mod shop;
pub mod story;
pub mod telling;
pub mod times;
pub mod turning;
pub mod water;

use items::OpenItem;
use order::View;

/// Every open item that the record shows, on whatever aircraft.
pub fn open_items(view: &View) -> Vec<OpenItem> {
    let mut out = Vec::new();
    for serial in &view.serials() {
        lines::items(view, serial, &mut out);
        water::items(view, serial, &mut out);
    }
    checks::items(view, &mut out);
    turning::items(view, &mut out);
    findings::items(view, &findings::all(view), &mut out);
    out
}
