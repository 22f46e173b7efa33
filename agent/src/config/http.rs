//! `[http]`: where the page and the API listen.

use std::{
    net::{Ipv4Addr, SocketAddr},
    path::PathBuf,
};

use serde::Deserialize;
use toml::Spanned;

use super::error::{ConfigError, Lines};

/// `[http]` as written.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Http {
    /// Off altogether when false.
    pub enabled: Option<bool>,
    /// Address and port.
    pub listen: Option<Spanned<String>>,
    /// TLS certificate chain, PEM.
    pub certificate_file: Option<Spanned<PathBuf>>,
    /// Its private key, PEM.
    pub key_file: Option<Spanned<PathBuf>>,
    /// File with the token for changing calls.
    pub token_file: Option<PathBuf>,
    /// Host names under which it is reached, beside the address itself.
    pub hosts: Vec<String>,
}

/// Where the page and the API listen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HttpConfig {
    /// Whether they do.
    pub enabled: bool,
    /// Address and port; port 0 takes any that is free.
    pub listen: SocketAddr,
    /// Certificate and key files; always there when `listen` is no loopback address.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// File with the token; none: `token` in the state directory.
    pub token_file: Option<PathBuf>,
    /// Host names under which it is reached.
    pub hosts: Vec<String>,
}

impl Default for HttpConfig {
    fn default() -> Self {
        Self {
            enabled: true,
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, PORT)),
            tls: None,
            token_file: None,
            hosts: Vec::new(),
        }
    }
}

impl HttpConfig {
    /// The address that other machines reach it by, with this TCP port; none: only this machine does.
    pub fn reached_at(&self, port: u16) -> Option<String> {
        let ip = self.listen.ip();
        if ip.is_loopback() {
            return None;
        }
        let own = || SocketAddr::new(ip, port).to_string();
        let named = self.hosts.first().map(|host| format!("{host}:{port}"));
        // Nobody reaches it by the unspecified address.
        let host = named.or_else(|| (!ip.is_unspecified()).then(own))?;
        Some(format!("https://{host}"))
    }
}

/// Registered for nothing and seldom used; our own choice.
pub const PORT: u16 = 7440;

pub(super) fn check(raw: &Http, lines: &Lines<'_>) -> Result<HttpConfig, ConfigError> {
    let mut config = HttpConfig { enabled: raw.enabled.unwrap_or(true), ..HttpConfig::default() };
    if let Some(text) = &raw.listen {
        config.listen = text.get_ref().parse().map_err(|_| {
            lines.value(text, "listen", "an address and a port, such as `127.0.0.1:7440` or `[::1]:7440`")
        })?;
    }
    config.tls = match (&raw.certificate_file, &raw.key_file) {
        (Some(certificate), Some(key)) => Some((certificate.get_ref().clone(), key.get_ref().clone())),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            return Err(lines.at(one.span(), "certificate_file and key_file go together"));
        }
    };
    if let Some(text) = &raw.listen
        && !config.listen.ip().is_loopback()
        && config.tls.is_none()
    {
        let allowed = "an address other machines can reach needs certificate_file and key_file: plain text is for \
            127.0.0.1 and [::1] only";
        return Err(lines.value(text, "listen", allowed));
    }
    config.token_file.clone_from(&raw.token_file);
    config.hosts.clone_from(&raw.hosts);
    Ok(config)
}
