//! What people asked for between the runs: what is remembered of it, stages of cases, and what was held back meanwhile.

use jiff::Timestamp;
use turnback_core::watch::standing::Change;

use super::{
    Supervisor,
    conclude::{hysteresis, outgoing},
};
use crate::{
    archive::logbook::Entry,
    daemon::{
        agent::{AgentError, Happening},
        announce::{Announcement, with_logbook},
        cases::{self, Told},
        host::Host,
        status::{PAUSES, Save},
    },
};

/// What the run of a stage found, until it is in its case.
#[derive(Clone)]
pub(super) struct StageEnd {
    case: String,
    run: String,
    told: Told,
}

impl<S: Host> Supervisor<S> {
    /// Writes what a request changed.
    pub(super) async fn save(&mut self, save: Save) {
        let now_ms = self.host.now().as_millisecond();
        let entry = {
            let status = self.shared.status();
            let Some(watched) = status.ports.get(&save.port) else { return };
            let announced = save.announce && status.is_announced(watched, now_ms);
            let diagnosis = watched.memory.diagnosis.as_ref().filter(|_| announced);
            let outgoing = diagnosis.map(|diagnosis| {
                let state = watched.memory.standing.state;
                let announcement = Announcement::of_diagnosis(&save.port, &watched.labels, state, diagnosis);
                outgoing(&status.config, watched, None, &announcement, now_ms)
            });
            let outgoing = outgoing.unwrap_or_default();
            Entry { port: save.port.clone(), memory: watched.memory.clone(), outgoing, ..Entry::default() }
        };
        self.enter(entry).await;
        self.shared.posted.notify_one();
        self.shared.tell(Happening::Cared { port: Some(save.port) });
        // Whoever waits for it may have gone.
        let _ = save.written.send(());
    }

    /// A run that carried out a stage of a case goes into the case.
    pub(super) async fn end_stage(&mut self, case: Option<&str>, run: &str, told: Told) {
        let Some(case) = case else { return };
        self.stage_ends.push(StageEnd { case: case.to_owned(), run: run.to_owned(), told });
        self.end_stages().await;
    }

    /// Brings into their cases what stages found; what the disk does not take now is kept and tried again.
    pub(super) async fn end_stages(&mut self) {
        for end in std::mem::take(&mut self.stage_ends) {
            let StageEnd { case, run, told } = end.clone();
            match with_logbook(&self.shared.logbook, move |logbook| cases::end(logbook, &case, &run, told)).await {
                Ok(case) => {
                    let now_ms = self.host.now().as_millisecond();
                    self.shared.unlock_case(&case.case);
                    self.shared.status().settle_diagnosis(&case, "", now_ms);
                    self.after_diagnosis(&case.port.name).await;
                    self.shared.tell(Happening::Case { case: case.case, port: case.port.name });
                }
                Err(AgentError::Store(error)) => {
                    tracing::error!(case = end.case, error, "what a stage found waits in memory: the disk took it not");
                    self.pending_since = Some(tokio::time::Instant::now());
                    self.stage_ends.push(end);
                }
                Err(error) => {
                    self.shared.unlock_case(&end.case);
                    tracing::error!(case = end.case, %error, "what a stage found has no case to go to");
                }
            }
        }
    }

    /// Writes what a change of the diagnosis means for the port, and has what was found looked at again.
    async fn after_diagnosis(&mut self, port: &str) {
        let now_ms = self.host.now().as_millisecond();
        let round = {
            let status = self.shared.status();
            let Some(watched) = status.ports.get(port) else { return };
            let round = watched.rounds.first().copied();
            let rule = hysteresis(&status.config, round);
            (watched.memory.diagnosis.is_none() && watched.memory.standing.wants_repeat(rule)).then_some(round)
        };
        if let Some(round) = round {
            self.look_again_later(port, round, 0, now_ms);
        }
        self.enter_memory(port).await;
    }

