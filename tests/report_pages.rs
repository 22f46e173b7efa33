//! Pages of runs and cases: what they hold, that nothing in them reaches outside or escapes, and how they print.

use std::{
    fs,
    io::Write,
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

use serde_json::{Value, json};
use tempfile::TempDir;
use turnback_core::{
    document::{
        case::{Case, CaseState, Ended, Source, Stage, StageResult},
        run::Report,
    },
    kind::ethernet::sim,
};

use crate::harness::{
    program::{Finished, Program},
    rigs::check,
    skip::installed,
};

/// A directory with a report in it, and the program.
struct Desk {
    program: Program,
    directory: TempDir,
}

impl Desk {
    fn new() -> Self {
        Self { program: Program::new(), directory: tempfile::tempdir().unwrap() }
    }

    fn check(&self, arguments: &str) -> Value {
        check(&format!("{arguments} --seed 11"))
    }

    /// `turnback report` of a document, to its end.
    fn report(&self, document: &Value, options: &str) -> Finished {
        let path = self.path("document.json");
        fs::write(&path, document.to_string()).unwrap();
        self.program.run(&format!("report {} {options}", path.display()))
    }

    fn page(&self, document: &Value) -> String {
        let finished = self.report(document, "");
        assert_eq!(finished.code, Some(0), "{}", finished.stderr);
        finished.stdout
    }

    fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }
}

/// Texts of an element, in order.
fn texts<'a>(page: &'a str, open: &str, close: &str) -> Vec<&'a str> {
    page.split(open)
        .skip(1)
        .filter_map(|rest| rest.split_once('>')?.1.split_once(close).map(|(text, _)| text))
        .collect()
}

fn drawings(page: &str) -> Vec<String> {
    page.split("<svg").skip(1).map(|rest| format!("<svg{}</svg>", rest.split_once("</svg>").unwrap().0)).collect()
}

/// Fails unless the page works alone: no script, and nothing that a browser would fetch.
fn assert_stands_alone(page: &str) {
    let without_namespace = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
    for outside in ["http:", "https:", "src=", "href=", "<script", "<link", "@import", "<iframe", "<object", "<base"] {
        assert!(!without_namespace.contains(outside), "{outside} in {page}");
    }
    assert_eq!(page.matches("url(").count(), page.matches("url(#").count());
}

