//! Asking over gRPC: every page of a list, as known at one moment, and nothing taken that was not asked for.

use rinsebook_proto::bytes::{Hash, Id};
use rinsebook_proto::fact::BlobNamed;
use rinsebook_proto::v1::{self, get_fact_request::By};

use crate::ClientError;
use crate::remote::Channel;
use crate::rpc::open_items_client::OpenItemsClient;
use crate::rpc::records_client::RecordsClient;
use crate::rpc::roster_client::RosterClient;

/// Everything open, and the one moment that it was answered for.
pub(super) struct AllItems {
    pub(super) aircraft: Vec<v1::AircraftItems>,
    pub(super) as_of: v1::AsOf,
}

/// Later pages are asked for as of the moment that the first was answered for.
pub(super) async fn items(channel: Channel, request: v1::ListItemsRequest) -> Result<AllItems, ClientError> {
    let mut client = OpenItemsClient::new(channel);
    let mut request = request;
    let mut aircraft = Vec::new();
    loop {
        let page = client.list_items(request.clone()).await?.into_inner();
        let as_of = page.as_of.ok_or_else(|| missing("as of when"))?;
        aircraft.extend(page.aircraft);
        if page.next_page_token.is_empty() {
            return Ok(AllItems { aircraft, as_of });
        }
        go_on(&mut request, &as_of, page.next_page_token);
    }
}

/// Between two pages facts may come in, and time goes on: all pages are to tell of one moment.
pub(super) fn go_on(request: &mut v1::ListItemsRequest, as_of: &v1::AsOf, page_token: String) {
    request.at_size = Some(as_of.size);
    request.at_time_ms = Some(as_of.time_ms);
    request.page_token = page_token;
}

pub(super) async fn assess(channel: Channel, request: v1::AssessRequest) -> Result<v1::AssessResponse, ClientError> {
    let asked = request.aircraft.clone();
    let answer = OpenItemsClient::new(channel).assess(request).await?.into_inner();
    match &answer.assessment {
        Some(assessment) if assessment.aircraft == asked => Ok(answer),
        Some(_) => Err(ClientError::Answered("the service answered about another aircraft; ask again".to_owned())),
        None => Err(missing("the assessment")),
    }
}

pub(crate) async fn every_aircraft(channel: Channel) -> Result<Vec<v1::Aircraft>, ClientError> {
    let mut records = RecordsClient::new(channel);
    let (mut all, mut page_token) = (Vec::new(), String::new());
    loop {
        let request = v1::ListAircraftRequest { page_token, ..v1::ListAircraftRequest::default() };
        let page = records.list_aircraft(request).await?.into_inner();
        all.extend(page.aircraft);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return Ok(all);
        }
    }
}

macro_rules! every {
    ($name:ident, $call:ident, $request:ident, $field:ident, $message:ident) => {
        pub(crate) async fn $name(channel: Channel) -> Result<Vec<v1::$message>, ClientError> {
            let mut roster = RosterClient::new(channel);
            let (mut all, mut page_token) = (Vec::new(), String::new());
            loop {
                let page = roster.$call(v1::$request { page_token, ..v1::$request::default() }).await?.into_inner();
                all.extend(page.$field);
                page_token = page.next_page_token;
                if page_token.is_empty() {
                    return Ok(all);
                }
            }
        }
    };
}

every!(every_device, list_devices, ListDevicesRequest, devices, Device);
every!(every_procedure, list_procedures, ListProceduresRequest, procedures, Procedure);
every!(every_person, list_people, ListPeopleRequest, people, Person);
every!(every_erasure, list_erasures, ListErasuresRequest, erasures, Erasure);

/// A text kept beside the log, if it can be had and is the one named: a digest says nothing of where its salt ends, so
/// that has to be as long as the name says.
pub(crate) async fn text(channel: Channel, named: BlobNamed) -> Option<String> {
    let request = asked(named);
    let blob = RecordsClient::new(channel).get_blob(request).await.ok()?.into_inner();
    if is_named(&blob, named) { String::from_utf8(blob.content).ok() } else { None }
}

