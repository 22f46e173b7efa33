//! Progress on stderr: one line rewritten in place on a terminal, and a line of its own for what must not be missed.

use std::{io::IsTerminal, time::Instant};

use turnback_core::{
    event::{Awaited, Event, Progress},
    kind::Kind,
};

use super::{
    figure,
    lines::{columns, cut, message_width, wrapped},
};
use crate::tell;

/// What somebody wants to see and hear of a run.
#[derive(Clone, Copy, Debug, Default)]
pub struct ProgressOptions {
    /// The answer is for a program: then only a terminal sees progress.
    pub quiet: bool,
    /// Every step and every changed setting too.
    pub details: bool,
    /// Somebody was told before how long it takes.
    pub length_told: bool,
    /// The terminal's bell rings when something gets lost or comes back wrong.
    pub bell: bool,
}

/// Shows events as they come.
pub struct ProgressLine {
    options: ProgressOptions,
    live: bool,
    shown: bool,
    /// What goes on now.
    step: String,
    /// Where the loop is while a failure is confirmed, as the beginning of a sentence.
    place: String,
    /// When the run is over, as estimated before it sent.
    over_at: Option<Instant>,
    /// Seconds that the last step knew to be left of the run.
    left_s: Option<f64>,
    /// Failures that the bell has told of.
    heard: u64,
    /// Somebody was asked whether a plug is fitted.
    asked_for_plug: bool,
    /// What somebody is to look at where nothing comes back.
    question: String,
}

impl ProgressLine {
    /// Nothing shown yet.
    pub fn new(options: ProgressOptions) -> Self {
        let live = std::io::stderr().is_terminal();
        Self {
            options: ProgressOptions { quiet: options.quiet && !live, ..options },
            live,
            shown: false,
            step: String::new(),
            place: String::new(),
            over_at: None,
            left_s: None,
            heard: 0,
            asked_for_plug: false,
            question: "Is a plug fitted?".into(),
        }
    }

    /// Shows one event.
    pub fn show(&mut self, event: &Event) {
        if self.options.quiet {
            return;
        }
        match event {
            Event::RunStarted { port, return_port: Some(other), .. } => {
                self.question = format!("Does the cable go from {port} to {other}?");
            }
            Event::Listened { foreign: heard @ 1.. } => {
                self.detail(&format!("Heard {} frames of other stations: nothing is sent.", figure::count(*heard)));
            }
            Event::LineListened { foreign_bytes: heard @ 1.. } => {
                self.detail(&format!("Heard {} bytes of another device: nothing is sent.", figure::count(*heard)));
            }
            Event::Estimated { seconds, allowed_s } => self.estimated(*seconds, *allowed_s),
            Event::LineEstimated { seconds } => self.estimated(*seconds, None),
            Event::Waiting { what: Awaited::LostLink, left_s } => {
                self.ring();
                if self.live {
                    let more = format!("waiting {} more for it to come back", figure::seconds(left_s.ceil()));
                    self.show_live(&["NO LINK".into(), more, self.step.clone()]);
                }
            }
            Event::Waiting { what, left_s } if self.live => {
                let left = format!("{} left", figure::seconds(left_s.ceil()));
                self.show_live(&[format!("{}waiting for {}", self.place, what.in_words()), left]);
            }
            Event::LinkRead { link } if !link.up => self.detail("no link"),
            Event::FirstProbesDone { returned: 0, .. } if self.place.is_empty() && !self.asked_for_plug => {
                self.asked_for_plug = true;
                self.line(&format!("Nothing has come back yet. {}", self.question));
            }
            Event::FirstProbesDone { returned: 0, .. } => {}
            Event::FirstProbesDone { sent, returned } => {
                self.step = format!("{}first probes: {returned} of {sent} came back", self.place);
                self.begin_step();
            }
            Event::SettingChanged { port, setting } => self.changed(port, setting),
            Event::LineSettingChanged { port, setting } => self.changed(port, setting),
            Event::StepStarted { step, of, size_bytes, pattern } => {
                let of = of.map_or(String::new(), |n| format!(" of {n}"));
                self.step = format!("step {step}{of}: {size_bytes} B {pattern}");
                self.begin_step();
            }
            Event::LineStepStarted { what } => {
                self.step = format!("{}{what}", self.place);
                self.begin_step();
            }
            Event::Progress(p) => self.progressed(Kind::Ethernet, &Standing::of_frames(p)),
            Event::LineProgress { bytes_returned, bytes_failed, left_s, silent_s, .. } => self.progressed(
                Kind::Serial,
                &Standing {
                    is_any_back: *bytes_returned > 0,
                    failed: *bytes_failed,
                    silent_s: *silent_s,
                    left_s: *left_s,
                    ..Standing::default()
                },
            ),
            Event::LineSlowed { bytes_out } => self.line(&format!(
                "This computer lost bytes, so the step is repeated with {} bytes out at once.",
                figure::count(*bytes_out)
            )),
            Event::Slowed { frames_per_second } => self.line(&format!(
                "This computer lost frames, so the step is repeated at {} frames/s.",
                figure::count(*frames_per_second as u64)
            )),
            Event::Confirming { placement } => {
                let place = format!("the {}", placement.in_words());
                (self.over_at, self.left_s) = (None, None);
                self.line(&format!("Something failed. To narrow it down, the test is repeated with {place}."));
                self.place = format!("with {place}: ");
                self.step = format!("confirming with {place}");
                self.begin_step();
            }
            _ => {}
        }
    }

