//! Serial lines of this machine: [`line`] is the seam to one, [`inventory`] says what there is.

pub mod inventory;
pub mod line;
