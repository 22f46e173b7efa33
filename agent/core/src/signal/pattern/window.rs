//! A stretch of a pattern kept ready, so that a probe's payload is a plain slice of it.

use super::Pattern;

/// Bytes by which windows follow each other: small enough for a second-level cache.
pub const WINDOW_BYTES: usize = 256 * 1024;

/// Longest payload a window can serve at any of its positions, in bytes.
pub const MAX_PROBE_BYTES: usize = 65_536;

/// The bytes of a pattern from `index * WINDOW_BYTES` on, [`WINDOW_BYTES`] + [`MAX_PROBE_BYTES`] of them.
///
/// The extra bytes let a payload begin anywhere in the window and run over its end. A sender walks along by asking for
/// [`Window::slice`] and, when that gives `None`, sliding to [`Window::index_of`] the phase. A pattern whose period is
/// at most [`WINDOW_BYTES`] never needs sliding: see [`Window::wraps_at`].
///
/// ```
/// use turnback_core::signal::pattern::{Pattern, Window};
///
/// let pattern = Pattern::Prbs31;
/// let mut window = Window::new(&pattern, 0);
/// let phase = 300_000;
/// if window.slice(phase, 1458).is_none() {
///     window.slide_to(Window::index_of(phase));
/// }
/// assert!(window.slice(phase, 1458).is_some());
/// ```
#[derive(Debug, Clone)]
pub struct Window {
    pattern: Pattern,
    index: u64,
    table: Box<[u8]>,
}

impl Window {
    /// The window number `index` of `pattern`'s stream.
    pub fn new(pattern: &Pattern, index: u64) -> Self {
        let mut window = Self {
            pattern: pattern.clone(),
            index: if wraps(pattern) { 0 } else { index.min(LAST_INDEX) },
            table: vec![0; WINDOW_BYTES + MAX_PROBE_BYTES].into_boxed_slice(),
        };
        pattern.fill(window.start(), &mut window.table);
        window
    }

    /// The window that holds phase `phase_bytes`.
    pub fn index_of(phase_bytes: u64) -> u64 {
        phase_bytes / WINDOW_BYTES as u64
    }

    /// The pattern this is a stretch of.
    pub fn pattern(&self) -> &Pattern {
        &self.pattern
    }

    /// The period in bytes if the table holds at least one, from the start of the stream: then every phase is in it,
    /// taken modulo this, and the table never changes. `None` if the period is longer than [`WINDOW_BYTES`].
    pub fn wraps_at(&self) -> Option<usize> {
        wraps(&self.pattern).then(|| self.pattern.period_bytes() as usize)
    }

    /// Moves to window `index`; the next one costs a copy of the overlap less than a new window.
    ///
    /// Does nothing where [`Window::wraps_at`] says that every phase is already here.
    pub fn slide_to(&mut self, index: u64) {
        let index = index.min(LAST_INDEX);
        if index == self.index || self.wraps_at().is_some() {
            return;
        }
        let kept = if index == self.index + 1 {
            self.table.copy_within(WINDOW_BYTES.., 0);
            MAX_PROBE_BYTES
        } else {
            0
        };
        self.index = index;
        self.pattern.fill(self.start() + kept as u64, &mut self.table[kept..]);
    }

    /// The `len` bytes of the stream from `phase_bytes` on, or `None` if they are not all in this window.
    pub fn slice(&self, phase_bytes: u64, len: usize) -> Option<&[u8]> {
        let offset = match self.wraps_at() {
            Some(period) => (phase_bytes % period as u64) as usize,
            None => usize::try_from(phase_bytes.checked_sub(self.start())?).ok()?,
        };
        self.table.get(offset..offset.checked_add(len)?)
    }

    /// The whole table: the stream from `index * WINDOW_BYTES` on, or from 0 if it [wraps](Window::wraps_at).
    pub fn table(&self) -> &[u8] {
        &self.table
    }

    fn start(&self) -> u64 {
        self.index * WINDOW_BYTES as u64
    }
}

fn wraps(pattern: &Pattern) -> bool {
    pattern.period_bytes() <= WINDOW_BYTES as u64
}

/// No phase lies beyond this window.
const LAST_INDEX: u64 = u64::MAX / WINDOW_BYTES as u64;
