//! A shop whose service takes tokens of its own and of an issuer elsewhere.

use std::sync::Arc;

use axum::http::Uri;
use rinsebook_client::remote;
use rinsebook_proto::clock::Clock;
use rinsebook_service::Config;
use rinsebook_service::config::{JwksPlace, OutsideIssuer, TokensConfig};
use rinsebook_service::tokens::own::OwnIssuer;
use rinsebook_tests::issuer::{AUDIENCE, ISSUER, Issuer};
use rinsebook_tests::shop::Shop;
use rinsebook_tests::web::Browser;

pub(super) struct World {
    pub(super) shop: Shop,
    pub(super) issuer: Issuer,
    pub(super) config: Config,
    pub(super) ca: String,
}

impl World {
    /// With the issuer's key set in a file.
    pub(super) async fn open() -> World {
        let issuer = Issuer::default();
        let shop = Shop::open().await.unwrap();
        let file = shop.dir.join("jwks.json");
        std::fs::write(&file, issuer.jwks()).unwrap();
        World::with(shop, issuer, JwksPlace::File(file)).await
    }

    /// With the issuer's key set at an address.
    pub(super) async fn with_url(url: &str) -> World {
        let url: Uri = url.parse().unwrap();
        World::with(Shop::open().await.unwrap(), Issuer::default(), JwksPlace::Url { url, ca: None }).await
    }

    async fn with(mut shop: Shop, issuer: Issuer, jwks: JwksPlace) -> World {
        super::secrets::watch_the_log();
        let outside = OutsideIssuer { issuer: ISSUER.to_owned(), jwks, refresh_ms: 900_000 };
        let tokens = TokensConfig { audience: AUDIENCE.to_owned(), own: true, outside: Some(outside) };
        let config = Config { tokens, ..Config::local(&shop.data()) };
        shop.service.take().unwrap().stop().await.unwrap();
        let ca = shop.desk.home.ca_pem().unwrap();
        let mut world = World { shop, issuer, config, ca };
        world.start().await;
        world
    }

    /// Starts the service with the configuration as it stands.
    pub(super) async fn start(&mut self) {
        let running = rinsebook_service::start(self.config.clone(), self.shop.clock.clone()).await.unwrap();
        self.shop.desk.home.set_address(&format!("https://localhost:{}", running.address.port())).unwrap();
        self.shop.service = Some(running);
    }

    pub(super) fn now_ms(&self) -> u64 {
        self.shop.clock.wall_ms()
    }

    pub(super) fn address(&self) -> &str {
        &self.shop.desk.home.about.address
    }

    pub(super) async fn channel(&self, identity: Option<(String, String)>) -> Option<remote::Channel> {
        remote::connect_as(self.address(), &self.ca, identity).await.ok()
    }

    pub(super) fn browser(&self, identity: Option<(String, String)>) -> Browser {
        let port = self.shop.service.as_ref().unwrap().address.port();
        Browser { port, ca_pem: self.ca.clone(), identity }
    }

    pub(super) fn own_issuer(&self) -> OwnIssuer {
        OwnIssuer::open(&self.config).unwrap()
    }

    /// As SIGHUP does.
    pub(super) async fn reload(&self) -> Vec<String> {
        let failed = self.shop.service.as_ref().unwrap().reload().await;
        failed.iter().map(ToString::to_string).collect()
    }

    pub(super) fn clock(&self) -> Arc<rinsebook_proto::clock::ScriptedClock> {
        self.shop.clock.clone()
    }
}
