//! The fleet at a glance: counts by site and cabinet, what is wrong, what is silent, what grows stale.
//!
//! Counting goes over every port, so the counts of a moment ago serve whoever asks next.

use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};

use serde::Serialize;

use super::{View, machines, ports};
use crate::fleet::error::FleetError;

/// Counts over the whole fleet.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Counts {
    /// When they were made, ms since 1970-01-01 UTC.
    pub at_ms: i64,
    /// Machines known.
    pub machines: i64,
    /// Machines that were not heard for longer than a few heartbeats.
    pub silent: i64,
    /// Watched ports.
    pub ports: i64,
    /// Ports that no round chooses.
    pub not_watched: i64,
    /// Ports that need attention.
    pub needs_attention: i64,
    /// Changes of the last day that made a port worse.
    pub failures_day: i64,
    /// Documents that wait at machines, as they last told.
    pub waiting: i64,
    /// Messages that no collector could take.
    pub set_aside: i64,
    /// Watched ports by state; those of silent machines as [`ports::SILENT`], unless they told something bad.
    pub states: BTreeMap<String, i64>,
    /// Sites, the worst first.
    pub sites: Vec<Site>,
    /// Sites have all their cabinets here, not those with something wrong only.
    pub all_cabinets: bool,
}

/// Counts of a site.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Site {
    /// Its name.
    pub site: String,
    /// Machines known.
    pub machines: i64,
    /// Silent ones.
    pub silent: i64,
    /// Watched ports.
    pub ports: i64,
    /// Ports that need attention.
    pub needs_attention: i64,
    /// Watched ports by state.
    pub states: BTreeMap<String, i64>,
    /// Its cabinets, the worst first; of a large fleet those with something wrong.
    pub cabinets: Vec<Cabinet>,
}

/// Counts of a cabinet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Cabinet {
    /// Its name; none: ports without one.
    pub cabinet: Option<String>,
    /// Watched ports.
    pub ports: i64,
    /// Ports that need attention.
    pub needs_attention: i64,
    /// The worst state of them.
    pub worst: String,
}

/// The overview.
#[derive(Clone, Debug, Serialize)]
pub struct Overview {
    /// Counts.
    #[serde(serialize_with = "counts_of")]
    pub counts: Arc<Counts>,
    /// Ports that need attention, the worst first.
    pub wrong: Vec<ports::Port>,
    /// Silent machines, the one that was silent longest first.
    pub silent: Vec<machines::Machine>,
    /// Ports whose proof ends first, or ended longest ago.
    pub oldest_proofs: Vec<ports::Port>,
}

impl View {
    /// The overview.
    ///
    /// # Errors
    /// What the database says.
    pub async fn overview(self: &Arc<Self>) -> Result<Overview, FleetError> {
        let silent = machines::Narrowed { silent: true, ..machines::Narrowed::default() };
        let (counts, wrong, silent, oldest_proofs) = tokio::try_join!(
            self.counts(),
            self.wrong(WRONG_SHOWN),
            self.machines(&silent, SILENT_SHOWN),
            self.oldest_proofs(PROOFS_SHOWN)
        )?;
        Ok(Overview { counts, wrong, silent, oldest_proofs })
    }

    /// Counts over the whole fleet. Those of a few seconds ago serve as they are. Those of a minute ago serve while
    /// others are made; older ones do not, so whoever asks then waits.
    ///
    /// # Errors
    /// What the database says.
    pub async fn counts(self: &Arc<Self>) -> Result<Arc<Counts>, FleetError> {
        let held = self.counted.read().await.clone();
        match held {
            Some((at, counts)) if at.elapsed() < COUNTS_FRESH => Ok(counts),
            Some((at, counts)) if at.elapsed() < COUNTS_HOLD => {
                let view = Arc::clone(self);
                tokio::spawn(async move { view.count_again(at).await });
                Ok(counts)
            }
            held => self.count_again(held.map_or_else(Instant::now, |(at, _)| at)).await,
        }
    }

    /// Counts, unless somebody else has done so since the counts of this moment were made.
    async fn count_again(&self, since: Instant) -> Result<Arc<Counts>, FleetError> {
        let _one_at_a_time = self.counting.lock().await;
        if let Some((at, counts)) = &*self.counted.read().await
            && *at > since
        {
            return Ok(Arc::clone(counts));
        }
        let counts = Arc::new(self.count().await?);
        *self.counted.write().await = Some((Instant::now(), Arc::clone(&counts)));
        Ok(counts)
    }

