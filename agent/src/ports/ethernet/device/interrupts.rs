//! Interrupts of an interface, and which of its queues each is of, read from a tree like `/sys`.
//!
//! The kernel counts interrupts by their numbers. A driver names each after what it is for; common are `quay1-rx-0`,
//! `quay1-TxRx-3`, `virtio2-output.1` and `mlx5_comp2` (common practice, no source). Such names are taken at their word
//! only where they cover the queues exactly: each number once, and none beyond.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use turnback_core::bench::queues::Way;

use super::ethtool::channels::Channels;

/// The interrupts of an interface.
#[derive(Clone, Debug)]
pub struct Interrupts {
    /// Directory of the kernel's interrupts.
    root: PathBuf,
    /// Number and name of each.
    all: Vec<(u32, String)>,
}

impl Interrupts {
    /// Those that the device of this interface has now; empty where the kernel does not say. `sys` is `/sys`.
    pub fn of(sys: &Path, interface: &str) -> Self {
        let root = sys.join("kernel/irq");
        let device = sys.join("class/net").join(interface).join("device").canonicalize();
        // The device itself, or the one that it sits on, as with virtio.
        let numbers = device.ok().and_then(|device| device.ancestors().take(2).find_map(numbers)).unwrap_or_default();
        let named = |number: u32| {
            let name = fs::read_to_string(root.join(number.to_string()).join("actions")).ok()?;
            let name = name.trim().to_owned();
            // One that is not in use has no name.
            (!name.is_empty()).then_some((number, name))
        };
        let all = numbers.into_iter().filter_map(named).collect();
        Self { root, all }
    }

    /// How often each was raised since the machine started.
    pub fn counts(&self) -> BTreeMap<u32, u64> {
        let count = |number: u32| {
            let text = fs::read_to_string(self.root.join(number.to_string()).join("per_cpu_count")).ok()?;
            text.trim().split(',').map(|count| count.parse::<u64>().ok()).sum::<Option<u64>>()
        };
        self.all.iter().filter_map(|(number, _)| Some((*number, count(*number)?))).collect()
    }

    /// The interrupt of each queue, as far as the driver says.
    pub fn by_queue(&self, queues: Channels) -> BTreeMap<(Way, u32), u32> {
        let mut by_queue = BTreeMap::new();
        for (way, count) in [(Way::Receive, queues.receive), (Way::Transmit, queues.transmit)] {
            let told = self.all.iter().filter_map(|(irq, name)| Some((queue_of(name, way)?, *irq)));
            let mut told: Vec<(u32, u32)> = told.collect();
            told.sort_unstable();
            if told.iter().map(|(number, _)| *number).eq(0..count) {
                by_queue.extend(told.into_iter().map(|(number, irq)| ((way, number), irq)));
            } else if let ([(irq, _)], 1) = (&self.all[..], count) {
                by_queue.insert((way, 0), *irq);
            }
        }
        by_queue
    }
}

/// Numbers of the interrupts of a device: messages, else its one line.
fn numbers(device: &Path) -> Option<Vec<u32>> {
    let messages = fs::read_dir(device.join("msi_irqs")).into_iter().flatten().flatten();
    let mut numbers: Vec<u32> = messages.filter_map(|entry| entry.file_name().to_str()?.parse().ok()).collect();
    if numbers.is_empty() {
        numbers.push(fs::read_to_string(device.join("irq")).ok()?.trim().parse().ok().filter(|line| *line > 0)?);
    }
    numbers.sort_unstable();
    Some(numbers)
}

