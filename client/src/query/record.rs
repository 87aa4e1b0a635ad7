//! Facts, washes and aircraft as people read them.

use std::io::{self, Write};

use rinsebook_proto::fact::{MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::v1;

use super::render::named;
use super::text::{instant, paragraph, plain, second};
use crate::about;

/// One fact, and how the log holds it. What its signer signed is read from the envelope; the sentence, and whether the
/// fact is read, are the service's word. The signature is not checked here: that is what verifying the log is for.
/// `signer` is a name, or empty where none is known.
pub fn fact(fact: &v1::RecordedFact, signer: &str, out: &mut dyn Write) -> io::Result<()> {
    let at = fact.fact.clone().unwrap_or_default();
    writeln!(out, "entry {}  {}", at.index, at.kind)?;
    paragraph("  ", &fact.text, out)?;
    writeln!(out, "  happened   {}", second(at.happened_ms))?;
    let signed = Signed::parse(&fact.envelope, MAX_SERVICE_ENVELOPE_BYTES);
    if let Ok(signed) = &signed {
        writeln!(out, "  signed     {}", second(signed.header().recorded_ms))?;
    }
    writeln!(out, "  received   {}", second(fact.received_ms))?;
    match fact.person.is_empty() {
        true => writeln!(out, "  signer     no person that is enrolled")?,
        false => writeln!(out, "  signer     person {}", hex::encode(&fact.person))?,
    }
    if !signer.is_empty() {
        paragraph("             ", signer, out)?;
    }
    match &signed {
        Ok(signed) => header(signed, out)?,
        Err(why) => paragraph("  envelope   ", &why.to_string(), out)?,
    }
    match fact.unread_because.as_str() {
        "" => writeln!(out, "  read       yes")?,
        why => paragraph("  read       no: ", why, out)?,
    }
    writeln!(out, "  envelope   {}", hex::encode(&at.envelope_hash))?;
    writeln!(out, "  leaf       {}", hex::encode(&fact.entry_hash))
}

/// One fact in few lines: what, when, by whom, and where it stands; `signer` is a name, or empty where none is known.
pub(crate) fn in_brief(indent: &str, fact: &v1::RecordedFact, signer: &str, out: &mut dyn Write) -> io::Result<()> {
    let at = fact.fact.clone().unwrap_or_default();
    writeln!(out, "{indent}entry {}  {}", at.index, at.kind)?;
    paragraph(&format!("{indent}  "), &fact.text, out)?;
    let by = match (signer, fact.person.is_empty()) {
        (_, true) => "no person that is enrolled".to_owned(),
        ("", false) => format!("person {}", hex::encode(&fact.person)),
        (name, false) => plain(name).into_owned(),
    };
    paragraph(&format!("{indent}  happened {}, signed by ", second(at.happened_ms)), &by, out)?;
    if !fact.unread_because.is_empty() {
        paragraph(&format!("{indent}  not read: "), &fact.unread_because, out)?;
    }
    writeln!(out, "{indent}  envelope {}", hex::encode(&at.envelope_hash))
}

fn header(signed: &Signed, out: &mut dyn Write) -> io::Result<()> {
    let header = signed.header();
    writeln!(out, "  key        {}", header.author_key)?;
    writeln!(out, "  device     {}", header.device)?;
    writeln!(out, "  place      {} of run {}", header.counter, header.run)?;
    header.subjects.iter().try_for_each(|subject| writeln!(out, "  about      {}", plain(&about::text(subject))))?;
    header.refers.iter().try_for_each(|named| writeln!(out, "  names      {named}"))
}

/// A wash and its facts.
pub fn wash(wash: &v1::Wash, registration: &str, facts: &[v1::RecordedFact], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "wash {}", hex::encode(&wash.wash))?;
    let aircraft = if registration.is_empty() { hex::encode(&wash.aircraft) } else { plain(registration).into_owned() };
    writeln!(out, "  aircraft   {aircraft}")?;
    writeln!(out, "  order      {}", plain(&wash.work_order))?;
    if !wash.station.is_empty() {
        writeln!(out, "  station    {}", plain(&wash.station))?;
    }
    for engine in &wash.engines {
        writeln!(out, "  engine {}   serial {}", engine.position, plain(&engine.serial))?;
    }
    if let Some(procedure) = &wash.procedure {
        writeln!(out, "  procedure  {}", hex::encode(&procedure.digest))?;
    }
    opened_and_signed(wash, out)?;
    for fact in facts {
        let at = fact.fact.clone().unwrap_or_default();
        let unread = if fact.unread_because.is_empty() { "" } else { "not read: " };
        paragraph(
            &format!("  {}  {:>5}  ", instant(at.happened_ms), at.index),
            &format!("{unread}{}", fact.text),
            out,
        )?;
    }
    Ok(())
}

fn opened_and_signed(wash: &v1::Wash, out: &mut dyn Write) -> io::Result<()> {
    if let Some(fact) = &wash.opened_by {
        writeln!(out, "  opened     {} (entry {})", instant(fact.happened_ms), fact.index)?;
    }
    match &wash.signed_off_by {
        Some(fact) => writeln!(out, "  signed off {} (entry {})", instant(fact.happened_ms), fact.index),
        None => writeln!(out, "  signed off not with effect"),
    }
}

/// An aircraft, its engines and its washes.
pub fn aircraft(aircraft: &v1::Aircraft, washes: &[v1::Wash], out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}", named(&aircraft.registration))?;
    writeln!(out, "  id         {}", hex::encode(&aircraft.aircraft))?;
    writeln!(out, "  type       {}", plain(&aircraft.aircraft_type))?;
    for installed in &aircraft.engines {
        let at = installed.engine.clone().unwrap_or_default();
        let (of_type, serial) = (plain(&installed.engine_type), plain(&at.serial));
        writeln!(out, "  engine {}   {of_type}, serial {serial}", at.position)?;
    }
    for wash in washes {
        writeln!(out, "  wash       {}  {}", hex::encode(&wash.wash), plain(&wash.work_order))?;
        opened_and_signed(wash, out)?;
    }
    Ok(())
}
