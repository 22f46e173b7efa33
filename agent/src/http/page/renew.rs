//! Renews a view by its difference: a browser that names the view it has is sent the lines that changed since.
//!
//! This is delta encoding as in RFC 3229. The request names the version in `If-None-Match` and says `A-IM: lines`; the
//! answer is 304 if nothing changed, 226 with `IM: lines` if this program still holds that version, and otherwise the
//! whole view. A difference is text. Each line of it is either `=FROM COUNT`, which stands for lines of the old
//! version, counted from 0, or `+` and a line.

use data_encoding::HEXLOWER;
use std::{
    collections::{HashMap, VecDeque},
    sync::{Arc, Mutex, PoisonError},
};

use axum::{
    body::{Body, to_bytes},
    extract::{Request, State},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use sha2::{Digest, Sha256};

/// The newest views that were sent, each with its entity tag.
#[derive(Default)]
pub struct Sent(Mutex<VecDeque<(String, Arc<str>)>>);

impl Sent {
    fn find(&self, tag: &str) -> Option<Arc<str>> {
        let sent = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sent.iter().find(|(held, _)| held == tag).map(|(_, text)| Arc::clone(text))
    }

    fn hold(&self, tag: &str, text: &Arc<str>) {
        let mut sent = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        sent.retain(|(held, _)| held != tag);
        sent.push_front((tag.to_owned(), Arc::clone(text)));
        sent.truncate(HELD_MAX);
    }
}

/// The layer around the views. Only the page's own script asks for differences; all others get the view as it is.
pub async fn by_difference(State(sent): State<Arc<Sent>>, request: Request, next: Next) -> Response {
    let takes_lines = request.headers().get(A_IM).is_some_and(|value| value == "lines");
    let has = text_of(request.headers(), &header::IF_NONE_MATCH);
    let response = next.run(request).await;
    let is_view = response.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind.as_bytes().starts_with(HTML));
    if !takes_lines || !is_view || response.status() != StatusCode::OK {
        return response;
    }
    let (mut head, body) = response.into_parts();
    let Some(new) = whole(body).await else { return StatusCode::INTERNAL_SERVER_ERROR.into_response() };
    let digest = Sha256::digest(new.as_bytes());
    let tag = HEXLOWER.encode(&digest[..8]);
    let tag = format!("\"{tag}\"");
    let old = sent.find(&has);
    sent.hold(&tag, &new);
    head.headers.insert(header::ETAG, HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("\"\"")));
    if has == tag {
        head.status = StatusCode::NOT_MODIFIED;
        return Response::from_parts(head, Body::empty());
    }
    head.headers.remove(header::CONTENT_LENGTH);
    let Some(old) = old else { return Response::from_parts(head, Body::from(new.to_string())) };
    head.status = StatusCode::IM_USED;
    head.headers.insert(IM, HeaderValue::from_static("lines"));
    Response::from_parts(head, Body::from(difference(&old, &new)))
}

fn text_of(headers: &HeaderMap, name: &HeaderName) -> String {
    headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default().to_owned()
}

async fn whole(body: Body) -> Option<Arc<str>> {
    // A view is in memory already.
    let bytes = to_bytes(body, usize::MAX).await.ok()?;
    std::str::from_utf8(&bytes).ok().map(Arc::from)
}

/// How to make the new text of the old one.
fn difference(old: &str, new: &str) -> String {
    let old: Vec<&str> = old.split('\n').collect();
    let mut places: HashMap<&str, usize> = HashMap::new();
    for (number, line) in old.iter().enumerate() {
        places.entry(line).or_insert(number);
    }
    let mut text = String::new();
    let mut run: Option<(usize, usize)> = None;
    let end = |text: &mut String, run: &mut Option<(usize, usize)>| {
        if let Some((from, count)) = run.take() {
            text.push_str(&format!("={from} {count}\n"));
        }
    };
    for line in new.split('\n') {
        match run {
            Some((from, ref mut count)) if old.get(from + *count) == Some(&line) => *count += 1,
            _ => {
                end(&mut text, &mut run);
                match places.get(line) {
                    Some(from) => run = Some((*from, 1)),
                    None => text.push_str(&format!("+{line}\n")),
                }
            }
        }
    }
    end(&mut text, &mut run);
    text.pop();
    text
}

const A_IM: HeaderName = HeaderName::from_static("a-im");
const IM: HeaderName = HeaderName::from_static("im");
const HTML: &[u8] = b"text/html";
/// As many as there are people who look at once. A view of 400 ports is below 100 kB.
const HELD_MAX: usize = 12;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What the page's script does.
    fn applied(old: &str, difference: &str) -> String {
        let old: Vec<&str> = old.split('\n').collect();
        let mut new = Vec::new();
        for line in difference.split('\n') {
            match line.split_at(1) {
                ("=", range) => {
                    let (from, count) = range.split_once(' ').unwrap();
                    let (from, count): (usize, usize) = (from.parse().unwrap(), count.parse().unwrap());
                    new.extend(&old[from..from + count]);
                }
                (_, line) => new.push(line),
            }
        }
        new.join("\n")
    }

    #[test]
    fn one_line_of_many_is_sent_alone() {
        let old: Vec<String> = (0..500).map(|n| format!("port {n}")).collect();
        let mut new = old.clone();
        new[250] = "port 250 failed".into();
        assert_eq!(difference(&old.join("\n"), &new.join("\n")), "=0 250\n+port 250 failed\n=251 249");
    }

    #[test]
    fn only_the_newest_views_are_held() {
        let sent = Sent::default();
        let tags: Vec<String> = (0..=HELD_MAX).map(|n| n.to_string()).collect();
        for tag in &tags {
            sent.hold(tag, &Arc::from(tag.as_str()));
        }
        assert!(sent.find(&tags[0]).is_none());
        assert_eq!(sent.find(&tags[1]).as_deref(), Some("1"));
    }

    proptest! {
        /// Whatever changed, the new view comes out.
        #[test]
        fn a_difference_makes_the_new_text(
            old in prop::collection::vec("[ab]{0,2}", 1..30),
            new in prop::collection::vec("[ab+=]{0,2}", 1..30),
        ) {
            let (old, new) = (old.join("\n"), new.join("\n"));
            prop_assert_eq!(applied(&old, &difference(&old, &new)), new);
        }
    }
}