/// The queue that an interrupt of this name is of, if it is of one of this kind.
fn queue_of(name: &str, way: Way) -> Option<u32> {
    let words: Vec<String> = name.split(|c: char| !c.is_ascii_alphanumeric()).map(str::to_ascii_lowercase).collect();
    // From the end: interfaces have names too.
    let (at, word, of) = words.iter().enumerate().rev().find_map(|(at, word)| {
        let of: &[Way] = match word.trim_end_matches(|c: char| c.is_ascii_digit()) {
            "txrx" | "rxtx" | "comp" => &[Way::Receive, Way::Transmit],
            "rx" | "input" => &[Way::Receive],
            "tx" | "output" => &[Way::Transmit],
            _ => return None,
        };
        Some((at, word, of))
    })?;
    let own = word.trim_start_matches(|c: char| !c.is_ascii_digit());
    let number = if own.is_empty() { words.get(at + 1)?.as_str() } else { own };
    number.parse().ok().filter(|_| of.contains(&way))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tree with a device that has these interrupts, each with counts of its processors.
    fn tree(below: &str, messages: bool, interrupts: &[(u32, &str, &str)]) -> tempfile::TempDir {
        let root = tempfile::tempdir().unwrap();
        let device = root.path().join("devices/0000:01:00.0");
        fs::create_dir_all(device.join(below)).unwrap();
        fs::create_dir_all(root.path().join("class/net/quay1")).unwrap();
        std::os::unix::fs::symlink(device.join(below), root.path().join("class/net/quay1/device")).unwrap();
        for (number, name, counts) in interrupts {
            let irq = root.path().join("kernel/irq").join(number.to_string());
            fs::create_dir_all(&irq).unwrap();
            fs::write(irq.join("actions"), format!("{name}\n")).unwrap();
            fs::write(irq.join("per_cpu_count"), format!("{counts}\n")).unwrap();
            if messages {
                fs::create_dir_all(device.join("msi_irqs")).unwrap();
                fs::write(device.join("msi_irqs").join(number.to_string()), "msix\n").unwrap();
            } else {
                fs::write(device.join("irq"), format!("{number}\n")).unwrap();
            }
        }
        root
    }

    fn by_queue(root: &tempfile::TempDir, receive: u32, transmit: u32) -> Vec<(Way, u32, u32)> {
        let found = Interrupts::of(root.path(), "quay1").by_queue(Channels { receive, transmit });
        found.into_iter().map(|((way, number), irq)| (way, number, irq)).collect()
    }

    #[test]
    fn names_are_taken_at_their_word_where_they_cover_the_queues() {
        use Way::{Receive, Transmit};
        let apart = tree("", true, &[(30, "quay1-rx-0", "1,2"), (31, "quay1-tx-0", "0,4"), (32, "quay1", "0,0")]);
        assert_eq!(by_queue(&apart, 1, 1), [(Receive, 0, 30), (Transmit, 0, 31)]);
        assert_eq!(by_queue(&apart, 2, 1), [(Transmit, 0, 31)], "one name for two queues");
        let interrupts = Interrupts::of(apart.path(), "quay1");
        assert_eq!(interrupts.counts(), BTreeMap::from([(30, 3), (31, 4), (32, 0)]));
        let both = tree("", true, &[(30, "quay1", "0"), (31, "quay1-TxRx-0", "1"), (32, "quay1-TxRx-1", "2")]);
        assert_eq!(by_queue(&both, 2, 2), [(Receive, 0, 31), (Receive, 1, 32), (Transmit, 0, 31), (Transmit, 1, 32)]);
        assert_eq!(by_queue(&both, 1, 1), [], "one of them is of something else");
        let virtio = tree("virtio2", true, &[(40, "virtio2-input.0", "5"), (41, "virtio2-output.0", "6")]);
        assert_eq!(by_queue(&virtio, 1, 1), [(Receive, 0, 40), (Transmit, 0, 41)]);
        assert_eq!(queue_of("mlx5_comp3@pci:0000:01:00.0", Receive), Some(3));
        assert_eq!(queue_of("rx1-tx-2", Receive), None, "an interface with such a name");
        assert_eq!(queue_of("rx1-tx-2", Transmit), Some(2));
    }

    #[test]
    fn a_single_interrupt_is_of_the_only_queue_of_each_kind() {
        use Way::{Receive, Transmit};
        let line = tree("", false, &[(11, "quay1", "7,8")]);
        assert_eq!(by_queue(&line, 1, 1), [(Receive, 0, 11), (Transmit, 0, 11)]);
        assert_eq!(by_queue(&line, 4, 1), [(Transmit, 0, 11)], "of which receive queue it is nobody knows");
        let unused = tree("", false, &[(11, "", "0,0")]);
        assert_eq!(by_queue(&unused, 1, 1), []);
        assert_eq!(by_queue(&tree("", false, &[]), 1, 1), []);
    }
}
