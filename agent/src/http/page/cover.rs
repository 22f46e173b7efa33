//! What stands around every view, whichever program it is of: the spine, who looks, the time zone; and refusals.

use std::sync::Arc;

use askama::Template;
use axum::{
    http::{HeaderMap, Method, StatusCode, Uri, header},
    response::{Html, IntoResponse, Redirect, Response},
};
use jiff::tz::TimeZone;

use super::words;
use crate::{
    daemon::keys::{Caller, Role},
    http::{error::ApiError, gate::Gate},
};

/// The parts of a book, and what its views call the program.
#[derive(Debug, PartialEq, Eq)]
pub struct Spine {
    /// Name (see [`Around::here`]), path and word of each part.
    pub parts: &'static [(&'static str, &'static str, &'static str)],
    /// Who does not answer, when nobody does.
    pub who: &'static str,
    /// The program tells of what happens. Otherwise a view is asked for again now and then.
    pub tells: bool,
}

/// What of a program may change while it runs and stands around every view.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Setting {
    /// Time zone by name.
    pub zone: String,
    /// Every port is simulated.
    pub demo: bool,
    /// Name of a part that the book does not have now.
    pub without: Option<&'static str>,
}

/// What is needed to put [`Around`] around a view.
#[derive(Clone)]
pub struct Cover {
    /// Knows who looks.
    pub gate: Arc<Gate>,
    /// The session's cookie is for TLS only.
    pub tls: bool,
    /// The book.
    pub spine: &'static Spine,
    /// Asked for each view.
    pub setting: Arc<dyn Fn() -> Setting + Send + Sync>,
}

impl Cover {
    /// Whose session a request belongs to.
    pub fn caller(&self, headers: &HeaderMap) -> Option<Caller> {
        self.gate.sessions.caller(headers)
    }

    /// What stands around a view of this part.
    pub fn around(&self, headers: &HeaderMap, uri: &Uri, here: &'static str, title: impl Into<String>) -> Around {
        let Setting { zone, demo, without } = (self.setting)();
        let caller = self.caller(headers);
        let may = |role| caller.as_ref().is_some_and(|caller| caller.role >= role);
        Around {
            title: title.into(),
            here,
            spine: self.spine,
            without,
            may_test: may(Role::Test),
            may_administer: may(Role::Administer),
            signed_in: caller.is_some(),
            then: words::encoded(uri.path_and_query().map_or("/", |p| p.as_str())),
            sought: String::new(),
            watch: String::new(),
            moving: false,
            demo,
            clock: TimeZone::get(&zone).unwrap_or(TimeZone::UTC),
            zone,
        }
    }
}

/// What stands around every view.
pub struct Around {
    /// Title of the page.
    pub title: String,
    /// Name of the part of the book, or empty.
    pub here: &'static str,
    /// The book.
    pub spine: &'static Spine,
    /// Name of a part that it does not have now.
    pub without: Option<&'static str>,
    /// Somebody entered a token.
    pub signed_in: bool,
    /// Whoever looks may start checks and work on cases.
    pub may_test: bool,
    /// Whoever looks may pause.
    pub may_administer: bool,
    /// Where to come back to after the token was entered, encoded.
    pub then: String,
    /// What is searched for.
    pub sought: String,
    /// The port whose happenings matter; empty: all.
    pub watch: String,
    /// Without scripts it is asked for again now and then.
    pub moving: bool,
    /// Every port is simulated.
    pub demo: bool,
    /// Zone in which times are shown.
    pub clock: TimeZone,
    /// Name of the zone.
    pub zone: String,
}

/// Whether a path is the page's: its refusals are for people.
pub fn is_page(path: &str) -> bool {
    !(path.starts_with("/api/") || path == "/metrics" || path == "/health")
}

/// A refusal of the gate, for people: who has no session is led to where the token is entered.
pub fn refusal(method: &Method, uri: &Uri, error: ApiError) -> Response {
    if error.code != "token-needed" {
        return PageError(error).into_response();
    }
    let back = match *method {
        Method::GET | Method::HEAD => uri.path_and_query().map_or("/", |p| p.as_str()),
        // Every form posts to a path under the page that it is on.
        _ => uri.path().rsplit_once('/').map_or("/", |(page, _)| if page.is_empty() { "/" } else { page }),
    };
    Redirect::to(&format!("/enter?then={}", words::encoded(back))).into_response()
}

/// Now, ms since 1970-01-01 UTC.
pub fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}

/// A page, or the reason why there is none.
pub type Page = Result<Html<String>, PageError>;

/// A filled template.
///
/// # Errors
/// It cannot be filled, which the compiler has all but ruled out.
pub fn filled(template: &impl Template) -> Page {
    laid_out(template.render()).map(Html)
}

/// A template's text, or a page that says that there is none.
///
/// # Errors
/// As for [`filled`].
pub fn laid_out(text: Result<String, askama::Error>) -> Result<String, PageError> {
    text.map_err(|error| {
        tracing::error!(%error, "a page cannot be filled");
        let message = "the program failed here; its log says more";
        PageError(ApiError::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", message))
    })
}

/// An error as a page.
pub struct PageError(pub ApiError);

impl<E: Into<ApiError>> From<E> for PageError {
    fn from(error: E) -> Self {
        Self(error.into())
    }
}

#[derive(Template)]
#[template(path = "http/page/refused.html")]
struct Refused<'a> {
    message: &'a str,
    code: &'a str,
}

impl IntoResponse for PageError {
    fn into_response(self) -> Response {
        let message = words::sentence(&self.0.message);
        let page = Refused { message: &message, code: self.0.code }.render().unwrap_or_default();
        let mut response = (self.0.status, Html(page)).into_response();
        if let Some(seconds) = self.0.retry_after_s {
            response.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        }
        response
    }
}
