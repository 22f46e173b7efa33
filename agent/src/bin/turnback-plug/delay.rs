//! A delay line: items come out later than they went in, in the same order.

use std::collections::VecDeque;

/// Items, each with the time when it is due, in nanoseconds since the plug began.
#[derive(Debug)]
pub struct DelayLine<T> {
    items: VecDeque<(u64, T)>,
    last_due_ns: u64,
}

impl<T> DelayLine<T> {
    /// An empty line.
    pub fn new() -> Self {
        Self { items: VecDeque::new(), last_due_ns: 0 }
    }

    /// Adds an item that is due at `due_ns`, or when the item before it is due if that is later.
    pub fn push(&mut self, due_ns: u64, item: T) {
        self.last_due_ns = self.last_due_ns.max(due_ns);
        self.items.push_back((self.last_due_ns, item));
    }

    /// The first item, if its time has come.
    pub fn due(&mut self, now_ns: u64) -> Option<&mut T> {
        self.items.front_mut().filter(|(due_ns, _)| *due_ns <= now_ns).map(|(_, item)| item)
    }

    /// Removes the first item and returns it.
    pub fn pop(&mut self) -> Option<T> {
        self.items.pop_front().map(|(_, item)| item)
    }

    /// When the first item is due.
    pub fn next_due_ns(&self) -> Option<u64> {
        self.items.front().map(|(due_ns, _)| *due_ns)
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        self.items.is_empty()
    }

    /// The waiting items, oldest first.
    pub fn iter(&self) -> impl Iterator<Item = &T> {
        self.items.iter().map(|(_, item)| item)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_overtakes_and_nothing_leaves_early() {
        let mut line = DelayLine::new();
        line.push(50, 'a');
        line.push(20, 'b');
        line.push(70, 'c');
        assert_eq!(line.due(49), None);
        let mut at_60 = Vec::new();
        while line.due(60).is_some() {
            at_60.extend(line.pop());
        }
        assert_eq!(at_60, ['a', 'b']);
        assert_eq!(line.next_due_ns(), Some(70));
        assert_eq!(line.iter().collect::<Vec<_>>(), [&'c']);
    }
}
