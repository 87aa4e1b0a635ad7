//! A person at the pages of a shop: signed in once with a token of the service's own, as a browser would hold them.

use anyhow::{Context, Result};
use rinsebook_client::demo::shop::Shop;
use rinsebook_proto::clock::Clock;
use rinsebook_service::Config;
use rinsebook_service::caller::Role;
use rinsebook_service::tokens::own::OwnIssuer;

use crate::web::{Answer, Browser};

/// See the module.
pub struct Person {
    browser: Browser,
    cookie: String,
}

/// A token of the shop's own service, good for eight hours.
pub fn token(shop: &Shop, name: &str, roles: &[Role]) -> Result<String> {
    let issuer = OwnIssuer::open(&Config::local(&shop.data()))?;
    Ok(issuer.issue(name, roles, 8, shop.clock.wall_ms())?.token)
}

/// Where the shop's pages are, for a browser that shows no certificate.
pub fn browser(shop: &Shop) -> Result<Browser> {
    let port = shop.service.as_ref().context("the service runs")?.address.port();
    Ok(Browser { port, ca_pem: shop.desk.home.ca_pem()?, identity: None })
}

impl Person {
    /// Signs in.
    pub async fn signs_in(shop: &Shop, name: &str, roles: &[Role]) -> Result<Person> {
        let browser = browser(shop)?;
        let answer = browser.post("/sign-in", &[], &format!("token={}", token(shop, name, roles)?)).await?;
        let cookie = answer.header("set-cookie").and_then(|set| set.split(';').next()).context("a cookie")?;
        Ok(Person { cookie: cookie.to_owned(), browser })
    }

    /// One page.
    pub async fn get(&self, path: &str) -> Result<Answer> {
        self.browser.get(path, &[("cookie", &self.cookie)]).await
    }

    /// A form of the page at that path, with what the page put into it.
    pub async fn send(&self, path: &str, form: &str) -> Result<Answer> {
        let page = self.get(path).await?.body;
        let (_, after) = page.split_once("name=\"form_token\" value=\"").context("a form")?;
        let (own, _) = after.split_once('"').context("a value")?;
        self.browser.post(path, &[("cookie", &self.cookie)], &format!("{form}&form_token={own}")).await
    }

    /// The same form, sent in their name by a page elsewhere.
    pub async fn sent_by(&self, origin: &str, path: &str, form: &str) -> Result<Answer> {
        self.browser.post(path, &[("cookie", &self.cookie), ("origin", origin)], form).await
    }
}
