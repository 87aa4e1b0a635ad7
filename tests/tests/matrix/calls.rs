//! Every gRPC call.

use std::collections::BTreeSet;

use prost_reflect::DescriptorPool;
use rinsebook_client::remote::Channel;
use rinsebook_client::rpc::open_items_client::OpenItemsClient;
use rinsebook_client::rpc::records_client::RecordsClient;
use rinsebook_proto::fact::{Kind, MAX_SERVICE_ENVELOPE_BYTES, Signed};
use rinsebook_proto::v1::{self, get_fact_request::By};
use rinsebook_tests::issuer::{but, claims};
use tonic::client::Grpc;
use tonic::{Code, Request, Status};
use tonic_prost::ProstCodec;
use tonic_types::StatusExt;

use super::secrets;
use super::shown::{Worth, everything};
use super::world::World;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    Anybody,
    /// A device that is enrolled, by its certificate; a token is no help.
    DeviceAlone,
    /// An enrolled device; planner, quality, custodian.
    Readers,
    /// An enrolled device; quality, custodian.
    Auditors,
    /// An enrolled device; custodian.
    Custodians,
}
use Who::{Anybody, Auditors, Custodians, DeviceAlone, Readers};

const TABLE: [(&str, Who); 27] = [
    ("grpc.health.v1.Health/Check", Anybody),
    ("grpc.health.v1.Health/Watch", Anybody),
    ("grpc.reflection.v1.ServerReflection/ServerReflectionInfo", Anybody),
    ("grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo", Anybody),
    ("rinsebook.v1.Intake/Deliver", DeviceAlone),
    ("rinsebook.v1.Ledger/GetCheckpoint", Readers),
    ("rinsebook.v1.Ledger/GetConsistencyProof", Readers),
    ("rinsebook.v1.Ledger/GetIdentity", Anybody),
    ("rinsebook.v1.Ledger/GetInclusionProof", Readers),
    ("rinsebook.v1.Ledger/HandInAudit", Auditors),
    ("rinsebook.v1.Ledger/PrepareLogKey", Custodians),
    ("rinsebook.v1.Ledger/ReadEntries", Auditors),
    ("rinsebook.v1.OpenItems/Assess", Readers),
    ("rinsebook.v1.OpenItems/ListItems", Readers),
    ("rinsebook.v1.OpenItems/WatchItems", Readers),
    ("rinsebook.v1.Records/GetBlob", Auditors),
    ("rinsebook.v1.Records/GetFact", Readers),
    ("rinsebook.v1.Records/IssuePack", Auditors),
    ("rinsebook.v1.Records/ListAircraft", Readers),
    ("rinsebook.v1.Records/ListFacts", Readers),
    ("rinsebook.v1.Records/ListWashes", Readers),
    ("rinsebook.v1.Roster/ListDevices", Readers),
    ("rinsebook.v1.Roster/ListErasures", Readers),
    ("rinsebook.v1.Roster/ListPeople", Readers),
    ("rinsebook.v1.Roster/ListProcedures", Readers),
    // What nobody built is nobody's to call.
    ("rinsebook.v1.Roster/DeleteEverybody", Anybody),
    ("rinsebook.v2.Roster/ListPeople", Anybody),
];

/// How a call ended, as far as who called decides it.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Ended {
    LetIn,
    NoConnection,
    NotBuilt,
    Refused(Code, String),
}

fn expected(call: &str, who: Who, worth: &Worth) -> Ended {
    let unauthenticated = |reason: &str| Ended::Refused(Code::Unauthenticated, reason.to_owned());
    let denied = |reason: &str| Ended::Refused(Code::PermissionDenied, reason.to_owned());
    if *worth == Worth::OtherAuthority {
        return Ended::NoConnection;
    }
    let roles: &[&str] = match who {
        Anybody if call.ends_with("DeleteEverybody") || call.contains(".v2.") => return Ended::NotBuilt,
        Anybody => return Ended::LetIn,
        DeviceAlone => {
            return match worth {
                Worth::Device | Worth::DeviceAndBad(_) => Ended::LetIn,
                Worth::NotEnrolled => denied("CERTIFICATE_UNKNOWN"),
                _ => unauthenticated("CERTIFICATE_MISSING"),
            };
        }
        Readers => &["planner", "quality", "custodian"],
        Auditors => &["quality", "custodian"],
        Custodians => &["custodian"],
    };
    match worth {
        Worth::Device => Ended::LetIn,
        Worth::Person(has) if has.iter().any(|role| roles.contains(role)) => Ended::LetIn,
        Worth::Person(_) => denied("ROLE_MISSING"),
        Worth::NotEnrolled => denied("CERTIFICATE_UNKNOWN"),
        Worth::Bad(reason) | Worth::DeviceAndBad(reason) => unauthenticated(reason),
        Worth::Nothing | Worth::OtherAuthority => unauthenticated("CREDENTIALS_MISSING"),
    }
}

