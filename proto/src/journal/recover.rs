//! Opening: read everything, decide, and only then mend the end. What was sealed before the last two files is read once, and
//! shown to the visitor as it is read: nothing there can be in want of mending. The last two are shown once they are mended.
//!
//! What was synced is never changed: damage there is rot, and opening fails with everything left as it is. Behind the last
//! proof of a sync one write may have been cut short; what is not whole there is cut, and what is whole is written again
//! in place, for it may so far be in memory only. A roll to a new file that was interrupted is finished.

use super::{
    Damage, Fault, JournalError, Options,
    bytes::{FrameType, HEADER_BYTES, Header, Place, push_frame},
    disk::{Disk, DiskFile},
    folder::{Folder, check_sequence, segment_name, whole_file},
    frame::{Segment, Trouble, write_zeros},
    read::{Bad, SegmentReader, Step},
    scan::{self, Scan, Visit},
};
use std::path::Path;

/// Files at the end that may be in want of mending: a roll to the last one may have been interrupted.
const UNSETTLED: usize = 2;

/// What opening found and did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Files.
    pub segments: u64,
    /// Whole groups.
    pub groups: u64,
    /// Records in them; the next one has this index.
    pub records: u64,
    /// Bytes of a write that was cut short, now zero again. Nothing of it had been acknowledged.
    pub torn_bytes_cut: u64,
    /// Where those bytes began.
    pub cut_at: Option<(String, u64)>,
    /// Whole records that nothing proved to be synced, written again in place and synced.
    pub records_rewritten: u64,
    /// Whether a new file had been begun when the program stopped, and was finished or cleared.
    pub roll_interrupted: bool,
}

/// A journal fit for the next group.
pub(super) struct Mended {
    pub(super) segment: Segment,
    pub(super) next_index: u64,
    /// What the last durable mark in the file says.
    pub(super) marked: u64,
    /// Syncs made on the way.
    pub(super) syncs: u64,
    pub(super) recovered: Recovered,
    /// First indices of the files that the visitor has not seen yet.
    pub(super) unseen: Vec<u64>,
}

/// Creates the journal if the folder holds none, else brings it to a state that a strict walk accepts. Files before the one
/// that begins at `from` are not looked at. `visit` is shown what needs no mending.
pub(super) fn mend(
    disk: &dyn Disk,
    dir: &Path,
    options: &Options,
    from: u64,
    visit: &mut Visit<'_>,
) -> Result<Mended, JournalError> {
    let at_dir = |doing| move |source| JournalError::io(doing, &dir.display().to_string(), source);
    disk.create_dir(dir).map_err(at_dir("create the folder"))?;
    let mut folder = Folder::read(disk, dir)?;
    folder.segments.retain(|first| *first >= from);
    if folder.segments.is_empty() && from == 0 {
        if let Some(parent) = dir.parent() {
            disk.sync_dir(parent).map_err(at_dir("sync the folder above"))?;
        }
        return begin(disk, dir, options, &folder);
    }
    let unseen = folder.segments.split_off(folder.segments.len().saturating_sub(UNSETTLED));
    let settled = scan::walk_settled(disk, dir, options.kind, from, &folder.segments, visit)?;
    let plan = Plan::make(disk, dir, options, &unseen, &settled)?;
    clear_unfinished(disk, dir, &folder)?;
    // The name of the last file may not be durable yet: a program can be killed between its rename and its sync.
    disk.sync_dir(dir).map_err(at_dir("sync the folder"))?;
    let mut mended = plan.carry_out(disk, dir)?;
    mended.recovered.roll_interrupted |= !folder.unfinished.is_empty();
    Ok(Mended { unseen, ..mended })
}

/// The first segment of a new journal.
fn begin(disk: &dyn Disk, dir: &Path, options: &Options, folder: &Folder) -> Result<Mended, JournalError> {
    clear_unfinished(disk, dir, folder)?;
    let header = Header { kind: options.kind, first: 0, previous: [0; 32] };
    let segment = Segment::create(disk, dir, &header, 0, options.grow_bytes).map_err(|trouble| match trouble {
        Trouble::Full { file, source } => JournalError::io("make the first segment", &file, source),
        Trouble::Broken { file, doing, source } => JournalError::io(doing, &file, source),
    })?;
    let roll_interrupted = !folder.unfinished.is_empty();
    let recovered = Recovered { segments: 1, roll_interrupted, ..Recovered::default() };
    Ok(Mended { segment, next_index: 0, marked: 0, syncs: 1, recovered, unseen: vec![0] })
}

