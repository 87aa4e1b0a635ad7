//! Places in devices' runs, as far as a part of the log shows them: they ascend, and neighbours name one another.

use std::collections::HashMap;

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::chain::MAX_LOST_PLACES;
use rinsebook_proto::fact::Kind;

use super::super::keys::Keys;
use super::{Found, Item, at};

/// The newest place of a run that the pack shows.
struct Last {
    counter: u64,
    /// What the next place must name; none: anything.
    digest: Option<Hash>,
}

type Run = (Id, Id);

pub(super) fn check(items: &[Item], keys: &Keys) -> Result<(), Found> {
    let mut runs: HashMap<Run, Last> = HashMap::new();
    for item in items {
        let header = item.fact().header();
        let wrong = at(item.index(), "link", "device chain");
        let own = (header.device, header.run);
        let named = Some(header.previous);
        take(&mut runs, own, header.counter, header.counter, named, Some(item.fact().hash())).map_err(&wrong)?;
        if !keys.is_service_device(&header.device) {
            continue;
        }
        let told = match item.fact().kind() {
            Some(Kind::FactRefused(b)) => {
                Some((&b.device, &b.run, b.counter, b.counter, Hash::from_slice(&b.received_digest)))
            }
            Some(Kind::PlacesLost(b)) => Some((&b.device, &b.run, b.first_counter, b.last_counter, None)),
            _ => None,
        };
        if let Some((device, run, first, last, digest)) = told {
            let (Some(device), Some(run)) = (Id::from_slice(device), Id::from_slice(run)) else {
                return Err(wrong("a service fact names no device or run"));
            };
            take(&mut runs, (device, run), first, last, None, digest).map_err(&wrong)?;
        }
    }
    Ok(())
}

fn take(
    runs: &mut HashMap<Run, Last>,
    run: Run,
    first: u64,
    last: u64,
    names: Option<Hash>,
    digest: Option<Hash>,
) -> Result<(), &'static str> {
    if last < first || last - first >= MAX_LOST_PLACES {
        return Err("a lost range that runs backwards, or is longer than one may be");
    }
    if let Some(before) = runs.get(&run) {
        if first <= before.counter {
            return Err("its place in the run is taken, or stands before one that came earlier");
        }
        let neighbours = first == before.counter + 1;
        let parted = before.digest.zip(names).is_some_and(|(held, named)| held != named);
        if neighbours && parted {
            return Err("it does not name what holds the place before it");
        }
    }
    runs.insert(run, Last { counter: last, digest });
    Ok(())
}
