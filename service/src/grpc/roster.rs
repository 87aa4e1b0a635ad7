//! Roster: who may do what, read only.

use rinsebook_proto::rules::lists;
use rinsebook_proto::v1;
use tonic::{Request, Response, Status};

use crate::query::{Moment, Queries, page};
use crate::rpc::roster_server::Roster;

/// See the module.
#[derive(Clone)]
pub struct RosterService(pub Queries);

#[tonic::async_trait]
impl Roster for RosterService {
    async fn list_people(
        &self,
        request: Request<v1::ListPeopleRequest>,
    ) -> Result<Response<v1::ListPeopleResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.settle(request.at_least_size).await?;
        let people = lists::people(self.0.view().history().roster(), as_of.size);
        let list = people.into_iter().map(|person| (person.person.clone(), person));
        let (people, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let as_of = Some(self.0.as_of(as_of));
        Ok(Response::new(v1::ListPeopleResponse { people, as_of, next_page_token }))
    }

    async fn list_devices(
        &self,
        request: Request<v1::ListDevicesRequest>,
    ) -> Result<Response<v1::ListDevicesResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.settle(request.at_least_size).await?;
        let devices = lists::devices(&self.0.view().history(), as_of.size);
        let list = devices.into_iter().map(|device| (device.device.clone(), device));
        let (devices, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let as_of = Some(self.0.as_of(as_of));
        Ok(Response::new(v1::ListDevicesResponse { devices, as_of, next_page_token }))
    }

    async fn list_procedures(
        &self,
        request: Request<v1::ListProceduresRequest>,
    ) -> Result<Response<v1::ListProceduresResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.settle(request.at_least_size).await?;
        let procedures = lists::procedures(self.0.view().history().roster(), as_of.size);
        let key = |p: &v1::Procedure| [p.procedure.clone(), p.revision.to_be_bytes().to_vec()].concat();
        let list = procedures.into_iter().map(|procedure| (key(&procedure), procedure));
        let (procedures, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let as_of = Some(self.0.as_of(as_of));
        Ok(Response::new(v1::ListProceduresResponse { procedures, as_of, next_page_token }))
    }

    async fn list_erasures(
        &self,
        request: Request<v1::ListErasuresRequest>,
    ) -> Result<Response<v1::ListErasuresResponse>, Status> {
        let request = request.into_inner();
        let as_of = self.settle(request.at_least_size).await?;
        // What is erased is known here before its fact is acknowledged.
        let erased = self.0.blobs().all_erased();
        let list = erased.iter().map(|erasure| (erasure.digest.to_vec(), lists::erasure(erasure)));
        let (erasures, next_page_token) = page(list, request.page_size, &request.page_token)?;
        let as_of = Some(self.0.as_of(as_of));
        Ok(Response::new(v1::ListErasuresResponse { erasures, as_of, next_page_token }))
    }
}

impl RosterService {
    async fn settle(&self, at_least_size: u64) -> Result<crate::query::AsOf, crate::error::CallError> {
        self.0.settle(Moment { at_least_size, ..Moment::default() }).await
    }
}
