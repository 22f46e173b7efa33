//! Progress on stderr: one line rewritten in place on a terminal, plain lines otherwise.

use std::io::{IsTerminal, Write};

use turnback_core::{
    event::{Event, Progress},
    kind::ethernet::link::PortSetting,
};

use super::figure;

/// Shows events as they come.
pub struct ProgressLine {
    live: bool,
    quiet: bool,
    shown: bool,
    step: String,
}

impl ProgressLine {
    /// `quiet` where the answer is for a program: then only a terminal sees progress.
    pub fn new(quiet: bool) -> Self {
        let live = std::io::stderr().is_terminal();
        Self { live, quiet: quiet && !live, shown: false, step: String::new() }
    }

    /// Shows one event.
    pub fn show(&mut self, event: &Event) {
        if self.quiet {
            return;
        }
        match event {
            Event::LinkRead { link } if !link.up => self.line("no link"),
            Event::Listened { foreign: 0 } => {}
            Event::Listened { foreign } => {
                self.line(&format!("heard {foreign} frames of other stations: nothing is sent"))
            }
            Event::LineListened { foreign_bytes: 0 } => {}
            Event::LineListened { foreign_bytes } => {
                self.line(&format!("heard {foreign_bytes} bytes of something else: nothing is sent"))
            }
            Event::LineEstimated { seconds } => self.line(&format!("takes about {}", figure::seconds(seconds.ceil()))),
            Event::HandfulDone { sent, returned } => {
                self.line(&format!("first probes: {returned} of {sent} came back"))
            }
            Event::SettingChanged { port, setting } => {
                let what = match setting {
                    PortSetting::ForcedSpeed(mbps) => format!("speed forced to {mbps} Mb/s"),
                    PortSetting::InternalLoop(on) => format!("loop inside the chip {}", switch(*on)),
                    PortSetting::DeliverBadFrames(on) => {
                        format!("delivery of frames that failed their check {}", switch(*on))
                    }
                    PortSetting::Up(on) => format!("port switched {}", switch(*on)),
                };
                self.line(&format!("changed on {port} for this run: {what}"));
            }
            Event::LineSettingChanged { setting, .. } => self.line(&format!("changed for this run: {setting}")),
            Event::SettingPutBack { setting } => self.line(&format!("put back: {setting}")),
            Event::StepStarted { step, of, size_bytes, pattern } => {
                let of = of.map_or(String::new(), |n| format!(" of {n}"));
                self.step = format!("step {step}{of}: {size_bytes} B {pattern}");
                if !self.live {
                    self.line(&self.step.clone());
                }
            }
            Event::Progress(progress) if self.live => self.rewrite(progress),
            Event::LineStepStarted { what } => {
                self.step.clone_from(what);
                if !self.live {
                    self.line(what);
                }
            }
            Event::LineProgress { bytes_sent, bytes_failed, proved_below, bits_needed, left_s, .. } if self.live => {
                let proved = proved_below.map_or(String::new(), |r| format!(", proved below {}", figure::ratio(r)));
                let needs = bits_needed.map_or(String::new(), |b| format!(", {b:.1e} bits to go"));
                let left = left_s.map_or(String::new(), |s| format!(", {} left", figure::seconds(s.ceil())));
                self.show_live(&format!(
                    "{}  {} bytes, {} failed{proved}{needs}{left}",
                    self.step,
                    figure::count(*bytes_sent),
                    figure::count(*bytes_failed)
                ));
            }
            Event::LineSlowed { bytes_out } => {
                self.line(&format!("this computer lost bytes: again with {bytes_out} bytes out at once"));
            }
            Event::Slowed { frames_per_second } => self.line(&format!(
                "this computer lost frames: again at {} frames/s",
                figure::count(*frames_per_second as u64)
            )),
            Event::Confirming { placement } => {
                self.line(&format!("it failed: confirming with the loop at `{placement}`"))
            }
            _ => {}
        }
    }

    fn rewrite(&mut self, p: &Progress) {
        let left = p.left_s.map_or(String::new(), |s| format!(", {} left", figure::seconds(s)));
        let proved = p.proved_below.map_or(String::new(), |r| format!(", proved below {}", figure::ratio(r)));
        let needs = p.bits_needed.map_or(String::new(), |b| format!(", {b:.1e} bits to go"));
        let text = format!(
            "{}  {} frames/s, {} errors{proved}{needs}{left}",
            self.step,
            figure::count(p.frames_per_second as u64),
            figure::count(p.errors)
        );
        self.show_live(&text);
    }

    fn show_live(&mut self, text: &str) {
        eprint!("\r{text:<100.100}");
        let _ = std::io::stderr().flush();
        self.shown = true;
    }

    fn line(&mut self, text: &str) {
        self.end();
        eprintln!("{text}");
    }

    /// Clears the live line.
    pub fn end(&mut self) {
        if std::mem::take(&mut self.shown) {
            eprint!("\r{:100}\r", "");
        }
    }
}

fn switch(on: bool) -> &'static str {
    if on { "on" } else { "off" }
}