/// Asks for it in its form.
pub(super) fn asked(named: BlobNamed) -> v1::GetBlobRequest {
    v1::GetBlobRequest { digest: named.digest().to_vec(), salted: Some(named.salt_bytes() > 0) }
}

/// Whether these are the bytes.
pub(super) fn is_named(blob: &v1::GetBlobResponse, named: BlobNamed) -> bool {
    blob.salt.len() == named.salt_bytes() && Hash::of_parts(&[&blob.salt, &blob.content]) == named.digest()
}

/// An id, or the registration of an aircraft that is listed.
pub(super) async fn aircraft(channel: Channel, name: &str) -> Result<Vec<u8>, ClientError> {
    match Id::from_hex(name) {
        Some(id) => Ok(id.to_vec()),
        None => Ok(by_registration(every_aircraft(channel).await?, name)?.aircraft),
    }
}

/// Two aircraft under one registration are never told apart by guessing.
pub(super) fn by_registration(known: Vec<v1::Aircraft>, name: &str) -> Result<v1::Aircraft, ClientError> {
    let mut found: Vec<v1::Aircraft> = known.into_iter().filter(|a| a.registration == name).collect();
    match (found.pop(), found.len()) {
        (Some(only), 0) => Ok(only),
        (None, _) => Err(ClientError::Usage(format!("no aircraft {name} is listed in this record"))),
        (Some(last), _) => {
            let ids: Vec<String> = found.iter().chain([&last]).map(|a| hex::encode(&a.aircraft)).collect();
            let why = format!("several aircraft are listed as {name}; name one by its id: {}", ids.join(", "));
            Err(ClientError::Usage(why))
        }
    }
}

/// The washes of one aircraft, or of all.
pub(super) async fn washes(channel: Channel, aircraft: Vec<u8>) -> Result<Vec<v1::Wash>, ClientError> {
    let mut records = RecordsClient::new(channel);
    let mut request = v1::ListWashesRequest { aircraft, ..v1::ListWashesRequest::default() };
    let mut all = Vec::new();
    loop {
        let page = records.list_washes(request.clone()).await?.into_inner();
        all.extend(page.washes);
        request.page_token = page.next_page_token;
        if request.page_token.is_empty() {
            return Ok(all);
        }
    }
}

/// The facts of one wash.
pub(super) async fn facts(channel: Channel, wash: Vec<u8>) -> Result<Vec<v1::RecordedFact>, ClientError> {
    let mut records = RecordsClient::new(channel);
    let mut request = v1::ListFactsRequest { wash, ..v1::ListFactsRequest::default() };
    let mut all = Vec::new();
    loop {
        let page = records.list_facts(request.clone()).await?.into_inner();
        all.extend(page.facts);
        request.page_token = page.next_page_token;
        if request.page_token.is_empty() {
            return Ok(all);
        }
    }
}

pub(crate) async fn fact(channel: Channel, by: By) -> Result<v1::GetFactResponse, ClientError> {
    let request = v1::GetFactRequest { by: Some(by.clone()) };
    let answer = RecordsClient::new(channel).get_fact(request).await?.into_inner();
    let fact = answer.fact.as_ref().ok_or_else(|| missing("the fact"))?;
    is_the_one(fact, &by)?;
    Ok(answer)
}

/// A hash names bytes: whoever asked by it can tell whether these are the ones.
pub(super) fn is_the_one(fact: &v1::RecordedFact, by: &By) -> Result<(), ClientError> {
    let at = fact.fact.clone().unwrap_or_default();
    let asked = match by {
        By::Index(index) => at.index == *index,
        By::EnvelopeHash(hash) => at.envelope_hash == *hash,
    };
    let digest = Hash::of(&fact.envelope);
    if asked && at.envelope_hash == digest.0 {
        return Ok(());
    }
    let why = "the service answered with another fact than the one asked for; trust nothing of it, call the custodian";
    Err(ClientError::Answered(why.to_owned()))
}

fn missing(what: &str) -> ClientError {
    ClientError::Answered(format!("the service did not say {what}; is it a newer version?"))
}
