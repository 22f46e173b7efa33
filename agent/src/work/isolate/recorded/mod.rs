//! Cases among the records: the shelf that the program uses.

use turnback_core::document::{
    case::Case,
    run::{PortIdentity, Report},
};

use crate::archive::cases::{CaseShelf, Sought};
use crate::{
    archive::{
        error::StoreError,
        sqlite::{Store, query::Place},
    },
    guard::state,
};

impl CaseShelf for Store {
    fn save(&mut self, case: &Case) -> Result<(), StoreError> {
        self.save_case(case)
    }

    fn load(&self, id: &str) -> Result<Case, StoreError> {
        self.find_case(id)
    }

    fn open_case(&self, port: &PortIdentity, cable: &str) -> Result<Option<Case>, StoreError> {
        self.latest_open_case(port, cable)
    }

    fn keep_run(&mut self, report: &Report) -> Result<(), StoreError> {
        self.keep(report).map(|_| ())
    }

    fn latest_run(&self, sought: &Sought<'_>) -> Result<Option<Report>, StoreError> {
        let since: jiff::Timestamp = sought
            .since
            .parse()
            .map_err(|_| StoreError::NotARecord(format!("`{}` is no time with zone", sought.since)))?;
        // Ports of other machines bear the same names: runs taken in from there are none of this port.
        let machine = state::machine();
        let place = Place {
            machine: &machine,
            port: &sought.port.name,
            permanent_address: sought.port.permanent_address.as_deref(),
            placement: sought.placement,
            cable: sought.cable,
            segment: sought.segment,
        };
        match self.latest(&place, since.as_millisecond())? {
            None => Ok(None),
            Some(record) => match self.report(&record.run) {
                // Columns alone are no evidence.
                Err(StoreError::NoDocument { .. }) => Ok(None),
                report => report.map(Some),
            },
        }
    }
}

#[cfg(test)]
mod tests;
