//! `turnback fleet accounts`.

use std::{fs, path::Path, process::ExitCode};

use turnback_core::fleet::subject::{NameError, Sender};

use crate::{
    cli::{USAGE, complain, print},
    config::fleet::FleetConfig,
    fleet::{
        broker::{Party, accounts},
        error::FleetError,
    },
    show::lines::tell,
};

/// Makes seeds, and the broker's file.
pub fn run(config: &FleetConfig, folder: &Path, machines: &[String]) -> ExitCode {
    let mut parties = vec![Party::Init, Party::Collector, Party::View];
    for given in machines {
        match sender(given) {
            Ok(sender) => parties.push(Party::Agent(sender)),
            Err(error) => {
                tell("error: ", format_args!("`{given}` is no machine of the form SITE.MACHINE: {error}"));
                return ExitCode::from(USAGE);
            }
        }
    }
    match make(config, folder, parties) {
        Ok(told) => print(&told, ExitCode::SUCCESS),
        Err(error) => {
            complain(&error, error.hint());
            ExitCode::from(USAGE)
        }
    }
}

fn make(config: &FleetConfig, folder: &Path, mut parties: Vec<Party>) -> Result<String, FleetError> {
    let unwritable = |source| FleetError::Unwritable { path: folder.to_owned(), source };
    fs::create_dir_all(folder).map_err(unwritable)?;
    // Machines that were made before stay in the broker's file.
    for entry in fs::read_dir(folder).map_err(unwritable)? {
        let name = entry.map_err(unwritable)?.file_name();
        let named = name.to_str().and_then(|name| name.strip_prefix("agent.")?.strip_suffix(".seed"));
        parties.extend(named.and_then(|name| sender(name).ok()).map(Party::Agent));
    }
    parties.sort_by_key(ToString::to_string);
    parties.dedup();
    let accounts = accounts::prepare(folder, &parties)?;
    let file = folder.join("accounts.conf");
    // Written aside and then given its name: the broker may read it at any time.
    let aside = folder.join(format!("accounts.conf.new-{}", std::process::id()));
    let written =
        fs::write(&aside, accounts::broker_file(&accounts, &config.stream)).and_then(|()| fs::rename(&aside, &file));
    written.map_err(|source| FleetError::Unwritable { path: file.clone(), source })?;
    let made: Vec<_> = accounts.iter().filter(|account| account.is_new).collect();
    let mut told: String = made.iter().map(|account| format!("made {}\n", account.file.display())).collect();
    told.push_str(&format!("wrote {} with {} accounts\n", file.display(), accounts.len()));
    Ok(told)
}

fn sender(text: &str) -> Result<Sender, NameError> {
    let (site, machine) = text.split_once('.').unwrap_or((text, ""));
    Ok(Sender { site: site.parse()?, machine: machine.parse()? })
}
