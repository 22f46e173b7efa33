//! What the kernel's files tell about cards: [`tree`] finds what sits in each slot, [`names`] reads the names of vendors
//! and devices. Neither asks a driver.

pub mod names;
pub mod tree;
