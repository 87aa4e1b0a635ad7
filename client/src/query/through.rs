//! Who asks: a device, by the certificate in its folder, or a person, by a token in a file.

use std::path::PathBuf;

use crate::ClientError;
use crate::home::{Home, read};
use crate::remote::{self, Channel};

/// As whom to ask.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Through {
    /// The station's folder.
    #[arg(long, value_name = "DIR", required_unless_present = "token_file")]
    pub station: Option<PathBuf>,
    /// A file that holds a token, for asking without a station; with --address and --ca.
    #[arg(long, value_name = "FILE", conflicts_with = "station", requires = "address", requires = "ca")]
    pub token_file: Option<PathBuf>,
    /// The service's address, such as https://localhost:7420; beside a token.
    #[arg(long, value_name = "URL", requires = "token_file")]
    pub address: Option<String>,
    /// The certificate of the authority that the service's own is checked against, PEM; beside a token.
    #[arg(long, value_name = "FILE", requires = "token_file")]
    pub ca: Option<PathBuf>,
}

impl Through {
    /// Connects. The token is read anew each time: a watch that lost its connection goes on with the one that lies there then.
    pub async fn connect(&self) -> Result<Channel, ClientError> {
        match (&self.station, &self.token_file, &self.address, &self.ca) {
            (Some(station), ..) => remote::connect(&Home::open(station)?).await,
            (None, Some(token), Some(address), Some(ca)) => {
                let token = zeroize::Zeroizing::new(read(token)?);
                remote::connect_with_token(address, &read(ca)?, &token).await
            }
            _ => Err(ClientError::Usage("give --station, or --token-file with --address and --ca".to_owned())),
        }
    }
}
