//! Takes connections, with or without TLS, and answers them by a router. Knows nothing of what is asked.
//!
//! Every connection has its limits: so long for a TLS greeting and for the head of a request, and one of the
//! [`places`](super::places). What is slow is cut off. An answer that streams may go on for as long as both sides like.

use std::{
    io,
    net::SocketAddr,
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject};
use thiserror::Error;
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::{TcpListener, TcpStream},
    sync::watch,
    task::JoinSet,
    time::timeout,
};
use tokio_rustls::TlsAcceptor;

use super::places::{Place, Places};
use crate::config::HttpConfig;

/// The web side cannot start.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The address is taken, or not this machine's.
    #[error("cannot listen on {address}")]
    Listen {
        /// As configured.
        address: SocketAddr,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// The certificate or its key cannot be used.
    #[error("cannot use {path} for TLS: {cause}")]
    Certificate {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: String,
    },
}

impl ServeError {
    /// The way out, where one is known.
    pub fn hint(&self) -> Option<String> {
        let Self::Listen { address, source } = self else { return None };
        let another =
            "name another address: `listen` under [http], or `--listen` for the demo; port 0 takes any that is free";
        match source.kind() {
            io::ErrorKind::AddrInUse => Some(format!(
                "another program listens at {address}, perhaps another agent (`turnback agent status` asks it): end \
                 it, or {another}"
            )),
            io::ErrorKind::AddrNotAvailable => Some(format!(
                "{} is no address of this machine (`ip -brief address` lists them): {another}",
                address.ip()
            )),
            io::ErrorKind::PermissionDenied => {
                Some(format!("port {} is kept for privileged programs: {another}", address.port()))
            }
            _ => None,
        }
    }

    /// The address is another program's already.
    pub fn is_taken(&self) -> bool {
        matches!(self, Self::Listen { source, .. } if source.kind() == io::ErrorKind::AddrInUse)
    }
}

/// Who called; an extension of each request.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub SocketAddr);

/// Its place; an extension of each request.
#[derive(Clone, Debug)]
pub struct Seated(pub Arc<Place>);

/// Listens, and has not answered yet.
pub struct Server {
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    address: SocketAddr,
}

impl Server {
    /// Takes the address; reads the certificate, if there is to be one.
    ///
    /// # Errors
    /// See [`ServeError`].
    pub async fn bind(config: &HttpConfig) -> Result<Self, ServeError> {
        let tls = config.tls.as_ref().map(|(certificate, key)| acceptor(certificate, key)).transpose()?;
        let failed = |source| ServeError::Listen { address: config.listen, source };
        let listener = TcpListener::bind(config.listen).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Self { listener, tls, address })
    }

    /// The address really taken.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// As a person types it.
    pub fn url(&self) -> String {
        let scheme = if self.tls.is_some() { "https" } else { "http" };
        format!("{scheme}://{}", self.address)
    }

    /// Answers until `stop` turns true or its sender is gone; then lets what is being answered come to its end, for a
    /// moment.
    pub async fn run(self, router: Router, mut stop: watch::Receiver<bool>) {
        let places = Arc::new(Places::default());
        let mut connections = JoinSet::new();
        loop {
            let stream = tokio::select! {
                accepted = self.listener.accept() => match accepted {
                    Ok((stream, peer)) => (stream, peer),
                    Err(error) => {
                        // Out of files, as a rule: it passes when others close.
                        tracing::warn!(%error, "cannot take a connection");
                        tokio::time::sleep(ACCEPT_PAUSE).await;
                        continue;
                    }
                },
                () = stopped(&mut stop) => break,
                Some(_) = connections.join_next() => continue,
            };
            let (stream, peer) = stream;
            let Some(place) = places.take(peer.ip()) else {
                tracing::debug!(%peer, "every place is in use: closed");
                continue;
            };
            let (place, router, tls, stop) = (Arc::new(place), router.clone(), self.tls.clone(), stop.clone());
            connections.spawn(async move {
                tokio::select! {
                    () = connection(stream, peer, Arc::clone(&place), tls, router, stop) => {}
                    () = place.ended() => tracing::debug!(%peer, "waited longest: makes room"),
                }
            });
        }
        drop(self.listener);
        let _ = timeout(STOP_PATIENCE, async { while connections.join_next().await.is_some() {} }).await;
    }
}

/// Until it is time to stop, or nobody is left to say so.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

async fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    place: Arc<Place>,
    tls: Option<TlsAcceptor>,
    router: Router,
    stop: watch::Receiver<bool>,
) {
    let _ = stream.set_nodelay(true);
    match tls {
        None => answer(stream, peer, place, router, stop).await,
        Some(tls) => match timeout(HEAD_PATIENCE, tls.accept(stream)).await {
            Ok(Ok(stream)) => answer(stream, peer, place, router, stop).await,
            Ok(Err(error)) => tracing::debug!(%peer, %error, "no TLS"),
            Err(_) => tracing::debug!(%peer, "TLS greeting too slow"),
        },
    }
}

