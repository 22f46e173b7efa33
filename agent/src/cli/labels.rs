//! Labels on the command line: what people wrote on ports, cables and plugs.

use super::complete;

/// Labels under which a run is found again, beside the cable's.
#[derive(Debug, Default, clap::Args)]
pub struct Labels {
    /// Label on the port or its socket
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.port_label.as_ref()))]
    pub port_label: Option<String>,
    /// Label of the cable segment that ends at the plug; implies --placement far-end
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.segment.as_ref()))]
    pub segment: Option<String>,
    /// Label where the cable or segment ends
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.far_end.as_ref()))]
    pub far_end: Option<String>,
    /// Label of the plug
    #[arg(long, value_name = "LABEL", value_parser = label, add = complete::labels(|run| run.plug.as_ref()))]
    pub plug: Option<String>,
    /// A note to keep with the run
    #[arg(long, value_name = "TEXT", value_parser = label)]
    pub note: Option<String>,
}

impl From<&Labels> for turnback_core::base::labels::Labels {
    fn from(given: &Labels) -> Self {
        Self {
            port: given.port_label.clone(),
            segment: given.segment.clone(),
            far_end: given.far_end.clone(),
            plug: given.plug.clone(),
            note: given.note.clone(),
            corrections: Vec::new(),
        }
    }
}

/// A label as people write it: one line, with something on it.
pub fn label(text: &str) -> Result<String, String> {
    let text = text.trim();
    match text {
        "" => Err("nothing is written on it".into()),
        _ if text.chars().any(char::is_control) => Err("it may hold no line breaks or control characters".into()),
        _ if text.chars().count() > LABEL_CHARACTERS_MAX => Err(format!("at most {LABEL_CHARACTERS_MAX} characters")),
        _ => Ok(text.to_owned()),
    }
}

/// Longer than any label, and enough for a note (our own choice).
const LABEL_CHARACTERS_MAX: usize = 500;
