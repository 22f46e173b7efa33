//! Telling by a program of the user's: environment and JSON on standard input, a time limit, no shell.

use std::{process::Stdio, time::Duration};

use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    process::Command,
};

use super::{Announcement, hands::HandsNeeded};

/// Runs the program; it took the announcement if it ended with status 0 in time. Then or later all it started is ended.
///
/// # Errors
/// Why it did not, with the end of what it printed on standard error.
pub async fn tell(words: &[String], limit: Duration, document: &str) -> Result<(), String> {
    if let Some(told) = HandsNeeded::read(document) {
        let environment = [
            ("TURNBACK_ID", told.id.as_str()),
            ("TURNBACK_MACHINE", &told.machine),
            ("TURNBACK_EVENT", &told.event),
            ("TURNBACK_NEEDS_ATTENTION", "1"),
            ("TURNBACK_CARD", &told.card),
            ("TURNBACK_SLOT", &told.slot),
            ("TURNBACK_ACT", &told.act),
            ("TURNBACK_AT", &told.at),
            ("TURNBACK_WHY", &told.why),
        ];
        return run(words, limit, &environment, document).await;
    }
    let told: Announcement = serde_json::from_str(document).map_err(|e| e.to_string())?;
    let needs_attention = if told.needs_attention { "1" } else { "0" };
    let always = [
        ("TURNBACK_ID", told.id.as_str()),
        ("TURNBACK_MACHINE", &told.machine),
        ("TURNBACK_EVENT", told.event.name()),
        ("TURNBACK_NEEDS_ATTENTION", needs_attention),
        ("TURNBACK_PORT", &told.port),
        ("TURNBACK_FROM", told.from.name()),
        ("TURNBACK_TO", told.to.name()),
        ("TURNBACK_AT", &told.at),
        ("TURNBACK_WHY", &told.why),
    ];
    let given = [
        ("TURNBACK_LABEL", &told.labels.label),
        ("TURNBACK_CABLE", &told.labels.cable),
        ("TURNBACK_CABINET", &told.labels.cabinet),
        ("TURNBACK_RUN", &told.run),
        ("TURNBACK_CASE", &told.case),
    ];
    let given = given.into_iter().filter_map(|(name, value)| Some((name, value.as_deref()?)));
    let environment: Vec<(&str, &str)> = always.into_iter().chain(given).collect();
    run(words, limit, &environment, document).await
}

/// Runs the program with this environment beside the path, and the document on its standard input.
///
/// # Errors
/// As for [`tell()`].
pub async fn run(
    words: &[String],
    limit: Duration,
    environment: &[(&str, &str)],
    document: &str,
) -> Result<(), String> {
    let (program, arguments) = words.split_first().ok_or("no program")?;
    let mut command = Command::new(program);
    command
        .args(arguments)
        // What the daemon was started with is not the program's business.
        .env_clear()
        .env("PATH", "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        // A group of its own, so that what it started ends with it.
        .process_group(0);
    command.envs(environment.iter().map(|(name, value)| (*name, printable(value))));
    let mut child = command.spawn().map_err(|error| format!("cannot start {program}: {error}"))?;
    let group = child.id();
    let (stdin, stderr) = (child.stdin.take(), child.stderr.take());
    let text = document.to_owned();
    let all = async {
        let feed = async {
            if let Some(mut stdin) = stdin {
                // A program that does not read its input may still have taken the environment.
                let _ = stdin.write_all(text.as_bytes()).await;
            }
        };
        let hear = async {
            let mut said = Vec::new();
            if let Some(stderr) = stderr {
                let _ = stderr.take(SAID_MAX).read_to_end(&mut said).await;
            }
            said
        };
        // What it left running may hold standard error open: its own end is what counts.
        let (said, status) = tokio::select! {
            ((), said, status) = async { tokio::join!(feed, hear, child.wait()) } => (said, status),
        };
        (said, status)
    };
    let ended = tokio::time::timeout(limit, all).await;
    if let Some(group) = group {
        end_group(group);
    }
    match ended {
        Err(_) => Err(format!("{program} was ended: not done within {} s", limit.as_secs())),
        Ok((_, Err(error))) => Err(format!("{program}: {error}")),
        Ok((_, Ok(status))) if status.success() => Ok(()),
        Ok((said, Ok(status))) => {
            let said = String::from_utf8_lossy(&said);
            Err(format!("{program} ended with {status}: {}", printable(said.trim())))
        }
    }
}

/// Environment and log take no control characters.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

fn end_group(leader: u32) {
    super::super::sys::end_group(leader);
}

/// Of what it prints, so much is read.
const SAID_MAX: u64 = 1000;

#[cfg(test)]
mod tests {
    use turnback_core::watch::standing::{Change, State};

    use super::*;
    use crate::config::labels::PortLabels;

    fn document() -> String {
        let labels = PortLabels { label: Some("Q3-07 $(touch x)".into()), ..PortLabels::default() };
        let change = Change { from: State::Proven, to: State::Suspect, at_ms: 0, why: "bit-errors:\nmany".into() };
        serde_json::to_string(&Announcement::new("quay3", &labels, &change, None)).unwrap()
    }

    fn words(script: &str) -> Vec<String> {
        ["/bin/sh", "-c", script].map(str::to_owned).to_vec()
    }

    #[tokio::test]
    async fn environment_and_input_reach_the_program() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told");
        let script = format!(
            "{{ echo \"$TURNBACK_PORT $TURNBACK_FROM $TURNBACK_TO $TURNBACK_LABEL $HOME\"; cat; }} > {}",
            path.display()
        );
        let document = document();
        tell(&words(&script), Duration::from_secs(20), &document).await.unwrap();
        let told = std::fs::read_to_string(path).unwrap();
        assert_eq!(told, format!("quay3 proven suspect Q3-07 $(touch x) \n{document}"));
    }

    #[tokio::test]
    async fn a_program_that_fails_hangs_or_is_not_there_has_not_taken_it() {
        let limit = Duration::from_secs(20);
        let failed = tell(&words("echo no radio >&2; exit 3"), limit, &document()).await.unwrap_err();
        assert!(failed.contains("3") && failed.contains("no radio"), "{failed}");
        let hung = tell(&words("sleep 1000"), Duration::from_millis(50), &document()).await.unwrap_err();
        assert!(hung.contains("not done"), "{hung}");
        let missing = tell(&["/nonexistent/tell".to_owned()], limit, &document()).await.unwrap_err();
        assert!(missing.contains("/nonexistent/tell"), "{missing}");
    }
}
