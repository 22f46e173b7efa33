//! Figures of the fleet for a Prometheus server, and whether the page is well.

use axum::{
    Extension, Json,
    http::{HeaderName, StatusCode, header},
    response::IntoResponse,
};
use serde_json::json;

use super::Book;
use crate::{
    error_chain::with_causes,
    fleet::view::overview::{Counts, Site},
    http::error::ApiError,
    metrics::{self, Family, Kind, Sample},
};

/// `GET /metrics`.
pub async fn scrape(Extension(book): Extension<Book>) -> Result<impl IntoResponse, ApiError> {
    let counts = book.view.counts().await?;
    let media_type: [(HeaderName, &str); 1] = [(header::CONTENT_TYPE, metrics::MEDIA_TYPE)];
    Ok((media_type, metrics::text(families(&counts))))
}

/// `GET /health`: 200 while the database answers.
pub async fn health(Extension(book): Extension<Book>) -> impl IntoResponse {
    let checked = book.view.check().await;
    let status = if checked.is_ok() { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    let troubles: Vec<String> = checked.err().iter().map(|error| with_causes(error)).collect();
    (status, Json(json!({ "ok": troubles.is_empty(), "version": env!("CARGO_PKG_VERSION"), "troubles": troubles })))
}

fn families(counts: &Counts) -> Vec<Family> {
    let one = |n: i64| vec![(Vec::new(), n as f64)];
    let by_site = |n: fn(&Site) -> i64| -> Vec<Sample> {
        counts.sites.iter().map(|site| (vec![("site", site.site.clone())], n(site) as f64)).collect()
    };
    let states = counts.sites.iter().flat_map(|site| {
        let sample =
            |(state, n): (&String, &i64)| (vec![("site", site.site.clone()), ("state", state.clone())], *n as f64);
        site.states.iter().map(sample)
    });
    let gauge = |name, help, samples| Family { name, kind: Kind::Gauge, unit: None, help, samples };
    vec![
        gauge("fleet_machines", "Machines known, by site", by_site(|site| site.machines)),
        gauge("fleet_machines_silent", "Machines that missed three heartbeats, by site", by_site(|site| site.silent)),
        gauge("fleet_ports", "Watched ports in each state, by site", states.collect()),
        gauge(
            "fleet_ports_needing_attention",
            "Ports that somebody has to look at and nobody has acknowledged, by site",
            by_site(|site| site.needs_attention),
        ),
        gauge("fleet_failures_day", "Changes of the last 24 hours that made a port worse", one(counts.failures_day)),
        gauge("fleet_documents_waiting", "Documents that wait at machines, as they last told", one(counts.waiting)),
        gauge("fleet_messages_set_aside", "Messages that no collector could take", one(counts.set_aside)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_site_has_its_counts_under_its_name() {
        let states = [("failed".to_owned(), 2), ("proven".to_owned(), 40)].into();
        let site = Site { site: "north-quay".into(), machines: 3, silent: 1, states, ..Site::default() };
        let text = metrics::text(families(&Counts { sites: vec![site], set_aside: 4, ..Counts::default() }));
        for line in [
            "turnback_fleet_machines{site=\"north-quay\"} 3",
            "turnback_fleet_machines_silent{site=\"north-quay\"} 1",
            "turnback_fleet_ports{site=\"north-quay\",state=\"failed\"} 2",
            "turnback_fleet_messages_set_aside 4",
        ] {
            assert!(text.contains(line), "{line}\n{text}");
        }
        assert!(text.ends_with("# EOF\n"));
    }
}
