//! What a page says, whatever it is about, and the template that lays it out.
//!
//! Text is escaped by the template; drawings escape their own.

use askama::Template;
use turnback_core::{
    base::caution::{Caution, LOCAL_CODES_FIRST},
    judge::{Outcome, Reason, Verdict},
};

use crate::show::plot::{self, Figure, Table, way::Way};

/// A page: verdict first, then what it rests on.
#[derive(Debug, Default, Template)]
#[template(path = "show/sheet/sheet.html")]
pub struct Sheet<'a> {
    /// Look of the page and its drawings.
    pub(super) style: String,
    /// Where a page in the daemon's book leads back to; a page of its own has none, and brings its look along.
    pub trail: Vec<Trail>,
    /// The answer in a few words.
    pub headline: String,
    /// What was tested, in a line.
    pub subject: String,
    /// The outcome's word.
    pub(super) outcome: &'static str,
    /// Its pennant, as an SVG path.
    pub(super) pennant: &'static str,
    /// `Report of a run`.
    pub kind: &'static str,
    /// When it was.
    pub when: &'a str,
    /// Drawing of the way of the signal.
    pub way: Way,
    /// What to do now.
    pub next: &'a str,
    /// The same step by step, each with its word.
    pub moves: Vec<(&'static str, &'a str)>,
    /// Title, harm and action of each danger.
    pub(super) cautions: Vec<[&'static str; 3]>,
    /// The line that closes every list of cautions.
    pub(super) local_codes_first: &'static str,
    /// Rules that spoke.
    pub(super) reasons: Listed<&'a Reason>,
    /// How sure the verdict is.
    pub sureness: &'a str,
    /// Who, what, where.
    pub facts: Vec<(&'static str, String)>,
    /// Main figures.
    pub figures: Vec<(&'static str, String)>,
    /// Plots.
    pub plots: Vec<Figure>,
    /// Tables are words more than numbers, and paper shows every row.
    pub prints_whole: bool,
    /// Tables under their names.
    pub tables: Vec<(&'static str, Table)>,
    /// What the method cannot show.
    pub cannot_show: Listed<String>,
    /// Notes.
    pub notes: Listed<String>,
    /// Program, format, id: where this comes from.
    pub origin: String,
}

/// A link to another page of the daemon's book.
#[derive(Clone, Debug)]
pub struct Trail {
    /// Its word.
    pub word: String,
    /// Its path.
    pub href: String,
}

/// As much of a list as a page has room for, and how many entries were left out.
#[derive(Debug)]
pub struct Listed<T> {
    shown: Vec<T>,
    left_out: usize,
}

/// Entries of a list on the page; the JSON holds all.
const LISTED_MAX: usize = 10;

impl<T> Listed<T> {
    /// The first entries.
    pub fn new(all: impl IntoIterator<Item = T>) -> Self {
        let mut all = all.into_iter();
        let shown: Vec<T> = all.by_ref().take(LISTED_MAX).collect();
        Self { shown, left_out: all.count() }
    }
}

impl<T> Default for Listed<T> {
    fn default() -> Self {
        Self { shown: Vec::new(), left_out: 0 }
    }
}

impl<'a> Sheet<'a> {
    /// A page with a verdict and what belongs to it; the rest is still empty.
    pub fn new(headline: String, verdict: &'a Verdict, cautions: &[Caution]) -> Self {
        Self {
            style: format!("{STYLE}{}", plot::STYLE),
            headline,
            outcome: verdict.outcome.name(),
            pennant: pennant(verdict.outcome),
            next: &verdict.next,
            cautions: cautions.iter().map(|c| [c.title(), c.harm(), c.action()]).collect(),
            local_codes_first: LOCAL_CODES_FIRST,
            reasons: Listed::new(&verdict.reasons),
            sureness: &verdict.sureness,
            ..Self::default()
        }
    }
}

/// Look of the page, for screen (light and dark) and paper.
pub const STYLE: &str = include_str!("page.css");

/// The pennant of an outcome: its shape tells it without colour.
fn pennant(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass | Outcome::NotTested => "M2 2H40L30 14L40 26H2Z",
        Outcome::Fault => "M2 2H40L30 14L40 26H2Z M8 6L24 22 M24 6L8 22",
        Outcome::Undecided => "M2 2H40L30 14L40 26H2Z M2 14H30",
    }
}
