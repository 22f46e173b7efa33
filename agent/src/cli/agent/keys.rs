//! `turnback agent token` and `turnback agent pair`: who may ask what of the running agent.

use std::process::ExitCode;

use qrcode::{QrCode, render::unicode::Dense1x2};
use serde_json::Value;

use super::ask;
use crate::{
    cli::{NOT_TESTED, USAGE, args::TokenCommand, print},
    daemon::{control::Question, keys::Role},
    show::lines::tell,
    show::{
        lines::{output_width, wrapped},
        table,
    },
};

/// Makes, lists or revokes tokens.
pub fn token(command: &TokenCommand) -> ExitCode {
    let question = match command {
        TokenCommand::Make { name, role } => Question::MakeToken { name: name.clone(), role: *role },
        TokenCommand::List { .. } => Question::Tokens,
        TokenCommand::Revoke { name } => Question::RevokeToken { name: name.clone() },
    };
    answered(&question, &|answer| match command {
        TokenCommand::Make { .. } => format!("{}\n", answer["token"].as_str().unwrap_or_default()),
        TokenCommand::List { json: true } => format!("{answer:#}\n"),
        TokenCommand::List { json: false } => list(answer, output_width()),
        TokenCommand::Revoke { name } => format!("{name} is revoked\n"),
    })
}

/// Shows a code that signs a phone in.
pub fn pair(role: Role) -> ExitCode {
    answered(&Question::Pair { role }, &|answer| shown(answer, role, output_width()))
}

fn answered(question: &Question, told: &dyn Fn(&Value) -> String) -> ExitCode {
    let answer = match ask(question) {
        Ok(answer) => answer,
        Err(()) => return ExitCode::from(NOT_TESTED),
    };
    if let Some(error) = answer["error"].as_str() {
        tell("error: ", error);
        return ExitCode::from(USAGE);
    }
    print(&told(&answer), ExitCode::SUCCESS)
}

fn list(tokens: &Value, width: usize) -> String {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let day = |value: &Value| {
        let moment = value.as_i64().and_then(|ms| jiff::Timestamp::from_millisecond(ms).ok());
        moment.map_or_else(|| "never".to_owned(), |at| at.strftime("%Y-%m-%d %H:%M UTC").to_string())
    };
    let row = |token: &Value| {
        vec![
            text(&token["name"]),
            text(&token["role"]),
            text(&token["by"]),
            day(&token["made_ms"]),
            day(&token["last_used_ms"]),
        ]
    };
    let rows: Vec<Vec<String>> = tokens.as_array().into_iter().flatten().map(row).collect();
    match rows.is_empty() {
        true => "There is no token beside the one in the token file.\n".to_owned(),
        false => table::render(&["name", "role", "made by", "made", "last used"], &rows, width),
    }
}

/// The code, and where to use it.
fn shown(pairing: &Value, role: Role, width: usize) -> String {
    let code = pairing["code"].as_str().unwrap_or_default();
    let (first, second) = code.split_at_checked(code.len() / 2).unwrap_or((code, ""));
    let mut out = format!("Code: {first} {second}\n\n");
    let once = format!("It signs in one phone, within ten minutes, to {}.\n", what(role));
    let told = |text: &str| format!("{}\n", wrapped("", text, width));
    match pairing["url"].as_str() {
        Some(url) => {
            if let Ok(picture) = QrCode::new(url) {
                // Dark on light whatever the colours of the terminal are: most of them are light on dark.
                let mut drawn = picture.render::<Dense1x2>();
                out.push_str(&drawn.dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).build());
                out.push_str("\n\n");
            }
            out.push_str(&told(&format!("Point the phone's camera at it, or open {url}")));
            out.push_str(&told(&once));
        }
        None => {
            out.push_str(&told(&once));
            out.push_str(&told(
                "The page listens on this machine only, so a phone does not reach it. Set `listen` under [http] to an \
                 address of the closet's network, with certificate_file and key_file (docs/agent.md, \"A phone at the \
                 cable\"). On this machine, enter the code on the page's /pair.",
            ));
        }
    }
    out
}

fn what(role: Role) -> &'static str {
    match role {
        Role::Metrics => "read metrics",
        Role::Read => "read",
        Role::Test => "start checks and lead cases",
        Role::Administer => "administer the agent",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_is_shown_with_its_picture_where_a_phone_reaches_the_page() {
        let reached = serde_json::json!({"code": "7K3QW0AB", "url": "https://harbour.example:7440/pair?code=7K3QW0AB"});
        let text = shown(&reached, Role::Test, 100);
        assert!(text.starts_with("Code: 7K3Q W0AB\n"), "{text}");
        assert!(text.contains('\u{2588}') && text.contains("open https://harbour.example:7440/pair"), "{text}");
        let local = shown(&serde_json::json!({"code": "7K3QW0AB", "url": null}), Role::Read, 60);
        assert!(local.contains("certificate_file") && !local.contains('\u{2588}'), "{local}");
        assert!(local.lines().all(|line| line.chars().count() <= 60), "{local}");
    }

    #[test]
    fn tokens_are_listed_with_their_last_use() {
        let tokens = serde_json::json!([
            {"name": "night", "role": "test", "by": "agent-user", "made_ms": 0, "last_used_ms": 86_400_000},
            {"name": "wall", "role": "metrics", "by": "agent-user", "made_ms": 0, "last_used_ms": null},
        ]);
        let text = list(&tokens, 100);
        assert!(text.contains("1970-01-02 00:00 UTC") && text.contains("never"), "{text}");
        assert!(list(&serde_json::json!([]), 100).starts_with("There is no token"));
    }
}
