//! What the kernel's files tell about cards: [`tree`] finds what sits in each slot, [`names`] reads the names of
//! vendors and devices, `config` what a device notes of errors. Neither asks a driver.

mod config;
pub mod names;
pub mod tree;