    /// Writes what is remembered of a port.
    async fn enter_memory(&mut self, port: &str) {
        let memory = self.shared.status().ports.get(port).map(|watched| watched.memory.clone());
        if let Some(memory) = memory {
            self.enter(Entry { port: port.to_owned(), memory, ..Entry::default() }).await;
        }
    }

    /// Ends what has lasted long enough: mutes, pauses, and cases in which nobody does anything. Then what changed
    /// while announcements were held back is announced.
    pub(super) async fn end_what_is_over(&mut self, now: Timestamp) {
        let now_ms = now.as_millisecond();
        let (mut written, mut released) = (Vec::new(), Vec::new());
        let ended = {
            let mut status = self.shared.status();
            let status = &mut *status;
            let idle_ms = status.config.limits.case_idle.as_millis() as i64;
            for (name, port) in &mut status.ports {
                let memory = &mut port.memory;
                if memory.muted.as_ref().is_some_and(|mute| now_ms >= mute.until_ms) {
                    memory.muted = None;
                    written.push(name.clone());
                }
                let idle = memory.diagnosis.as_ref().filter(|d| now_ms.saturating_sub(d.touched_ms) > idle_ms);
                let Some(case) = idle.map(|diagnosis| diagnosis.case.clone()) else { continue };
                let on = port.running.as_ref().is_some_and(|run| run.cause.case() == Some(&case));
                if !on && !status.asked.iter().any(|asked| asked.case.as_ref() == Some(&case)) {
                    memory.diagnosis = None;
                    released.push((name.clone(), case));
                }
            }
            let before = status.pauses.len();
            status.pauses.retain(|pause| pause.is_on(now_ms));
            before > status.pauses.len()
        };
        for port in written {
            self.enter_memory(&port).await;
        }
        for (port, case) in released {
            tracing::info!(port, case, "the case lies idle; its port is tested on schedule again");
            self.after_diagnosis(&port).await;
            self.shared.tell(Happening::Case { case, port });
        }
        if ended {
            let text = serde_json::to_string(&self.shared.status().pauses).unwrap_or_default();
            self.keep_note(PAUSES, text).await;
            self.shared.tell(Happening::Cared { port: None });
        }
        self.tell_what_was_held_back(now_ms).await;
    }

    async fn tell_what_was_held_back(&mut self, now_ms: i64) {
        let mut entries = Vec::new();
        {
            let mut status = self.shared.status();
            let late = |(name, port): (&String, &_)| status.is_announced(port, now_ms).then(|| name.clone());
            let late: Vec<String> =
                status.ports.iter().filter(|(_, port)| port.memory.told.is_some()).filter_map(late).collect();
            let config = std::sync::Arc::clone(&status.config);
            for name in late {
                let Some(port) = status.ports.get_mut(&name) else { continue };
                let standing = &port.memory.standing;
                let (to, why) = (standing.state, format!("while announcements were held back: {}", standing.why));
                let told = port.memory.told.take().filter(|told| *told != to);
                let outgoing = told.map(|from| {
                    let change = Change { from, to, at_ms: now_ms, why };
                    let run = port.memory.standing.rests_on.as_ref().and_then(|run| run.run.clone());
                    let announcement = Announcement::new(&name, &port.labels, &change, run);
                    outgoing(&config, port, None, &announcement, now_ms)
                });
                let outgoing = outgoing.unwrap_or_default();
                entries.push(Entry { port: name, memory: port.memory.clone(), outgoing, ..Entry::default() });
            }
        }
        for entry in entries {
            self.enter(entry).await;
            self.shared.posted.notify_one();
        }
    }

    /// Writes the queue of what was asked for.
    pub(super) async fn keep_queue(&mut self) {
        let shared = std::sync::Arc::clone(&self.shared);
        let _ = tokio::task::spawn_blocking(move || shared.keep_queue()).await;
    }

    async fn keep_note(&mut self, name: &'static str, text: String) {
        if let Err(error) = with_logbook(&self.shared.logbook, move |logbook| logbook.keep_note(name, &text)).await {
            tracing::warn!(%error, name, "a note of the agent cannot be written");
        }
    }
}
