//! Checks that the fleet's page asks for. They are refused for the same reasons as if a person asked on the agent's own
//! page, and no more of them are let in. Who asked is on record.

use std::{
    collections::VecDeque,
    net::{IpAddr, Ipv4Addr},
    sync::Arc,
    time::{Duration, Instant},
};

use async_nats::Client;
use futures_util::StreamExt;
use tokio::sync::broadcast::error::RecvError;
use turnback_core::fleet::{
    FORMAT,
    request::{ACCEPTED, CheckAnswer, CheckRequest, DONE, REFUSED, REQUEST_BYTES_MAX},
    subject::Sender,
};

use crate::{
    daemon::{
        agent::{Agent, Happening, Hearing, StartOrder},
        rate::{CHANGES, Rate},
        status::Shared,
    },
    error_chain::with_causes,
    fleet::broker::accounts::{ANSWER, ASK},
};

/// Answers until the daemon ends.
pub async fn answer_for_ever(shared: Arc<Shared>, agent: Arc<dyn Agent>, client: Client, sender: Sender) {
    let asked = loop {
        match client.subscribe(format!("{ASK}.{sender}")).await {
            Ok(asked) => break asked,
            Err(error) => tracing::warn!(error = with_causes(&error), "no checks can be asked for from the fleet"),
        }
        tokio::select! {
            () = tokio::time::sleep(AGAIN) => {}
            () = shared.stopped.cancelled() => return,
        }
    };
    let desk = Desk { agent, client, sender };
    let mut gate = Gate::new();
    let mut asked = std::pin::pin!(asked);
    loop {
        tokio::select! {
            message = asked.next() => match message {
                Some(message) => desk.hear(&message.payload, &mut gate).await,
                None => return,
            },
            () = shared.stopped.cancelled() => return,
        }
    }
}

/// Which requests are let in.
struct Gate {
    rate: Rate,
    /// Newest first.
    known: VecDeque<String>,
}

/// What a message is.
#[derive(Debug, PartialEq)]
enum Heard {
    /// Nothing that can be answered, or what was answered before.
    Nothing,
    /// Too many were asked for.
    TooOften(CheckRequest),
    /// To be carried out.
    Asked(CheckRequest),
}

impl Gate {
    fn new() -> Self {
        Self { rate: Rate::new(CHANGES), known: VecDeque::new() }
    }

    fn hear(&mut self, payload: &[u8], now: Instant) -> Heard {
        if payload.len() > REQUEST_BYTES_MAX {
            return Heard::Nothing;
        }
        let Ok(request) = serde_json::from_slice::<CheckRequest>(payload) else { return Heard::Nothing };
        if uuid::Uuid::try_parse(&request.id).is_err() || self.known.contains(&request.id) {
            return Heard::Nothing;
        }
        self.known.push_front(request.id.clone());
        self.known.truncate(KNOWN_MAX);
        // The whole fleet counts as one caller.
        match self.rate.take(IpAddr::V4(Ipv4Addr::UNSPECIFIED), now) {
            Ok(()) => Heard::Asked(request),
            Err(_) => Heard::TooOften(request),
        }
    }
}

#[derive(Clone)]
struct Desk {
    agent: Arc<dyn Agent>,
    client: Client,
    sender: Sender,
}

impl Desk {
    async fn hear(&self, payload: &[u8], gate: &mut Gate) {
        match gate.hear(payload, Instant::now()) {
            Heard::Nothing => tracing::debug!("a request of the fleet is no request, or known already"),
            Heard::TooOften(request) => {
                self.answer(
                    &request,
                    REFUSED,
                    "too many checks are asked for from the fleet; try again in a minute",
                    None,
                )
                .await;
            }
            Heard::Asked(request) => self.carry_out(request).await,
        }
    }

    async fn carry_out(&self, request: CheckRequest) {
        // Listening begins before the run can.
        let hearing = self.agent.listen(None);
        let order = StartOrder {
            port: request.port.clone(),
            profile: request.profile.clone(),
            placement: request.placement.clone(),
            cable: request.cable.clone(),
        };
        let (agent, by) = (Arc::clone(&self.agent), who(&request.by));
        let started = tokio::task::spawn_blocking(move || agent.start(order, &by)).await;
        match started {
            Ok(Ok(run)) => {
                tracing::info!(run, port = request.port, by = request.by, "the fleet asked for a check");
                self.answer(&request, ACCEPTED, "The run begins as soon as there is room.", Some((&run, None))).await;
                tokio::spawn(self.clone().follow(request, run, hearing));
            }
            Ok(Err(refusal)) => self.answer(&request, REFUSED, &refusal.to_string(), None).await,
            Err(error) => {
                tracing::error!(%error, "a request of the fleet failed inside");
                self.answer(&request, REFUSED, "the agent failed here; its log says more", None).await;
            }
        }
    }