/// A file of this name never held a group: it gets its own name before it is used.
fn clear_unfinished(disk: &dyn Disk, dir: &Path, folder: &Folder) -> Result<(), JournalError> {
    for name in &folder.unfinished {
        disk.remove(&dir.join(name)).map_err(|source| JournalError::io("remove it", name, source))?;
    }
    Ok(())
}

/// What one segment holds.
struct Survey {
    reader: SegmentReader,
    groups: u64,
    sealed: bool,
    bad: Option<Bad>,
    /// Groups whose sync nothing has proved yet.
    unproven: Vec<Unproven>,
    /// Offset behind everything whose sync is proved.
    proven_to: u64,
    marked: u64,
}

struct Unproven {
    end_index: u64,
    offset: u64,
    records: u64,
}

impl Survey {
    /// Reads the segment that has to begin at `expected`.
    fn open(disk: &dyn Disk, dir: &Path, options: &Options, first: u64, expected: u64) -> Result<Self, JournalError> {
        check_sequence(first, expected)?;
        Self::make(SegmentReader::open_synced(disk, dir, first, options.kind)?)
    }

    fn make(reader: SegmentReader) -> Result<Self, JournalError> {
        let (proven_to, marked) = (HEADER_BYTES as u64, reader.header.first);
        let mut survey = Self { reader, groups: 0, sealed: false, bad: None, unproven: Vec::new(), proven_to, marked };
        loop {
            match survey.reader.step()? {
                Step::Group(group) => {
                    survey.prove(group.synced_before, group.offset);
                    let records = group.records.len() as u64;
                    survey.unproven.push(Unproven { end_index: group.first + records, offset: group.offset, records });
                    survey.groups += 1;
                }
                Step::Mark { synced, offset } => {
                    survey.prove(synced, offset);
                    survey.marked = survey.marked.max(synced);
                }
                Step::Sealed => survey.sealed = true,
                Step::Bad(bad) => survey.bad = Some(bad),
                Step::End => return Ok(survey),
            }
            if survey.sealed || survey.bad.is_some() {
                return Ok(survey);
            }
        }
    }

    /// A frame at `offset` says that all records below `synced` were synced before it was written.
    fn prove(&mut self, synced: u64, offset: u64) {
        self.unproven.retain(|group| group.end_index > synced);
        self.proven_to = self.unproven.first().map_or(offset, |group| group.offset);
    }

    /// Whether anything was written behind the header.
    fn is_touched(&self) -> bool {
        self.reader.at > HEADER_BYTES as u64 || self.bad.is_some()
    }

    /// Where this segment stops being what it should be.
    fn rot(&self, or_else: Fault) -> JournalError {
        let here = || Damage {
            file: self.reader.name.clone(),
            offset: self.reader.at,
            index: Some(self.reader.next_index),
            fault: or_else,
        };
        JournalError::Rot(self.bad.as_ref().map_or_else(here, |bad| bad.damage.clone()))
    }

    /// A file that follows proves all records before its own first one.
    fn check_before(&self, follower_first: u64) -> Result<(), JournalError> {
        match &self.bad {
            Some(_) if self.reader.next_index < follower_first => Err(self.rot(Fault::NotSealed)),
            _ => Ok(()),
        }
    }

    /// The last file but one may lack its seal, or hold a part of it, while the last one is untouched: a roll was
    /// interrupted. All its records are proved by the name of the last.
    fn check_unsealed(&self, follower: &Self, is_last: bool) -> Result<(), JournalError> {
        let torn = self.bad.as_ref().is_none_or(|bad| !bad.in_group && bad.damage.fault.could_be_torn());
        if torn && is_last && !follower.is_touched() { Ok(()) } else { Err(self.rot(Fault::NotSealed)) }
    }

    /// The last file must not say that it is complete; and what is bad in it must be a torn write, not rot.
    fn check_last(&mut self) -> Result<(), JournalError> {
        if self.sealed {
            return Err(JournalError::Damaged(Damage {
                file: self.reader.name.clone(),
                offset: self.reader.at,
                index: Some(self.reader.next_index),
                fault: Fault::MissingSegment(segment_name(self.reader.next_index)),
            }));
        }
        let Some(bad) = &self.bad else { return Ok(()) };
        if !bad.damage.fault.could_be_torn() || self.reader.proof_of_sync(bad)?.is_some() {
            return Err(self.rot(Fault::FrameChecksum));
        }
        Ok(())
    }

