//! Drives headless Chromium by its DevTools protocol over the two pipes of `--remote-debugging-pipe`: JSON messages
//! that end with a zero byte, in on descriptor 3 and out on descriptor 4.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{self, Receiver};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;

use super::skip::installed;

/// More than anything takes on a loaded machine; only a hang lasts longer.
const LIMIT: Duration = Duration::from_secs(120);

/// A browser with one page.
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    next_id: u64,
    session: String,
    /// Errors on its console, and of its network.
    pub errors: Vec<String>,
    _profile: TempDir,
}

impl Browser {
    /// Starts it; skips the test and gives none where there is no Chromium.
    pub fn start() -> Option<Self> {
        if !installed("chromium", "chromium") {
            return None;
        }
        let profile = tempfile::tempdir().expect("a temporary directory");
        let mut command = Command::new("sh");
        command.args(["-c", "exec \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>/dev/null", "sh", "chromium"]);
        command.args(["--headless", "--disable-gpu", "--hide-scrollbars", "--remote-debugging-pipe"]);
        command.args(["--disable-dev-shm-usage", "--no-first-run", "--disable-component-update"]);
        // Nothing but the test's own address is reached.
        command.arg("--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1");
        command.arg(format!("--user-data-dir={}", profile.path().display()));
        // The browser's own sandbox cannot be set up by root.
        if is_root() {
            command.arg("--no-sandbox");
        }
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("sh");
        let (to, from) = (child.stdin.take().expect("piped"), child.stdout.take().expect("piped"));
        let (send, receive) = mpsc::channel();
        thread::spawn(move || {
            for message in BufReader::new(from).split(0) {
                let Ok(message) = message else { return };
                let Ok(message) = serde_json::from_slice(&message) else { continue };
                if send.send(message).is_err() {
                    return;
                }
            }
        });
        let mut browser = Self {
            child,
            to,
            from: receive,
            next_id: 0,
            session: String::new(),
            errors: Vec::new(),
            _profile: profile,
        };
        let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
        let attach = json!({"targetId": target["targetId"], "flatten": true});
        let session = browser.call("Target.attachToTarget", attach);
        browser.session = session["sessionId"].as_str().expect("a session").to_owned();
        for domain in ["Page", "Runtime", "Log"] {
            browser.call(&format!("{domain}.enable"), json!({}));
        }
        Some(browser)
    }

    /// Calls a method and waits for its result.
    pub fn call(&mut self, method: &str, parameters: Value) -> Value {
        let answer = self.answer(method, parameters);
        assert!(answer["error"].is_null(), "{method}: {answer}");
        answer["result"].clone()
    }

    /// Calls a method and waits for its result or its error.
    fn answer(&mut self, method: &str, parameters: Value) -> Value {
        self.next_id += 1;
        let id = self.next_id;
        let mut message = json!({"id": id, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = self.session.clone().into();
        }
        self.to.write_all(format!("{message}\0").as_bytes()).expect("the browser is there");
        let until = Instant::now() + LIMIT;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            let message = self.from.recv_timeout(left).unwrap_or_else(|e| panic!("{method}: {e}"));
            self.note(&message);
            if message["id"] == id {
                return message;
            }
        }
    }

    fn note(&mut self, message: &Value) {
        let p = &message["params"];
        let is_error = match message["method"].as_str() {
            Some("Runtime.exceptionThrown") => true,
            Some("Runtime.consoleAPICalled") => p["type"] == "error" || p["type"] == "warning",
            Some("Log.entryAdded") => p["entry"]["level"] == "error" || p["entry"]["level"] == "warning",
            _ => false,
        };
        if is_error {
            self.errors.push(p.to_string());
        }
    }

    /// Value of an expression on the page; null where it throws, which it may while one page gives way to another.
    pub fn value(&mut self, expression: &str) -> Value {
        let parameters = json!({"expression": expression, "returnByValue": true, "awaitPromise": true});
        let answer = self.answer("Runtime.evaluate", parameters);
        let gone = answer["error"]["message"].as_str().is_some_and(|text| text.contains("navigated"));
        assert!(gone || answer["error"].is_null(), "{expression}: {answer}");
        answer["result"]["result"]["value"].clone()
    }

    /// Waits until an expression is true.
    pub fn until(&mut self, expression: &str) {
        let until = Instant::now() + LIMIT;
        while self.value(expression) != true {
            let text = self.value("location.href + '\\n' + document.body.innerText");
            assert!(Instant::now() < until, "never came true: {expression}\n{text}");
            thread::sleep(Duration::from_millis(50));
        }
    }

    /// Goes to an address and waits until it is there.
    pub fn go(&mut self, url: &str) {
        self.call("Page.navigate", json!({"url": url}));
        self.until(&format!("document.readyState === 'complete' && location.href === {}", json!(url)));
    }

    /// Clicks what a selector finds, and waits for the page that this leads to.
    pub fn follow(&mut self, selector: &str) {
        self.value("window.before = true");
        self.click(selector);
        self.until("window.before === undefined && document.readyState === 'complete'");
    }

    /// Clicks what a selector finds.
    pub fn click(&mut self, selector: &str) {
        let clicked =
            self.value(&format!("(e => {{ e.click(); return true }})(document.querySelector({}))", json!(selector)));
        assert_eq!(clicked, true, "nothing to click at {selector}");
    }

    /// Presses a key: `Tab`, `Enter`.
    pub fn press(&mut self, key: &str) {
        let code = if key == "Tab" { 9 } else { 13 };
        let text = if key == "Enter" { "\r" } else { "" };
        for kind in ["keyDown", "keyUp"] {
            let mut event = json!({"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code});
            if kind == "keyDown" && !text.is_empty() {
                event["text"] = text.into();
            }
            self.call("Input.dispatchKeyEvent", event);
        }
    }

    /// A phone's or a desk's window, light or dark.
    pub fn look(&mut self, phone: bool, dark: bool) {
        let (width, height) = if phone { (390, 844) } else { (1280, 900) };
        let metrics = json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": phone});
        self.call("Emulation.setDeviceMetricsOverride", metrics);
        let scheme = if dark { "dark" } else { "light" };
        let features = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
        self.call("Emulation.setEmulatedMedia", features);
    }

    /// Takes a picture of the whole page.
    pub fn picture(&mut self, file: &Path) {
        let size = self.call("Page.getLayoutMetrics", json!({}))["cssContentSize"].clone();
        let clip = json!({"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1});
        let taken = self.call("Page.captureScreenshot", json!({"captureBeyondViewport": true, "clip": clip}));
        std::fs::write(file, from_base64(taken["data"].as_str().expect("a picture"))).expect("written");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.to.write_all(b"{\"id\": 0, \"method\": \"Browser.close\"}\0");
        let _ = self.child.wait();
    }
}

fn is_root() -> bool {
    std::fs::read_to_string("/proc/self/status").is_ok_and(|text| text.contains("\nUid:\t0\t"))
}

/// RFC 4648 4.
fn from_base64(text: &str) -> Vec<u8> {
    let digit = |byte: u8| match byte {
        b'A'..=b'Z' => byte - b'A',
        b'a'..=b'z' => byte - b'a' + 26,
        b'0'..=b'9' => byte - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let text = text.trim_end_matches('=').as_bytes();
    let mut bytes = Vec::with_capacity(text.len() * 3 / 4);
    for four in text.chunks(4) {
        let word = four.iter().fold(0_u32, |word, byte| word << 6 | u32::from(digit(*byte))) << (6 * (4 - four.len()));
        bytes.extend_from_slice(&word.to_be_bytes()[1..four.len()]);
    }
    bytes
}