    /// Tells how the run goes, until it is over.
    async fn follow(self, request: CheckRequest, run: String, hearing: Hearing) {
        let (mut receiver, mut told) = (hearing.receiver, None);
        let mut look = tokio::time::interval(PROGRESS_EVERY);
        loop {
            tokio::select! {
                heard = receiver.recv() => match heard {
                    Ok(heard) => {
                        if let Happening::RunOver { run: over, outcome, .. } = &heard.happening
                            && *over == run
                        {
                            let says = match outcome {
                                Some(outcome) => format!("The run is over: {}.", outcome.name().replace('-', " ")),
                                None => "The run could not be made; the agent's log says why.".to_owned(),
                            };
                            self.answer(&request, DONE, &says, Some((&run, Some(1.0)))).await;
                            return;
                        }
                    }
                    Err(RecvError::Lagged(_)) => {}
                    Err(RecvError::Closed) => return,
                },
                _ = look.tick() => {
                    let ports = self.agent.ports();
                    let live = ports.iter().filter_map(|port| port.running.as_ref()).find(|live| live.run == run);
                    let share = live.map(|live| live.share_done.unwrap_or_default());
                    if share.is_some() && share != told {
                        told = share;
                        self.answer(&request, ACCEPTED, "The run is in progress.", Some((&run, share))).await;
                    }
                    // It may have ended in a gap of what was heard.
                    if live.is_none() && told.is_some() && self.agent.report(&run).is_ok() {
                        self.answer(&request, DONE, "The run is over.", Some((&run, Some(1.0)))).await;
                        return;
                    }
                }
            }
        }
    }

    async fn answer(&self, request: &CheckRequest, state: &str, says: &str, run: Option<(&str, Option<f64>)>) {
        let answer = CheckAnswer {
            format: FORMAT,
            id: request.id.clone(),
            state: state.to_owned(),
            says: says.to_owned(),
            run: run.map(|(run, _)| run.to_owned()),
            share_done: run.and_then(|(_, share)| share),
        };
        let Ok(bytes) = serde_json::to_vec(&answer) else { return };
        if let Err(error) = self.client.publish(format!("{ANSWER}.{}", self.sender), bytes.into()).await {
            tracing::warn!(error = with_causes(&error), "an answer to the fleet cannot be sent");
        }
    }
}

/// Who asked, as it stands on the record.
fn who(name: &str) -> String {
    let plain: String = name.chars().filter(|c| !c.is_control()).take(NAME_MAX).collect();
    format!("{plain} (fleet)")
}

const AGAIN: Duration = Duration::from_secs(5);
const PROGRESS_EVERY: Duration = Duration::from_secs(2);
/// Requests that are not carried out again.
const KNOWN_MAX: usize = 1024;
const NAME_MAX: usize = 60;

#[cfg(test)]
mod tests {
    use super::*;

    fn request() -> CheckRequest {
        CheckRequest { id: uuid::Uuid::now_v7().to_string(), port: "quay3".into(), ..CheckRequest::default() }
    }

    #[test]
    fn a_request_is_carried_out_once_and_no_faster_than_by_hand() {
        let (mut gate, now, first) = (Gate::new(), Instant::now(), request());
        let bytes = serde_json::to_vec(&first).unwrap();
        assert_eq!(gate.hear(&bytes, now), Heard::Asked(first));
        assert_eq!(gate.hear(&bytes, now), Heard::Nothing);
        let mut let_in = 1;
        while let Heard::Asked(_) = gate.hear(&serde_json::to_vec(&request()).unwrap(), now) {
            let_in += 1;
            assert!(let_in <= 1000, "no end");
        }
        // As `docs/http-api.md` says of changing calls from one address: 30 at once.
        assert_eq!(let_in, 30);
        assert!(matches!(
            gate.hear(&serde_json::to_vec(&request()).unwrap(), now + Duration::from_secs(1)),
            Heard::Asked(_)
        ));
    }

    #[test]
    fn what_is_no_request_is_let_be() {
        let mut gate = Gate::new();
        let long = vec![b' '; REQUEST_BYTES_MAX + 1];
        for payload in [&b""[..], b"{}", b"[]", b"{\"id\": \"x\", \"port\": \"quay3\"}", b"\xff", &long] {
            assert_eq!(gate.hear(payload, Instant::now()), Heard::Nothing);
        }
        assert_eq!(who("night\n\u{1b}shift"), "nightshift (fleet)");
    }
}
