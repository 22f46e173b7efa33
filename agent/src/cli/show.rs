//! Commands that only print: profiles, rigs, wiring, completions, manual page.

use std::process::ExitCode;

use clap::CommandFactory;
use turnback_core::{
    kind::{serial::plug::LinePlug, wiring::WiringKind},
    plan::Profile,
};

use super::{USAGE, args::Args, complain};
use crate::{
    ports::name::rig,
    show::lines::{output_width, wrapped},
};

pub(super) fn print(text: &str) -> ExitCode {
    super::print(text, ExitCode::SUCCESS)
}

pub(super) fn list<'a>(rows: impl Iterator<Item = (String, &'a str)>, hint: &str) -> ExitCode {
    let (rows, columns) = (rows.collect::<Vec<_>>(), output_width());
    let width = rows.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
    let row = |(name, about): &(String, &str)| wrapped(&format!("{name:width$}  "), about, columns) + "\n";
    let text: String = rows.iter().map(row).collect();
    print(&format!("{text}\n{}\n", wrapped("", hint, columns)))
}

/// `turnback profiles [NAME]`.
pub fn profiles(name: Option<&str>) -> ExitCode {
    match name.map(Profile::named) {
        None => {
            let all = Profile::builtin();
            list(
                all.iter().map(|p| (p.name.clone(), p.about.as_str())),
                "`turnback profiles NAME` shows one as TOML; save it, change it, and give the file to --profile.",
            )
        }
        Some(Ok(profile)) => print(&profile.to_toml()),
        Some(Err(error)) => {
            complain(&error, None);
            ExitCode::from(USAGE)
        }
    }
}

/// `turnback rigs [NAME]`.
pub fn rigs(name: Option<&str>) -> ExitCode {
    match name.map(|name| rig(name.strip_prefix("sim:").unwrap_or(name))) {
        None => list(
            turnback_core::kind::rig::builtin_names().map(|(name, about)| (format!("sim:{name}"), about)),
            "`turnback rigs NAME` shows one as TOML; save it, change it, and check `sim:FILE`.",
        ),
        Some(Ok(rig)) => print(&rig.to_toml()),
        Some(Err(error)) => {
            complain(&error, error.hint());
            ExitCode::from(USAGE)
        }
    }
}

/// `turnback wiring [KIND]`.
pub fn wiring(kind: Option<&str>) -> ExitCode {
    match kind.map(str::parse::<WiringKind>) {
        None => {
            let titles = WiringKind::ALL.map(|kind| (kind.to_string(), kind.wiring().title));
            list(titles.iter().map(|(kind, title)| (kind.clone(), &**title)), "`turnback wiring KIND` draws one.")
        }
        Some(Ok(kind)) => print(&kind.page(output_width())),
        // No connector of its own, and no wire that the full plug does not have.
        Some(Err(_)) if kind.is_some_and(|kind| kind.parse() == Ok(LinePlug::DataOnly)) => {
            let width = output_width();
            print(&format!("{}\n\n{}", wrapped("", DATA_ONLY, width.min(80)), WiringKind::De9.page(width)))
        }
        Some(Err(error)) => {
            complain(&error, None);
            ExitCode::from(USAGE)
        }
    }
}

const DATA_ONLY: &str = "A plug for data only joins transmit data and receive data and nothing else: of the plug \
                         below, the wire from pin 3 to pin 2.";

/// `turnback completions SHELL`.
pub fn completions(shell: clap_complete::Shell) -> ExitCode {
    match super::complete::script(shell) {
        Some(script) => print(&script),
        None => ExitCode::from(USAGE),
    }
}

/// `turnback manual`.
pub fn manual() -> ExitCode {
    let mut page = Vec::new();
    match clap_mangen::Man::new(Args::command()).render(&mut page) {
        Ok(()) => print(&String::from_utf8_lossy(&page)),
        Err(_) => ExitCode::from(USAGE),
    }
}

/// `turnback manual --markdown`: the help of every command that is shown, for `docs/cli.md`.
pub fn manual_as_markdown() -> ExitCode {
    let mut root = Args::command().term_width(100);
    root.build();
    let mut text = "# The command line\n\nThe help of every command, as the program prints it (`scripts/regen-docs` \
        writes this file).\n"
        .to_owned();
    help_of(&mut root, "turnback", &mut text);
    print(&text)
}

fn help_of(command: &mut clap::Command, name: &str, text: &mut String) {
    let help = command.clone().bin_name(name).render_long_help().to_string();
    let lines: String =
        help.trim_end().lines().map(|line| format!("    {line}").trim_end().to_owned() + "\n").collect();
    text.push_str(&format!("\n## {name}\n\n{lines}"));
    for inner in command.get_subcommands_mut() {
        if !inner.is_hide_set() && inner.get_name() != "help" {
            let name = format!("{name} {}", inner.get_name());
            help_of(inner, &name, text);
        }
    }
}