    fn changed(&mut self, port: &str, setting: &dyn std::fmt::Display) {
        self.detail(&format!("changed on {port} for this run: {setting}"));
    }

    fn estimated(&mut self, seconds: f64, allowed_s: Option<f64>) {
        let takes = format!("Takes about {} if nothing fails.", figure::seconds(seconds.ceil()));
        match allowed_s.filter(|allowed| *allowed < seconds) {
            Some(allowed) => self.line(&format!(
                "The proof takes about {}, but this run may take {}: allow more with --for.",
                figure::seconds(seconds.ceil()),
                figure::seconds(allowed)
            )),
            None if self.options.length_told => {}
            None => self.line(&takes),
        }
        let runs_for = std::time::Duration::try_from_secs_f64(seconds.max(0.0));
        self.over_at = runs_for.ok().and_then(|time| Instant::now().checked_add(time));
    }

    /// Shows the step that begins: live, or on a line of its own for somebody who wants every detail.
    fn begin_step(&mut self) {
        if self.live {
            let left =
                self.left_s.or(self.estimated_left_s()).map(|s| format!("about {} left", figure::seconds(s.ceil())));
            let mut parts = vec![self.step.clone()];
            parts.extend(left);
            self.show_live(&parts);
        } else {
            self.detail(&self.step.clone());
        }
    }

    /// What the estimate leaves, seconds; none once it turned out too short.
    fn estimated_left_s(&self) -> Option<f64> {
        let left = self.over_at?.checked_duration_since(Instant::now())?;
        (!left.is_zero()).then_some(left.as_secs_f64())
    }

    fn progressed(&mut self, kind: Kind, now: &Standing) {
        if now.troubles() > self.heard {
            self.ring();
        }
        self.heard = self.heard.max(now.troubles());
        self.left_s = now.left_s.or(self.left_s);
        if self.live {
            self.show_live(&now.parts(kind, &self.step, self.estimated_left_s()));
        }
    }

    fn ring(&self) {
        if self.options.bell {
            tell::text("\u{7}");
        }
    }

    /// As many parts as fit, most important first. The cursor is left at the beginning, so that a terminal which shows
    /// `^C` shows it there, and not in a row of its own.
    fn show_live(&mut self, parts: &[String]) {
        let width = message_width() - 1;
        let mut text = String::new();
        for part in parts {
            let joined = if text.is_empty() { part.clone() } else { format!("{text}, {part}") };
            if columns(&joined) > width && !text.is_empty() {
                break;
            }
            text = cut(&joined, width);
        }
        tell::text(&format!("\r{text}{}\r", " ".repeat(width.saturating_sub(columns(&text)))));
        self.shown = true;
    }

    fn detail(&mut self, text: &str) {
        if self.options.details {
            self.line(text);
        }
    }

    fn line(&mut self, text: &str) {
        self.end();
        tell!("{}", wrapped("", text, message_width()));
    }

    /// Clears the live line.
    pub fn end(&mut self) {
        if std::mem::take(&mut self.shown) {
            tell::text(&format!("\r{}\r", " ".repeat(message_width() - 1)));
        }
    }
}

/// How a step stands, in what every kind of port has.
#[derive(Default)]
struct Standing {
    /// Something of the run came back.
    is_any_back: bool,
    /// Wrong bits of frames; bytes lost, extra or damaged on a serial line.
    failed: u64,
    /// Frames that should be back and are not.
    missing: u64,
    /// Time since something last came back, seconds.
    silent_s: f64,
    /// After so many seconds more of that the rest of the plan is given up.
    gives_up_s: Option<f64>,
    left_s: Option<f64>,
    rate: Option<f64>,
}