    async fn count(&self) -> Result<Counts, FleetError> {
        let machines = "SELECT site, count(*), count(*) FILTER (WHERE is_silent(heard_at)),
                coalesce(sum(waiting), 0)::bigint FROM machine GROUP BY site";
        // One pass over the ports: by machine first, which has few of them, and then by site.
        let by_cabinet = "SELECT m.site, c.cabinet, shown_state(c.state, m.heard_at), c.watched, sum(c.n)::bigint,
                sum(c.need)::bigint
            FROM (SELECT machine_id, cabinet, state, watched, count(*) AS n,
                    count(*) FILTER (WHERE needs_attention) AS need
                FROM port WHERE NOT forgotten GROUP BY machine_id, cabinet, state, watched) c
            JOIN machine m ON m.id = c.machine_id GROUP BY 1, 2, 3, 4";
        let set_aside = "SELECT count(*) FROM set_aside";
        let (machines, ports, set_aside, failures_day) = tokio::try_join!(
            self.ask("machines by site", machines, &[]),
            self.ask("ports by site and cabinet", by_cabinet, &[]),
            self.ask("messages set aside", set_aside, &[]),
            self.failures_count()
        )?;
        let mut sites: BTreeMap<String, Site> = BTreeMap::new();
        let mut counts = Counts {
            at_ms: jiff::Timestamp::now().as_millisecond(),
            failures_day,
            set_aside: set_aside.first().map_or(0, |row| row.get(0)),
            ..Counts::default()
        };
        for row in &machines {
            let site: String = row.get(0);
            let (known, silent, waiting): (i64, i64, i64) = (row.get(1), row.get(2), row.get(3));
            counts.machines += known;
            counts.silent += silent;
            counts.waiting += waiting;
            sites.insert(site.clone(), Site { site, machines: known, silent, ..Site::default() });
        }
        let mut cabinets: BTreeMap<(String, Option<String>), Cabinet> = BTreeMap::new();
        for row in &ports {
            let (site, cabinet, state): (String, Option<String>, String) = (row.get(0), row.get(1), row.get(2));
            let (watched, ports, need): (bool, i64, i64) = (row.get(3), row.get(4), row.get(5));
            counts.needs_attention += need;
            let of_site = sites.entry(site.clone()).or_default();
            of_site.needs_attention += need;
            if !watched {
                counts.not_watched += ports;
                continue;
            }
            counts.ports += ports;
            of_site.ports += ports;
            *counts.states.entry(state.clone()).or_default() += ports;
            *of_site.states.entry(state.clone()).or_default() += ports;
            let of_cabinet = cabinets.entry((site, cabinet.clone())).or_insert_with(|| Cabinet {
                cabinet,
                worst: state.clone(),
                ..Cabinet::default()
            });
            of_cabinet.ports += ports;
            of_cabinet.needs_attention += need;
            if rank(&state) < rank(&of_cabinet.worst) {
                of_cabinet.worst = state;
            }
        }
        let are_few = cabinets.len() <= CABINETS_SHOWN;
        for ((site, _), cabinet) in cabinets {
            if let Some(site) = sites.get_mut(&site)
                && (are_few || (cabinet.needs_attention > 0 && site.cabinets.len() < WRONG_CABINETS_SHOWN))
            {
                site.cabinets.push(cabinet);
            }
        }
        counts.all_cabinets = are_few;
        counts.sites = sites.into_values().collect();
        counts.sites.sort_by_key(|site| (worst_of(site), std::cmp::Reverse(site.needs_attention), site.site.clone()));
        Ok(counts)
    }
}

fn counts_of<S: serde::Serializer>(counts: &Arc<Counts>, serializer: S) -> Result<S::Ok, S::Error> {
    (**counts).serialize(serializer)
}

/// The place of a state in a list, as `state_rank` of the database gives it.
pub fn rank(state: &str) -> usize {
    use turnback_core::watch::standing::State;
    State::ALL.iter().position(|known| known.name() == state).unwrap_or(UNKNOWN_RANK)
}

/// Silent machines come before all: nobody knows how their ports stand.
fn worst_of(site: &Site) -> (bool, usize) {
    (site.silent == 0, site.states.keys().map(|state| rank(state)).min().unwrap_or(usize::MAX))
}

const UNKNOWN_RANK: usize = 4;
const COUNTS_FRESH: Duration = Duration::from_secs(5);
const COUNTS_HOLD: Duration = Duration::from_secs(60);
const WRONG_SHOWN: u32 = 20;
const SILENT_SHOWN: u32 = 20;
const PROOFS_SHOWN: u32 = 12;
/// Cabinets that one page holds.
const CABINETS_SHOWN: usize = 90;
/// Of a larger fleet: cabinets of one site with something wrong.
const WRONG_CABINETS_SHOWN: usize = 24;