async fn answer<S>(stream: S, peer: SocketAddr, place: Arc<Place>, router: Router, mut stop: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let service = TowerToHyperService::new(router.layer(Extension(Peer(peer))).layer(Extension(Seated(place))));
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_PATIENCE)
        .max_buf_size(HEAD_BYTES_MAX)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => Some(ended),
        () = stopped(&mut stop) => None,
    };
    let ended = match ended {
        Some(ended) => ended,
        None => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%peer, %error, "connection ended badly");
    }
}

fn acceptor(certificate: &Path, key: &Path) -> Result<TlsAcceptor, ServeError> {
    let bad = |path: &Path, cause: String| ServeError::Certificate { path: path.to_owned(), cause };
    let chain = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| bad(certificate, e.to_string()))?;
    let private = PrivateKeyDer::from_pem_file(key).map_err(|e| bad(key, e.to_string()))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| bad(certificate, e.to_string()))?
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .map_err(|e| bad(certificate, e.to_string()))?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// A head that takes longer is held back on purpose.
const HEAD_PATIENCE: Duration = Duration::from_secs(10);
/// Our longest head is a cookie and a path.
const HEAD_BYTES_MAX: usize = 16 * 1024;
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);
const STOP_PATIENCE: Duration = Duration::from_secs(3);

#[cfg(test)]
mod tests {
    use jiff::Timestamp;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    use super::*;
    use crate::{
        archive::memory::Memory,
        config::Config,
        daemon::{running::RunningAgent, status::Shared},
        http::{access::Names, api, gate::Gate, page, token::Token},
    };

    const TOKEN: &str = "0123456789abcdef0123456789abcdef";

    /// What a caller gets who sends this and then nothing more. Time is tokio's own, and stands still while anybody
    /// works.
    async fn told(sent: &str) -> String {
        let address: SocketAddr = "127.0.0.1:7440".parse().unwrap();
        let shared =
            Shared::new(Config::parse("none", "").unwrap(), Box::new(Memory::default()), || Timestamp::UNIX_EPOCH);
        let names = Names::new(address, &[], false);
        let gate = Arc::new(Gate::new(names, Token::new(TOKEN), Arc::clone(&shared.keys), true));
        let place = Arc::new(Arc::new(Places::default()).take("127.0.0.1".parse().unwrap()).unwrap());
        let agent = Arc::new(RunningAgent::new(shared, Box::new(|_, _| Err("nobody asks".into()))));
        let router = crate::http::router(agent, gate, false);
        let (mut ours, theirs) = tokio::io::duplex(4096);
        let (_stop, stopped) = watch::channel(false);
        let served = tokio::spawn(answer(theirs, "127.0.0.1:9".parse().unwrap(), place, router, stopped));
        ours.write_all(sent.as_bytes()).await.unwrap();
        let mut back = String::new();
        ours.read_to_string(&mut back).await.unwrap();
        served.await.unwrap();
        back
    }

    #[tokio::test(start_paused = true)]
    async fn a_head_that_never_ends_is_cut_off() {
        let before = tokio::time::Instant::now();
        let back = told("POST /api/1/runs HTTP/1.1\r\nHost: 127.0.0.1:7440\r\nX-Slow").await;
        assert!(back.is_empty() || back.starts_with("HTTP/1.1 408"), "{back}");
        assert!(before.elapsed() < Duration::from_secs(15), "{:?}", before.elapsed());
    }

    #[tokio::test(start_paused = true)]
    async fn a_body_that_never_comes_is_given_up() {
        let of_api = api::ROUTES.iter().map(|(method, path, _)| (*method, *path, "application/json"));
        let of_page = page::ROUTES.iter().map(|(method, path)| (*method, *path, "application/x-www-form-urlencoded"));
        for (method, path, media_type) in of_api.chain(of_page).filter(|(method, ..)| *method != "GET") {
            let before = tokio::time::Instant::now();
            let back = told(&format!(
                "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:7440\r\nAuthorization: Bearer {TOKEN}\r\n\
                 Content-Type: {media_type}\r\nContent-Length: 100\r\n\r\n{{"
            ))
            .await;
            // Those that take no body answer at once, and do not wait for one.
            let takes_none =
                ["/api/1/runs/{run}/end", "/api/1/cabinets/{cabinet}/runs", "/api/1/tokens/{name}/revoke", "/leave"]
                    .contains(&path);
            match takes_none {
                true => assert!(back.starts_with("HTTP/1.1 404") || back.starts_with("HTTP/1.1 303"), "{path}: {back}"),
                false => assert!(back.starts_with("HTTP/1.1 408") && back.contains("too-slow"), "{path}: {back}"),
            }
            assert!(before.elapsed() < Duration::from_secs(25), "{path}: {:?}", before.elapsed());
        }
    }
}