/// Makes the call with an empty message, which every message can be, and looks no further than whether it was let in.
async fn call(channel: &Option<Channel>, path: &str, token: Option<&str>) -> Ended {
    let Some(channel) = channel else { return Ended::NoConnection };
    let mut client = Grpc::new(channel.clone());
    if client.ready().await.is_err() {
        return Ended::NoConnection;
    }
    let mut request = Request::new(());
    if let Some(token) = token {
        request.metadata_mut().insert("authorization", format!("Bearer {token}").parse().unwrap());
    }
    let path = format!("/{path}").parse().unwrap();
    match client.server_streaming(request, path, ProstCodec::<(), ()>::default()).await {
        // Whoever is refused is told in the first header; what comes later is the call's own business.
        Ok(_) => Ended::LetIn,
        Err(status) => ended(&status),
    }
}

fn ended(status: &Status) -> Ended {
    if std::error::Error::source(status).is_some() {
        return Ended::NoConnection;
    }
    let reason = status.get_details_error_info().map(|info| info.reason).unwrap_or_default();
    let of_access = ["CERTIFICATE_", "CREDENTIALS_", "TOKEN_", "ROLE_"].iter().any(|of| reason.starts_with(of));
    match status.code() {
        code if of_access => Ended::Refused(code, reason),
        Code::Unauthenticated | Code::PermissionDenied => panic!("refused without a reason: {status:?}"),
        Code::Unimplemented => Ended::NotBuilt,
        _ => Ended::LetIn,
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_call_is_let_in_by_exactly_what_the_table_says_and_refused_with_the_reason_for_all_else() {
    let world = World::open().await;
    let all = everything(&world);
    assert_eq!(world.reload().await, Vec::<String>::new());
    let (mut wrong, mut refused) = (Vec::new(), 0);
    for shown in &all {
        let channel = world.channel(shown.identity.clone()).await;
        for (path, who) in TABLE {
            let (told, right) = (call(&channel, path, shown.token.as_deref()).await, expected(path, who, &shown.worth));
            refused += usize::from(matches!(told, Ended::Refused(..)));
            if told != right {
                wrong.push(format!("{path} with {}: {told:?}, not {right:?}", shown.what));
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {}:\n{}", wrong.len(), all.len() * TABLE.len(), wrong.join("\n"));

    // Each refusal is in the log, with path and reason, and no token is.
    let log = secrets::written();
    assert!(log.matches("a call was refused").count() >= refused);
    // Other tests write to the same log, in any order.
    let tells = |line: &str| {
        ["ROLE_MISSING", "/rinsebook.v1.", "\"the role station\" (station)"].iter().all(|part| line.contains(part))
    };
    assert!(log.lines().any(tells), "{log}");
    all.iter().filter_map(|shown| shown.token.as_deref()).for_each(secrets::assert_untold);
}

#[test]
fn the_table_of_this_test_names_every_call_of_the_contract() {
    let pool = DescriptorPool::decode(rinsebook_proto::FILE_DESCRIPTOR_SET).unwrap();
    let methods = pool.services().flat_map(|service| service.methods().collect::<Vec<_>>());
    let built: BTreeSet<String> = methods.map(|m| format!("{}/{}", m.parent_service().full_name(), m.name())).collect();
    let listed: BTreeSet<String> = TABLE.iter().map(|(path, _)| (*path).to_owned()).collect();
    let missing: Vec<_> = built.difference(&listed).collect();
    assert!(missing.is_empty() && built.len() == 21, "{missing:?} of {}", built.len());
}

async fn as_planner(world: &World) -> Channel {
    let token = world.issuer.token(&claims("p-17", &["planner"], world.now_ms()));
    rinsebook_client::remote::connect_with_token(world.address(), &world.ca, &token).await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_question_kept_in_the_log_names_the_subject_of_the_token_that_it_came_with_and_no_name() {
    let world = World::open().await;
    let channel = as_planner(&world).await;
    let aircraft = world.shop.aircraft.to_vec();
    let question = v1::AssessRequest { aircraft, record: true, ..v1::AssessRequest::default() };
    let answer = OpenItemsClient::new(channel.clone()).assess(question).await.unwrap().into_inner();
    let request = v1::GetFactRequest { by: Some(By::Index(answer.recorded_as.unwrap().index)) };
    let fact = RecordsClient::new(channel).get_fact(request).await.unwrap().into_inner().fact.unwrap();
    let signed = Signed::parse(&fact.envelope, MAX_SERVICE_ENVELOPE_BYTES).unwrap();
    let Some(Kind::QuestionAnswered(answered)) = signed.kind() else { panic!("{:?}", signed.kind()) };
    assert_eq!(answered.asked_by, "p-17");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_watch_ends_when_its_token_does() {
    let world = World::open().await;
    let claims = claims("p-17", &["planner"], world.now_ms());
    let short = world.issuer.token(&but(&claims, "exp", world.now_ms() / 1000 + 1));
    let channel = rinsebook_client::remote::connect_with_token(world.address(), &world.ca, &short).await.unwrap();
    let request = v1::WatchItemsRequest::default();
    let mut answers = OpenItemsClient::new(channel).watch_items(request).await.unwrap().into_inner();
    let ended = loop {
        match answers.message().await {
            Ok(Some(_)) => {}
            Ok(None) => panic!("it ended without a reason"),
            Err(status) => break status,
        }
    };
    assert_eq!(ended.get_details_error_info().unwrap().reason, "TOKEN_EXPIRED");
}
