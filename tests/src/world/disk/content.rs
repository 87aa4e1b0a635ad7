//! The content of one simulated file: what programs see, what is on the platter, and what lies between.

use crate::world::Dice;
use std::collections::BTreeMap;

/// A disk writes a sector whole or not at all.
pub const SECTOR_BYTES: usize = 512;

type Sector = [u8; SECTOR_BYTES];

/// One file's bytes, twice: as programs read them, and as a power cut leaves them at worst.
#[derive(Debug, Default, Clone)]
pub(super) struct Content {
    cache: Vec<u8>,
    platter: Vec<u8>,
    /// Sectors written since the last sync, with every state that they had meanwhile: any of these may be on the platter.
    dirty: BTreeMap<usize, Vec<Sector>>,
}

/// How a power cut treats what was not synced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mercy {
    /// All of it is lost.
    None,
    /// All of it had reached the platter.
    Full,
    /// Each sector for itself: as it was, or any state that it had since.
    Torn,
}

impl Content {
    pub(super) fn cache(&self) -> &[u8] {
        &self.cache
    }

    pub(super) fn write(&mut self, bytes: &[u8], offset: usize) {
        if bytes.is_empty() {
            return;
        }
        let end = offset + bytes.len();
        if end > self.cache.len() {
            self.cache.resize(end, 0);
        }
        self.cache[offset..end].copy_from_slice(bytes);
        for number in offset / SECTOR_BYTES..end.div_ceil(SECTOR_BYTES) {
            let state = sector(&self.cache, number);
            self.dirty.entry(number).or_default().push(state);
        }
    }

    pub(super) fn truncate(&mut self) {
        self.cache.clear();
        self.platter.clear();
        self.dirty.clear();
    }

    pub(super) fn sync(&mut self) {
        self.platter.resize(self.cache.len(), 0);
        for number in std::mem::take(&mut self.dirty).into_keys() {
            put_sector(&mut self.platter, number, &sector(&self.cache, number));
        }
    }

    /// A sync that failed: the pages count as clean, so that no later sync writes them, yet the platter never got them.
    pub(super) fn lose_sync(&mut self) {
        self.dirty.clear();
    }

    pub(super) fn power_cut(&mut self, mercy: Mercy, dice: &mut Dice) {
        let grown = self.cache.len().saturating_sub(self.platter.len());
        let kept = match mercy {
            Mercy::None => 0,
            Mercy::Full => grown,
            Mercy::Torn => dice.below(grown as u64 + 1) as usize,
        };
        self.platter.resize(self.platter.len() + kept, 0);
        for (number, states) in std::mem::take(&mut self.dirty) {
            let chosen = match mercy {
                Mercy::None => None,
                Mercy::Full => states.last(),
                Mercy::Torn => states.get(dice.below(states.len() as u64 + 1) as usize),
            };
            if let Some(state) = chosen {
                put_sector(&mut self.platter, number, state);
            }
        }
        self.cache = self.platter.clone();
    }

    /// Changes bits for good, as ageing does.
    pub(super) fn flip(&mut self, offset: usize, mask: u8) {
        self.cache[offset] ^= mask;
        if let Some(byte) = self.platter.get_mut(offset) {
            *byte ^= mask;
        }
    }

    /// Puts these bytes there for good.
    pub(super) fn replace(&mut self, bytes: Vec<u8>) {
        self.platter = bytes.clone();
        self.cache = bytes;
        self.dirty.clear();
    }
}

fn sector(bytes: &[u8], number: usize) -> Sector {
    let mut out = [0; SECTOR_BYTES];
    let start = (number * SECTOR_BYTES).min(bytes.len());
    let end = (start + SECTOR_BYTES).min(bytes.len());
    out[..end - start].copy_from_slice(&bytes[start..end]);
    out
}

/// What lies behind the end of the file stays away.
fn put_sector(bytes: &mut [u8], number: usize, state: &Sector) {
    let start = (number * SECTOR_BYTES).min(bytes.len());
    let end = (start + SECTOR_BYTES).min(bytes.len());
    bytes[start..end].copy_from_slice(&state[..end - start]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_synced_survives_a_power_cut_and_what_was_not_may_be_lost() {
        let mut content = Content::default();
        content.write(b"synced", 0);
        content.sync();
        content.write(b"UNSAFE", 0);
        content.power_cut(Mercy::None, &mut Dice::new(1));
        assert_eq!(content.cache(), b"synced");
    }

    #[test]
    fn a_failed_sync_hides_the_loss_until_the_power_fails() {
        let mut content = Content::default();
        content.write(b"old", 0);
        content.sync();
        content.write(b"new", 0);
        content.lose_sync();
        content.sync();
        assert_eq!(content.cache(), b"new");
        content.power_cut(Mercy::Full, &mut Dice::new(1));
        assert_eq!(content.cache(), b"old");
    }

    #[test]
    fn a_write_over_two_sectors_can_be_torn_between_them() {
        let torn = (0..100).any(|seed| {
            let mut content = Content::default();
            content.write(&[0; 1024], 0);
            content.sync();
            content.write(&[1; 1024], 0);
            content.power_cut(Mercy::Torn, &mut Dice::new(seed));
            content.cache()[0] != content.cache()[1023]
        });
        assert!(torn);
    }
}
