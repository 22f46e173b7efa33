//! Kinds of work, each carried out from end to end for terminal, page and agent alike.

pub mod check;
pub mod isolate;

/// Now to the second, RFC 3339 with the zone of this machine: when a run or stage began.
pub fn now() -> String {
    jiff::Zoned::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}