    /// Writes again in place what nothing proves to be synced, `tail` behind it, zeros to the end of the file; and syncs.
    ///
    /// ```text
    ///     pread(unproven)  pwrite(unproven, tail)  pwrite(zeros …)  fdatasync
    /// ```
    fn write_again(&self, disk: &dyn Disk, dir: &Path, tail: &[u8]) -> Result<Box<dyn DiskFile>, JournalError> {
        let name = &self.reader.name;
        let failed = |doing| move |source| JournalError::io(doing, name, source);
        let file = disk.open_write(&dir.join(name)).map_err(failed("open it for writing"))?;
        let mut bytes = self.reader.bytes(self.proven_to, self.reader.at)?;
        bytes.extend_from_slice(tail);
        let end = self.proven_to + bytes.len() as u64;
        file.write_at(&bytes, self.proven_to).map_err(failed("write its end again"))?;
        write_zeros(&*file, end, self.reader.size_bytes()).map_err(failed("clear its unused space"))?;
        file.fdatasync().map_err(failed("sync it"))?;
        Ok(file)
    }

    /// How much will be cut, and where.
    fn cut(&mut self, recovered: &mut Recovered) -> Result<(), JournalError> {
        if self.bad.is_some() {
            let at = self.reader.at;
            recovered.torn_bytes_cut += self.reader.written_from(at)?;
            recovered.cut_at = Some((self.reader.name.clone(), at));
        }
        Ok(())
    }
}

/// Everything is read and judged; nothing is changed yet.
struct Plan {
    /// The segment before the last, if its seal is still to be written or synced.
    to_seal: Option<Survey>,
    last: Survey,
    recovered: Recovered,
}

impl Plan {
    /// `segments`: the first indices of the files behind those that are settled.
    fn make(
        disk: &dyn Disk,
        dir: &Path,
        options: &Options,
        segments: &[u64],
        settled: &Scan,
    ) -> Result<Self, JournalError> {
        let count = settled.segments + segments.len() as u64;
        let mut recovered = Recovered { segments: count, groups: settled.groups, ..Recovered::default() };
        let mut to_seal = None;
        let Some(first) = segments.first() else {
            let missing = Fault::MissingSegment(segment_name(settled.records));
            return Err(JournalError::Damaged(whole_file(dir.display().to_string(), missing)));
        };
        let mut last = Survey::open(disk, dir, options, *first, settled.records)?;
        recovered.groups += last.groups;
        for (number, first) in segments.iter().enumerate().skip(1) {
            last.check_before(*first)?;
            let survey = Survey::open(disk, dir, options, *first, last.reader.next_index)?;
            recovered.groups += survey.groups;
            let is_last = number + 1 == segments.len();
            if !last.sealed {
                last.check_unsealed(&survey, is_last)?;
            }
            // A seal that is seen may be in memory only, until the first write behind it.
            to_seal = (is_last && !survey.is_touched()).then_some(last);
            last = survey;
        }
        last.check_last()?;
        recovered.records = last.reader.next_index;
        Ok(Self { to_seal, last, recovered })
    }

    fn carry_out(mut self, disk: &dyn Disk, dir: &Path) -> Result<Mended, JournalError> {
        let mut recovered = self.recovered;
        let mut syncs = 1;
        if let Some(mut before) = self.to_seal {
            before.cut(&mut recovered)?;
            let place = Place { segment_first: before.reader.header.first, offset: before.reader.at };
            let mut seal = Vec::new();
            if !before.sealed {
                push_frame(&mut seal, place, FrameType::Sealed, &[]);
                recovered.roll_interrupted = true;
            }
            before.write_again(disk, dir, &seal)?;
            syncs += 1;
        }
        self.last.cut(&mut recovered)?;
        recovered.records_rewritten = self.last.unproven.iter().map(|group| group.records).sum();
        let file = self.last.write_again(disk, dir, &[])?;
        let reader = self.last.reader;
        let segment = Segment {
            file,
            first: reader.header.first,
            used_bytes: reader.at,
            grown_bytes: reader.size_bytes(),
            name: reader.name,
        };
        let (next_index, marked) = (recovered.records, self.last.marked);
        Ok(Mended { segment, next_index, marked, syncs, recovered, unseen: Vec::new() })
    }
}
