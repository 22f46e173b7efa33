//! End-to-end tests of the real binary, of real sockets, and of the bytes of released formats.

mod agent;
mod answers;
mod architecture;
mod bench;
mod closed_output;
mod desk_cases;
mod docs_current;
mod harness;
mod host_meddles;
mod isolate;
mod packet_socket;
mod page;
mod plug;
mod probe_bytes;
mod pty_rigs;
mod real_rigs;
mod records;
mod report_pages;
mod rig_script;
mod rigs;
mod serial_rigs;
mod tap_rigs;
mod tidy;
mod web;
mod web_page;
mod web_routes;
