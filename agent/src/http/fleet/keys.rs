//! Tokens and sessions of the fleet's page: the database has them, and each process that serves the page holds them in
//! memory, in the manner of an agent. Every few seconds the two are made alike.

use data_encoding::HEXLOWER;
use std::{collections::BTreeSet, sync::Arc, time::Duration};

use tokio::sync::watch;

use crate::{
    daemon::keys::{self, Keys, KnownSession, KnownToken, TokenView},
    error_chain::with_causes,
    fleet::{
        error::FleetError,
        view::{
            View,
            sessions::Session,
            tokens::{Role, Token},
        },
    },
};

/// Makes the keys of this process and those of the database alike.
pub struct Renewal {
    view: Arc<View>,
    keys: Arc<Keys>,
    /// Sessions that the database had the last time, by their digests.
    known: BTreeSet<String>,
}

impl Renewal {
    /// Nothing is renewed yet.
    pub fn new(view: Arc<View>, keys: Arc<Keys>) -> Self {
        Self { view, keys, known: BTreeSet::new() }
    }

    /// What is made or revoked, opened or closed counts within a few seconds, until stopped; then once more.
    pub async fn for_ever(mut self, mut stop: watch::Receiver<bool>) {
        loop {
            let stopped = tokio::time::timeout(EVERY, stop.wait_for(|stopped| *stopped)).await.is_ok();
            match tokio::time::timeout(LIMIT, self.once()).await {
                Ok(Ok(())) => {}
                Ok(Err(error)) => tracing::warn!(error = with_causes(&error), "tokens and sessions stay as they were"),
                Err(_) => tracing::warn!("the database is slow: tokens and sessions stay as they were"),
            }
            if stopped {
                return;
            }
        }
    }

    /// Takes tokens and sessions as the database has them, and notes there what happened to them here.
    ///
    /// # Errors
    /// What the database says.
    pub async fn once(&mut self) -> Result<(), FleetError> {
        let tokens = self.view.tokens().await?;
        let newer = |used: &TokenView| {
            let noted = tokens.iter().find(|token| token.name == used.name)?.last_used_ms;
            used.last_used_ms.filter(|ms| noted.is_none_or(|noted| *ms > noted)).map(|ms| (used.name.clone(), ms))
        };
        let used: Vec<(String, i64)> = self.keys.tokens().iter().filter_map(newer).collect();
        if !used.is_empty() {
            self.view.note_uses(&used).await?;
        }
        let tokens: Vec<KnownToken> = tokens.into_iter().map(known_token).collect();
        self.keys.replace_tokens(tokens.clone());
        self.sessions(&tokens).await
    }

    async fn sessions(&mut self, tokens: &[KnownToken]) -> Result<(), FleetError> {
        let own = self.keys.sessions();
        let own_digests: BTreeSet<&str> = own.iter().map(|session| session.digest.as_str()).collect();
        let opened = own.iter().filter(|session| !self.known.contains(&session.digest)).map(|session| Session {
            digest: bytes(&session.digest),
            token: session.name.clone(),
            opened_ms: session.made_ms,
            ends_ms: session.ends_ms,
        });
        let closed: BTreeSet<&String> = self.known.iter().filter(|known| !own_digests.contains(&***known)).collect();
        let closed_bytes = closed.iter().map(|digest| bytes(digest)).collect();
        self.view.note_sessions(&opened.collect::<Vec<_>>(), &closed_bytes).await?;
        let there: BTreeSet<String> = {
            let there = self.view.sessions().await?;
            let known = |session: Session| {
                let token = tokens.iter().find(|token| token.view.name == session.token)?;
                Some(KnownSession {
                    digest: HEXLOWER.encode(&session.digest),
                    name: session.token,
                    role: token.view.role,
                    made_ms: session.opened_ms,
                    ends_ms: session.ends_ms,
                })
            };
            let there: Vec<KnownSession> = there.into_iter().filter_map(known).collect();
            let digests = there.iter().map(|session| session.digest.clone()).collect();
            let elsewhere = there.into_iter().filter(|session| !own_digests.contains(&*session.digest));
            let ended: BTreeSet<String> = self.known.difference(&digests).cloned().collect();
            self.keys.settle_sessions(elsewhere.collect(), &ended);
            digests
        };
        self.known = there;
        Ok(())
    }
}

fn known_token(token: Token) -> KnownToken {
    let role = match token.role {
        Role::Metrics => keys::Role::Metrics,
        Role::Read => keys::Role::Read,
        Role::Write => keys::Role::Test,
    };
    KnownToken {
        digest: HEXLOWER.encode(&token.digest),
        view: TokenView {
            name: token.name,
            role,
            by: token.by,
            made_ms: token.made_ms,
            last_used_ms: token.last_used_ms,
        },
    }
}

/// The bytes of a digest that [`Keys`] made.
fn bytes(digest: &str) -> Vec<u8> {
    HEXLOWER.decode(digest.as_bytes()).unwrap_or_default()
}

const EVERY: Duration = Duration::from_secs(3);
/// The page goes on without, and a process that ends waits no longer.
const LIMIT: Duration = Duration::from_secs(5);
