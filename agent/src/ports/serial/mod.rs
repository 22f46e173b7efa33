//! Serial lines of this machine. So far they are only listed; [`inventory`] says what there is.

pub mod inventory;