impl Standing {
    fn of_frames(p: &Progress) -> Self {
        Self {
            is_any_back: p.frames_returned > 0,
            failed: p.errors,
            missing: p.frames_missing,
            silent_s: p.silent_s,
            gives_up_s: p.gives_up_s,
            left_s: p.left_s.or(p.needed_s),
            rate: Some(p.frames_per_second),
        }
    }

    fn is_silent(&self) -> bool {
        self.silent_s >= SILENT_S
    }

    /// Grows with everything that goes wrong.
    fn troubles(&self) -> u64 {
        self.failed + self.missing + u64::from(self.is_silent())
    }

    /// Parts of the live line, most important first. `estimated_s` is the time left where the step does not know it.
    fn parts(&self, kind: Kind, step: &str, estimated_s: Option<f64>) -> Vec<String> {
        let mut parts = Vec::new();
        if self.is_silent() {
            parts.push(format!("NOTHING BACK for {}", figure::seconds(self.silent_s.floor())));
        }
        if self.missing > 0 {
            parts.push(format!("{} missing", figure::counted(self.missing, "frame")));
        }
        if self.failed > 0 {
            parts.push(match kind {
                Kind::Ethernet => figure::counted(self.failed, "wrong bit"),
                Kind::Serial => format!("{} failed", figure::counted(self.failed, "byte")),
            });
        }
        if parts.is_empty() {
            parts.push(if self.is_any_back { "nothing lost or wrong" } else { "nothing back yet" }.into());
        }
        let left = |s: f64| format!("{} left", figure::seconds(s.ceil()));
        let gives_up = |s: f64| format!("giving up in {}", figure::seconds(s.ceil()));
        parts.extend(self.gives_up_s.map(gives_up).or(self.left_s.or(estimated_s).map(left)));
        if !step.is_empty() {
            parts.push(step.to_owned());
        }
        parts.extend(self.rate.map(|rate| format!("{} frames/s", figure::count(rate as u64))));
        parts
    }
}

/// Silence that is told: far longer than a round trip, short enough for somebody who moves a cable.
const SILENT_S: f64 = 1.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trouble_stands_first_and_time_left_is_always_told() {
        let silent = Progress {
            left_s: Some(31.2),
            frames_missing: 1_234_567,
            silent_s: 9.4,
            frames_returned: 1,
            frames_per_second: 148_809.0,
            ..Progress::default()
        };
        let parts = Standing::of_frames(&silent).parts(Kind::Ethernet, "step 1 of 3: 64 B prbs31", None);
        assert_eq!(
            parts,
            [
                "NOTHING BACK for 9 s",
                "1 234 567 frames missing",
                "32 s left",
                "step 1 of 3: 64 B prbs31",
                "148 809 frames/s"
            ]
        );
        let proof = Progress { needed_s: Some(7300.0), errors: 2, ..Progress::default() };
        let parts = Standing::of_frames(&proof).parts(Kind::Ethernet, "step 1", Some(4.0));
        assert_eq!(parts[..2], ["2 wrong bits", "2.0 h left"]);
        let good = Progress { frames_returned: 1, ..Progress::default() };
        let parts = Standing::of_frames(&good).parts(Kind::Ethernet, "", Some(4.0));
        assert_eq!(parts, ["nothing lost or wrong", "4 s left", "0 frames/s"]);
    }

    #[test]
    fn nothing_is_called_good_before_something_came_back() {
        let parts = Standing::of_frames(&Progress::default()).parts(Kind::Ethernet, "", Some(4.0));
        assert_eq!(parts, ["nothing back yet", "4 s left", "0 frames/s"]);
        let line = Standing::default().parts(Kind::Serial, "prbs31", None);
        assert_eq!(line, ["nothing back yet", "prbs31"]);
    }

    #[test]
    fn who_waits_for_nothing_is_told_when_that_ends() {
        let silent = Progress { left_s: Some(31.2), silent_s: 6.1, gives_up_s: Some(3.9), ..Progress::default() };
        let parts = Standing::of_frames(&silent).parts(Kind::Ethernet, "", None);
        assert_eq!(parts, ["NOTHING BACK for 6 s", "giving up in 4 s", "0 frames/s"]);
    }
}
