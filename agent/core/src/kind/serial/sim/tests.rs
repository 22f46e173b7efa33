//! The simulated line against what the trade says of a real one.

use super::builtin::{BUILTIN_SERIAL, builtin_serial};
use super::rig::{SerialHost, SerialRig};
use super::*;
use crate::kind::serial::format::{LineFormat, LineSetting, ModemOutputs};
use crate::sim::value::Seconds;

fn world(name: &str) -> SerialWorld {
    SerialWorld::new(&builtin_serial(name).unwrap(), 5)
}

fn receive_all(world: &mut SerialWorld) -> Vec<u8> {
    let mut got = Vec::new();
    while let Some(at) = world.next_at() {
        world.advance_to(at);
        while let Some(item) = world.take() {
            if let Item::Byte { value, .. } = item {
                got.push(value);
            }
        }
    }
    got
}

#[test]
fn bytes_take_their_time_on_the_line() {
    let mut world = world("serial-good");
    assert_eq!(world.configure("9600,8N1".parse().unwrap()).unwrap().bits_per_second, 9600);
    assert_eq!(world.send(&[0x55; 960]), 960);
    assert_eq!(receive_all(&mut world), [0x55; 960]);
    // 960 characters of 10 bits at 9600 bits a second take one second (computed); then the driver's millisecond.
    assert_eq!(world.now().div_ceil(1_000_000), 1002);
}

#[test]
fn speeds_are_what_the_divisor_gives() {
    let mut world = world("serial-good");
    let mut taken = |bits_per_second| {
        world.configure(LineFormat { bits_per_second, ..LineFormat::default() }).map(|format| format.bits_per_second)
    };
    assert_eq!(taken(115_200), Some(115_200));
    // 460800 / 15 is 30720, 1.7 % off 31250 (computed).
    assert_eq!(taken(31_250), Some(30_720));
    assert_eq!((taken(500_000), taken(400_000)), (None, None));
}

#[test]
fn the_loop_inside_the_chip_maps_the_outputs_as_published() {
    let mut world = world("serial-good");
    assert!(world.apply(LineSetting::InternalLoop(true)));
    // MCR 1A gives MSR 90: OUT2 and RTS give DCD and CTS (Linux 8250_port.c, autoconfig()).
    world.drive(ModemOutputs { rts: true, out2: true, ..ModemOutputs::default() });
    let read = world.inputs().unwrap();
    assert_eq!((read.cts, read.dsr, read.ri, read.dcd), (true, false, false, true));
}

#[test]
fn a_busy_host_overruns_the_chip_and_counts_it() {
    let rig = SerialRig {
        host: SerialHost { stall_s: Seconds(0.01), every_s: Seconds(0.05) },
        ..builtin_serial("serial-good").unwrap()
    };
    let mut world = SerialWorld::new(&rig, 5);
    world.send(&[0; 4000]);
    let got = receive_all(&mut world).len() as u64;
    let errors = world.errors().unwrap();
    assert!(errors.overrun > 0 && got + errors.overrun == 4000, "{got} {errors:?}");
}

#[test]
fn damage_shows_in_the_counts() {
    let mut noisy = world("serial-noisy");
    let mut at = 0;
    for _ in 0..100 {
        noisy.send(&[0xA5; 1000]);
        at += receive_all(&mut noisy).len();
    }
    // Ten bits in each of 100,000 characters at 1e-4: about 100 hits, of which one in ten each is a start and a stop
    // bit.
    let errors = noisy.errors().unwrap();
    assert!((3..25).contains(&errors.framing), "{errors:?}");
    assert!((99_970..100_000).contains(&at), "{at}");
    let mut parity = world("serial-parity");
    for _ in 0..20 {
        parity.send(&[0x25; 1000]);
        receive_all(&mut parity);
    }
    assert!((5..50).contains(&parity.errors().unwrap().parity), "{:?}", parity.errors());
}

#[test]
fn a_break_goes_round_where_something_turns_it_back() {
    for (name, breaks) in [("serial-good", 1), ("serial-no-plug", 0), ("serial-dead", 0)] {
        let mut world = world(name);
        world.send_break(100_000_000);
        assert_eq!(world.errors().unwrap().breaks, breaks, "{name}");
    }
}

#[test]
fn rigs_are_read_back_and_bad_ones_refused_with_line_and_reason() {
    for (name, _) in BUILTIN_SERIAL {
        let rig = builtin_serial(name).unwrap();
        assert_eq!(SerialRig::parse(&rig.to_toml()), Ok(rig), "{name}");
    }
    for (text, line, says) in [
        ("[uart]\nfifo_bytes = 0\n", 2, "1 to 4096"),
        ("format = \"9600,9N1\"\n[uart]\n", 1, "5 to 8 data bits"),
        ("[uart]\nspeling = 1\n", 2, "speling"),
        ("[uart]\n[plug]\nsaid_to_be = \"de15\"\n", 3, "data-only"),
        ("[uart]\n[[faults]]\nplace = \"host\"\nkind = \"inverted\"\n", 4, "place must be"),
        ("[uart]\n[[faults]]\nplace = \"segment:x\"\nkind = \"inverted\"\n", 3, "no segment"),
        (
            "[uart]\n[[faults]]\nplace = \"plug\"\nkind = { open-output = { output = \"out1\" } }\n",
            4,
            "output must be rts or dtr",
        ),
    ] {
        let error = SerialRig::parse(text).unwrap_err();
        assert!(error.line == line && error.text.contains(says), "{text}: {error}");
    }
}
