//! The database: connections, and tables in today's format.
//!
//! Tables are described in `migrations`. They only ever move forward. `turnback fleet init` and every collector bring
//! them up to date, one at a time by an advisory lock.

use std::{path::Path, sync::Arc, time::Duration};

use deadpool_postgres::{Manager, ManagerConfig, Pool, RecyclingMethod};
use rustls::{ClientConfig, RootCertStore, pki_types::CertificateDer, pki_types::pem::PemObject};
use tokio_postgres::{Client, Config, NoTls};
use tokio_postgres_rustls::MakeRustlsConnect;

use super::error::FleetError;
use crate::{config::fleet::Database, secret};

mod embedded {
    refinery::embed_migrations!("src/fleet/database/migrations");
}

/// Version of the newest migration: the format of the tables that this program reads and writes.
pub const FORMAT: i32 = 6;

/// A pool of connections to the database; none is made yet.
///
/// # Errors
/// A password or an authority that cannot be read.
pub fn pool(database: &Database) -> Result<Pool, FleetError> {
    let config = client_config(database)?;
    let recycling = ManagerConfig { recycling_method: RecyclingMethod::Fast };
    let manager = match tls(database)? {
        Some(tls) => Manager::from_config(config, tls, recycling),
        None => Manager::from_config(config, NoTls, recycling),
    };
    let built = Pool::builder(manager)
        .max_size(database.connections as usize)
        .runtime(deadpool_postgres::Runtime::Tokio1)
        .create_timeout(Some(CONNECT_LIMIT))
        .wait_timeout(Some(CONNECT_LIMIT))
        .build();
    built.map_err(|error| FleetError::Unreachable(Box::new(error)))
}

/// Brings the tables to today's format; says from which and to which. Others that do the same wait meanwhile.
///
/// # Errors
/// The database cannot be reached or refuses; the tables were made by a newer program.
pub async fn migrate(database: &Database) -> Result<(i32, i32), FleetError> {
    let mut client = connect(database).await?;
    // Held by the session: the database gives it back whatever becomes of us.
    let locked = client.execute("SELECT pg_advisory_lock(7440, 0)", &[]).await;
    locked.map_err(|source| FleetError::Database { what: "the lock of the migrations", source })?;
    let before = format(&client).await?;
    if before > FORMAT {
        return Err(FleetError::Format { found: before, known: FORMAT });
    }
    if before < FORMAT {
        let done = embedded::migrations::runner().run_async(&mut client).await;
        done.map_err(|error| FleetError::Migration(Box::new(error)))?;
    }
    Ok((before, FORMAT))
}

/// Checks that the tables have today's format.
///
/// # Errors
/// [`FleetError::Format`]; the database refuses.
pub async fn check_format(client: &Client) -> Result<(), FleetError> {
    match format(client).await? {
        FORMAT => Ok(()),
        found => Err(FleetError::Format { found, known: FORMAT }),
    }
}

async fn format(client: &Client) -> Result<i32, FleetError> {
    let told = |source| FleetError::Database { what: "the format of the tables", source };
    let there = "SELECT to_regclass('refinery_schema_history') IS NOT NULL";
    if !client.query_one(there, &[]).await.map_err(told)?.get::<_, bool>(0) {
        return Ok(0);
    }
    let newest = "SELECT coalesce(max(version), 0)::int FROM refinery_schema_history";
    Ok(client.query_one(newest, &[]).await.map_err(told)?.get(0))
}

/// One connection outside any pool.
///
/// # Errors
/// The database cannot be reached.
pub async fn connect(database: &Database) -> Result<Client, FleetError> {
    let config = client_config(database)?;
    let unreachable = |error| FleetError::Unreachable(Box::new(error));
    Ok(match tls(database)? {
        Some(tls) => {
            let (client, connection) = config.connect(tls).await.map_err(unreachable)?;
            tokio::spawn(connection);
            client
        }
        None => {
            let (client, connection) = config.connect(NoTls).await.map_err(unreachable)?;
            tokio::spawn(connection);
            client
        }
    })
}

fn client_config(database: &Database) -> Result<Config, FleetError> {
    let mut config: Config = database
        .connection
        .parse()
        .map_err(|error| FleetError::Unreachable(Box::<tokio_postgres::Error>::new(error)))?;
    if let Some(file) = &database.password_file {
        config.password(secret::read(file)?.trim_end_matches(['\n', '\r']));
    }
    if config.get_application_name().is_none() {
        config.application_name("turnback fleet");
    }
    if config.get_connect_timeout().is_none() {
        config.connect_timeout(CONNECT_LIMIT);
    }
    // A connection that died without a word is noticed before the broker loses patience with us.
    if config.get_tcp_user_timeout().is_none() {
        config.tcp_user_timeout(DEAD_AFTER);
    }
    if !database.connection.contains("keepalives") {
        config.keepalives_idle(DEAD_AFTER / 2).keepalives_interval(DEAD_AFTER / 4).keepalives_retries(2);
    }
    if database.tls {
        config.ssl_mode(tokio_postgres::config::SslMode::Require);
    }
    Ok(config)
}

fn tls(database: &Database) -> Result<Option<MakeRustlsConnect>, FleetError> {
    let (true, Some(file)) = (database.tls, &database.ca_file) else { return Ok(None) };
    let config = ClientConfig::builder().with_root_certificates(authority(file)?).with_no_client_auth();
    Ok(Some(MakeRustlsConnect::new(config)))
}

/// The certificates in a PEM file, one at least.
fn authority(file: &Path) -> Result<Arc<RootCertStore>, FleetError> {
    let refused = |source| FleetError::Authority { path: file.to_owned(), source };
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_file_iter(file).map_err(|error| refused(Box::new(error)))? {
        let certificate = certificate.map_err(|error| refused(Box::new(error)))?;
        roots.add(certificate).map_err(|error| refused(Box::new(error)))?;
    }
    match roots.is_empty() {
        true => Err(refused("there is no certificate in it".into())),
        false => Ok(Arc::new(roots)),
    }
}

/// A server that takes longer is as good as away.
const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// A server that acknowledges nothing for so long is gone.
const DEAD_AFTER: Duration = Duration::from_secs(20);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_format_is_that_of_the_newest_migration() {
        let newest = embedded::migrations::runner().get_migrations().iter().map(|m| m.version()).max();
        assert_eq!(newest.map(i64::from), Some(i64::from(FORMAT)));
    }
}