/// Parses every drawing with expat, through Python's standard library; skipped where there is no Python.
fn assert_drawings_are_xml(page: &str) {
    let drawings: Vec<_> = drawings(page).into_iter().filter(|d| d.contains("xmlns")).collect();
    assert!(!drawings.is_empty());
    let parse = "import json,sys,xml.dom.minidom as m\nfor d in json.load(sys.stdin): m.parseString(d.encode())";
    if !installed("python3", "python3-minimal") {
        return;
    }
    let started = Command::new("python3").args(["-c", parse]).stdin(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let mut python = started.expect("python3");
    python.stdin.take().unwrap().write_all(json!(drawings).to_string().as_bytes()).unwrap();
    let output = python.wait_with_output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn the_page_of_every_rig_stands_alone() {
    let desk = Desk::new();
    for (rig, _) in sim::BUILTIN {
        let report = desk.check(&format!("sim:{rig}"));
        let page = desk.page(&report);
        assert_stands_alone(&page);
        assert_drawings_are_xml(&page);
        assert!(page.contains(report["run"].as_str().unwrap()), "{rig}");
        for reason in report["verdict"]["reasons"].as_array().unwrap() {
            assert!(page.contains(&format!("<code>{}</code>", reason["rule"].as_str().unwrap())), "{rig}");
        }
        // A description for every drawing that says something.
        assert_eq!(page.matches("role=\"img\"").count(), page.matches("<desc id=").count(), "{rig}");
    }
}

#[test]
fn a_page_says_what_happened_in_a_fixed_order() {
    let desk = Desk::new();
    let page = desk.page(&desk.check("sim:bad-cable --cable Q-12 --segment duct --note before-the-storm"));
    assert_eq!(texts(&page, "<h1", "</h1>"), ["FAULT in the cable"]);
    assert_eq!(
        texts(&page, "<h2", "</h2>"),
        [
            "What to do now",
            "Why",
            "What was tested",
            "Figures",
            "Bit error ratio against the limit",
            "Errors over time",
            "Frames lost or damaged, by size",
            "Errors by bit position",
            "Errors by place in the frame",
            "Round trip of single frames",
            "Round trip under full flow",
            "Steps",
            "What this method cannot show",
            "Notes"
        ]
    );
    for shown in ["Q-12", "duct", "before-the-storm", "Power over Ethernet", "Clock accuracy", "report format 2"] {
        assert!(page.contains(shown), "{shown}");
    }
}

/// Nothing was measured: no plot is made up.
#[test]
fn an_open_port_has_no_plots() {
    let desk = Desk::new();
    let page = desk.page(&desk.check("sim:no-plug --no-confirm"));
    assert!(page.contains("Nothing was sent, so nothing was measured."));
    // The way of the signal, in words, is all that is drawn.
    assert_eq!(page.matches("<figcaption>").count(), 1);
}

const HOSTILE: &str =
    "</title></style><script>alert(1)</script><img src=x onerror=alert(1)>\"'&\n\u{0}\u{1b}[2J\u{202e}=1+1";

/// Every text of a document, but for those that name one of a few words, becomes hostile.
fn poison(value: &mut Value) {
    match value {
        Value::Object(fields) => {
            for (name, field) in fields {
                let is_word = [
                    "document",
                    "kind",
                    "outcome",
                    "location",
                    "placement",
                    "medium",
                    "basis",
                    "looks",
                    "stopped",
                    "cautions",
                    "showing",
                ]
                .contains(&name.as_str());
                if !is_word {
                    poison(field);
                }
            }
        }
        Value::Array(list) => list.iter_mut().for_each(poison),
        Value::String(text) => *text = format!("{text}{HOSTILE}"),
        _ => {}
    }
}

#[test]
fn texts_of_a_report_cannot_break_out() {
    let desk = Desk::new();
    let mut report = desk.check("sim:bad-cable --cable Q-12 --segment duct");
    poison(&mut report);
    let page = desk.page(&report);
    assert!(!page.contains("<script") && !page.contains("<img"), "{page}");
    assert_eq!(page.matches("</title>").count(), 1 + drawings(&page).len() - 1);
    assert_eq!(page.matches("</style>").count(), 1);
    assert_drawings_are_xml(&page);

    let text = desk.report(&report, "--text").stdout;
    assert!(!text.contains(['\u{0}', '\u{1b}', '\u{202e}']));
    // No line of the text begins with what stood behind a line break in a label.
    assert!(text.lines().all(|line| !line.starts_with('\u{fffd}')), "{text}");
}

#[test]
fn json_and_csv_hold_every_figure() {
    let desk = Desk::new();
    let report = desk.check("sim:bad-cable --cable Q-12");
    let again = desk.report(&report, "--json").report();
    assert_eq!(again, report);
    let csv = desk.report(&report, "--csv").stdout;
    let row = |field: &str, entry: &str, value: &Value| format!("\n{field},{entry},{value}\n");
    assert!(csv.starts_with("field,entry,value\n"));
    for (field, entry, value) in [
        ("totals.frames_sent", "", &report["totals"]["frames_sent"]),
        ("steps.frames_damaged", "2", &report["steps"][1]["frames_damaged"]),
        ("latency_ns.histogram.count", "1", &report["latency_ns"]["histogram"][0]["count"]),
        ("damage.bit_in_byte", "8", &report["damage"]["bit_in_byte"][7]),
    ] {
        assert!(csv.contains(&row(field, entry, value)), "{field} {entry} {value}");
    }
}

/// The bins hold every trip once, whatever the clock.
#[test]
fn histograms_hold_every_trip() {
    let report = Desk::new().check("sim:bursty-cable");
    for field in ["/latency_ns", "/detail/latency_loaded_ns"] {
        let trips = report.pointer(field).unwrap();
        let bins = trips["histogram"].as_array().unwrap();
        let sum: u64 = bins.iter().map(|bin| bin["count"].as_u64().unwrap()).sum();
        assert_eq!(sum, trips["count"].as_u64().unwrap(), "{field}");
        assert!(bins.last().unwrap()["upper_ns"].as_u64() >= trips["max"].as_u64(), "{field}");
    }
}

/// A document that the program of format 1 wrote.
fn of_format_1(name: &str) -> Value {
    let path = format!("{}/../tests/fixtures/format1/{name}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

/// What that program said of each of them, taken from its own text.
const OF_FORMAT_1: [(&str, &str); 3] = [
    ("ethernet-run", "FAULT in the port or the plug"),
    ("serial-run", "FAULT in the port or the plug"),
    ("case", "FAULT in the cable, segment quay-duct"),
];

#[test]
fn documents_of_format_1_are_shown_in_every_form() {
    let desk = Desk::new();
    for (name, headline) in OF_FORMAT_1 {
        let document = of_format_1(name);
        assert_eq!(texts(&desk.page(&document), "<h1", "</h1>"), [headline]);
        assert!(desk.report(&document, "--text").stdout.starts_with(&format!("{headline}\n")));
        let rule = document["verdict"]["reasons"][0]["rule"].as_str().unwrap();
        assert!(desk.report(&document, "--csv").stdout.contains(&format!("\nverdict.reasons.rule,1,{rule}\n")));
        let now = desk.report(&document, "--json").report();
        assert_eq!(now["verdict"], document["verdict"]);
        assert!(now["document"].is_string(), "{now}");
    }
}

/// A store keeps a document as it came: this is what one of today's users holds.
#[test]
fn records_of_format_1_are_shown_compared_and_exported() {
    let desk = Desk::new();
    let store = desk.path("records.db");
    let records = |words: &str| {
        let done = desk.program.run(&format!("records {words} --store {}", store.display()));
        assert_eq!(done.code, Some(0), "{}", done.stderr);
        done.stdout
    };
    let mut lines = String::new();
    for (name, _) in OF_FORMAT_1 {
        lines.push_str(&format!("{}\n", of_format_1(name)));
    }
    let file = desk.path("old.jsonl");
    fs::write(&file, &lines).unwrap();
    assert!(records(&format!("import {}", file.display())).contains("2 runs taken in"));
    let ids = ["ethernet-run", "serial-run"].map(|name| of_format_1(name)["run"].as_str().unwrap().to_owned());
    for (id, (_, headline)) in ids.iter().zip(OF_FORMAT_1) {
        assert!(records(&format!("show {id}")).contains(&format!("\n{headline}\n")));
    }
    let newer = desk.check("sim:bad-plug --cable Q-12");
    let newer_file = desk.path("new.json");
    fs::write(&newer_file, newer.to_string()).unwrap();
    records(&format!("import {}", newer_file.display()));
    let compared = records(&format!("compare {} {}", ids[0], newer["run"].as_str().unwrap()));
    assert!(compared.contains("bit error ratio") && compared.contains("frames lost on the way"), "{compared}");
    assert!(!compared.contains("not measured"), "{compared}");
    assert!(records("check").contains("sound"));
    let exported = records("export");
    for line in lines.lines() {
        assert!(exported.contains(line), "{line}");
    }
}

/// A report of the first released shape, without what came later, is shown all the same.
#[test]
fn an_older_report_is_shown() {
    let desk = Desk::new();
    let mut report = of_format_1("ethernet-run");
    for field in ["machine", "labels"] {
        report.as_object_mut().unwrap().remove(field);
    }
    for latency in ["latency_ns", "latency_loaded_ns"] {
        report[latency].as_object_mut().unwrap().remove("histogram");
    }
    for step in report["steps"].as_array_mut().unwrap() {
        step.as_object_mut().unwrap().remove("frames_never_left");
    }
    assert!(desk.page(&report).contains("<h1>FAULT in the port or the plug</h1>"));
}

#[test]
fn what_is_no_report_is_refused_with_a_way_out() {
    let desk = Desk::new();
    let wrong = [
        (json!({"format": 99, "run": "x"}), "knows formats up to"),
        (json!({"format": 99, "case": "x"}), "is of case format 99"),
        (json!({"format": 1}), "that this program does not make"),
        (json!([1, 2]), "that this program does not make"),
    ];
    for (document, said) in wrong {
        let finished = desk.report(&document, "");
        assert_eq!((finished.code, finished.stdout.as_str()), (Some(2), ""), "{document}");
        assert!(finished.stderr.contains(said) && finished.stderr.contains("\nhint: "), "{}", finished.stderr);
    }
    let events = desk.path("events.jsonl");
    fs::write(&events, "{\"event\":\"run-started\"}\n{\"event\":\"run-ended\"}\n").unwrap();
    for (given, said) in [(events.display().to_string(), "no JSON document"), ("quay7.json".into(), "cannot read")] {
        let finished = desk.program.run(&format!("report {given}"));
        assert_eq!(finished.code, Some(2));
        assert!(finished.stderr.contains(said) && finished.stderr.contains("hint: "), "{}", finished.stderr);
    }
}

#[test]
fn a_page_that_cannot_be_written_leaves_the_old_one() {
    let desk = Desk::new();
    let report = desk.check("sim:good");
    let page = desk.path("page.html");
    fs::write(&page, "old").unwrap();
    let finished = desk.report(&report, &format!("--output {}", desk.path("missing/page.html").display()));
    assert_eq!(finished.code, Some(2));
    assert!(finished.stderr.contains("cannot write") && finished.stderr.contains("missing/page.html"));
    let finished = desk.report(&report, &format!("--output {}", page.display()));
    assert_eq!((finished.code, finished.stdout.as_str()), (Some(0), ""));
    assert!(fs::read_to_string(&page).unwrap().ends_with("</html>"));
    let left: Vec<_> = fs::read_dir(desk.directory.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(!left.iter().any(|name| name.to_string_lossy().contains(".part")), "{left:?}");
}

#[test]
fn recorded_runs_and_cases_are_found_by_the_beginning_of_its_id() {
    let desk = Desk::new();
    let store = desk.path("runs.sqlite");
    let report = desk.program.check(&format!("sim:bad-plug --store {}", store.display())).report();
    let run = report["run"].as_str().unwrap();
    for given in [run, &run[..20], "last"] {
        let shown = desk.program.run(&format!("report {given} --json --store {}", store.display()));
        assert_eq!(shown.report()["run"], run);
    }
    let case: Case = serde_json::from_value(case(&desk)).unwrap();
    let case = Case { case: "c4".repeat(8), ..case };
    turnback::archive::Archive::put(&mut turnback::archive::sqlite::Store::open(&store).unwrap(), &case.clone().into())
        .unwrap();
    let shown = desk.program.run(&format!("report c4c4 --json --store {}", store.display()));
    assert_eq!(shown.report(), serde_json::to_value(&case).unwrap());
    let missing = desk.program.run(&format!("report ffff --store {}", store.display()));
    assert_eq!(missing.code, Some(2));
    assert!(missing.stderr.contains("neither a file nor the id of a recorded run or case"), "{}", missing.stderr);
}

/// A case whose stages are runs of rigs: the port and the riser pass, the duct fails.
fn case(desk: &Desk) -> Value {
    let stage = |name: &str, attempt, arguments: &str| {
        let report: Report = serde_json::from_value(desk.check(arguments)).unwrap();
        let stage = Stage {
            name: name.parse().unwrap(),
            attempt,
            placement: Some(report.placement),
            segment: None,
            plug: Some("P-3".into()),
            on_port: None,
            run: Some(report.run.clone()),
            started_at: report.started_at.clone(),
            source: Source::Run,
            ended: Ended::Done,
            why: None,
            result: Some(StageResult::new(&report)),
            pairs: None,
        };
        (stage, report)
    };
    let (at_port, _) = stage("at-port", 1, "sim:good --placement at-port");
    let (riser, _) = stage("far-end:riser", 1, "sim:good --placement far-end");
    let (no_link, _) = stage("far-end:duct", 1, "sim:no-plug --no-confirm");
    let (duct, report) = stage("far-end:duct", 2, "sim:bad-cable --no-confirm --placement far-end");
    let mut skipped = at_port.clone();
    (skipped.name, skipped.ended, skipped.result) = ("internal".parse().unwrap(), Ended::Skipped, None);
    skipped.why = Some("the adapter has no loop".into());
    let mut verdict = report.verdict.clone();
    verdict.location = vec![turnback_core::judge::Location::Cable];
    verdict.segment = Some("duct".into());
    let case = Case {
        format: turnback_core::document::case::FORMAT,
        program: report.program.clone(),
        case: report.run.clone(),
        opened_at: report.started_at.clone(),
        changed_at: report.started_at.clone(),
        port: report.port.clone(),
        cable: "Q-12".into(),
        segments: vec!["riser".into(), "duct".into(), "tail".into()],
        plug: Some("P-3".into()),
        capabilities: report.ethernet().unwrap().capabilities,
        medium: Default::default(),
        offers_cable_test: false,
        line: None,
        stages: vec![skipped, at_port, riser, no_link, duct],
        state: CaseState::Decided,
        verdict,
        next: None,
        again: None,
        options: Default::default(),
        closed: None,
        laid_down: false,
    };
    serde_json::to_value(&case).unwrap()
}

#[test]
fn the_page_of_a_case_compares_its_stages() {
    let desk = Desk::new();
    let mut case = case(&desk);
    let page = desk.page(&case);
    assert_stands_alone(&page);
    assert_drawings_are_xml(&page);
    assert_eq!(texts(&page, "<h1", "</h1>"), ["FAULT in the cable, segment duct"]);
    let figures: Vec<_> = page.split("<figure id=\"").skip(1).map(|rest| rest.split_once('"').unwrap().0).collect();
    assert_eq!(figures, ["stages", "stage-trips"]);
    // One segment is marked, not the whole cable.
    assert!(page.contains("suspected: segment duct."), "{page}");
    for shown in ["far-end:riser", "far-end:duct (2)", "skipped: the adapter has no loop", "not measured", "P-3"] {
        assert!(page.contains(shown), "{shown}");
    }
    let text = desk.report(&case, "--text").stdout;
    assert!(
        text.starts_with(
            "FAULT in the cable, segment duct\ntested: sim:bad-cable, cable Q-12 (segments riser, duct, tail), plug P-3; "
        ),
        "{text}"
    );
    assert_eq!(desk.report(&case, "--json").report(), case);

    // A stage's name is one word in a fixed form; all other texts are free.
    let names: Vec<Value> = case["stages"].as_array().unwrap().iter().map(|s| s["name"].clone()).collect();
    poison(&mut case);
    for (stage, name) in case["stages"].as_array_mut().unwrap().iter_mut().zip(names) {
        (stage["name"], stage["source"], stage["ended"]) = (name, json!("run"), json!("done"));
    }
    case["state"] = json!("decided");
    let page = desk.page(&case);
    assert!(!page.contains("<script") && !page.contains("<img"), "{page}");
    assert_drawings_are_xml(&page);
}

/// Printed by a real browser; prints `skipped` where there is none.
#[test]
fn a_full_page_prints_on_two_sheets() {
    let desk = Desk::new();
    // Every plot and the longest table of steps.
    let page = desk.page(&desk.check("sim:bad-cable --cable Q-12 --profile standard --for 3s"));
    let case = desk.page(&case(&desk));
    // Modem lines, and the longest tables of speeds and formats.
    let line = desk.page(&desk.check("sim:serial-parity --profile standard"));
    for (name, page) in [("run", page), ("case", case), ("line", line)] {
        // Letter is the shorter of the two papers.
        fs::write(desk.path("page.html"), format!("{page}<style>@page {{ size: letter }}</style>")).unwrap();
        let Some(sheets) = printed_sheets(&desk.path("page.html"), desk.directory.path()) else { return };
        assert!((1..=2).contains(&sheets), "{name}: {sheets} sheets");
    }
}

fn printed_sheets(page: &Path, directory: &Path) -> Option<usize> {
    let pdf = directory.join("page.pdf");
    if !installed("chromium", "chromium") || !installed("pdfinfo", "poppler-utils") {
        return None;
    }
    let mut chromium = Command::new("timeout");
    chromium.args(["90", "chromium", "--headless", "--disable-gpu", "--no-pdf-header-footer"]);
    chromium.arg("--host-resolver-rules=MAP * ~NOTFOUND");
    chromium.arg(format!("--user-data-dir={}", directory.join("browser").display()));
    if fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0) {
        // The browser's own sandbox cannot be set up by root.
        chromium.arg("--no-sandbox");
    }
    chromium.arg(format!("--print-to-pdf={}", pdf.display())).arg(format!("file://{}", page.display()));
    let printed = chromium.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|s| s.success());
    assert!(printed, "chromium did not print {}", page.display());
    let counted = Command::new("pdfinfo").arg(&pdf).output().expect("pdfinfo");
    let text = String::from_utf8_lossy(&counted.stdout).into_owned();
    text.lines().find_map(|line| line.strip_prefix("Pages:")?.trim().parse().ok())
}
