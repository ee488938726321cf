//! The whole way of a job in the browser, from first look to report, with a set whose fault one step mends.

use std::time::Duration;

use serde_json::{Value, json};

use super::browser::Browser;
use super::set::Set;
use crate::support::daemon::{Daemon, bound};

/// Every screen is looked at by axe-core in both themes and photographed in all sizes.
fn looked_at(browser: &Browser, name: &str) {
    browser.axe(name);
    browser.pictures(name);
    browser.fits(name);
}

/// The job as the daemon tells it; on a machine that others share the first answer may come too late.
fn told(daemon: &Daemon) -> Value {
    (0..4)
        .map(|_| daemon.ask("GET", "/jobs/ticket-1187", &Value::Null))
        .find(|reply| reply.status != 408)
        .expect("an answer in time")
        .is(200)
}

/// Presses the first thing in view that can be pressed and is not among the arguments; gives its name.
const PRESS: &str = "const done = new Set(arguments[0]); \
    const name = b => b.id || b.getAttribute('aria-label') || b.innerText.slice(0, 40); \
    for (const b of document.querySelectorAll('button, a.button, summary, input[type=checkbox], input[type=radio]')) { \
        if (b.id === 'sure' || b.disabled || !b.checkVisibility() || done.has(name(b))) continue; \
        const said = name(b); b.click(); return said; } return null;";

#[test]
fn a_soak_survives_every_button() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(true);
    let daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    daemon.job("one");
    let browser = Browser::at(&daemon, "/job/one");
    browser.seen("#way-port");
    daemon.post("/jobs/one/soak", &json!({ "port": "bench", "minutes": 60 }));
    browser.says("#state-word", "Misbehaving");
    let capture = daemon.port("bench")["capture"].clone();
    let mut pressed: Vec<String> = Vec::new();
    // Pressing shows more to press; what asks whether to end it is there too, and its yes alone is left out.
    while let Some(name) = browser.script(PRESS, &[json!(pressed)]).as_str() {
        pressed.push(name.to_owned());
        assert!(pressed.len() < 300, "{pressed:?}");
        browser.frame();
        browser.script(
            "document.querySelectorAll('dialog[open]').forEach(d => d.close()); \
             if (!location.hash.startsWith('#/job/one') || /(keys|provoke)$/.test(location.hash)) { \
                 document.querySelector('main').replaceChildren(); location.hash = '#/job/one'; }",
            &[],
        );
        // What stood there before is not pressed in place of what comes.
        browser.seen("#way-port");
    }
    browser.keys("s");
    std::thread::sleep(Duration::from_secs(1));
    assert!(pressed.len() >= 30 && pressed.contains(&"soak-stop".to_owned()), "{pressed:?}");
    assert_eq!(daemon.port("bench")["capture"], capture, "{pressed:?}");
    browser.says("#state-word", "Misbehaving");
}

#[test]
fn a_job_from_first_look_to_report() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(true);
    let daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    let browser = Browser::on(&daemon);
    browser.by_touch();
    browser.says("main", "No job yet");
    browser.fill("#f-which-set", "bedroom set, ticket <b>1187</b>");
    browser.fill("#f-what-the-customer-complains-of", "the menu opens by itself");
    browser.fill("#f-short-name-letters-digits-", "ticket-1187");
    looked_at(&browser, "new-job");
    browser.click("#make-job");

    // Nothing can be recorded before the cautions were read.
    browser.says("#cautions-title", "Before you touch");
    let open = json!({ "job": "ticket-1187", "hands": "on" });
    assert_eq!(daemon.ask("POST", "/ports/bench/open", &open).status, 409);
    looked_at(&browser, "cautions");
    browser.click("#cautions-accept");

    browser.says("#task", "Port and chassis");
    looked_at(&browser, "port");
    browser.click("label[for=port-bench]");
    browser.click("#to-baseline");
    browser.says("#task", "as it came in");
    browser.click("#soak-start");

    // Live: the strays are counted, named and marked while the set speaks.
    browser.says("#state-word", "Misbehaving");
    browser.says("#state-detail", "Menu on the Keypad path");
    looked_at(&browser, "soak");
    browser.until("ten strays", "Number(document.querySelector('#stray-count').innerText) >= 10");
    browser.says("#readings", "KEY1 reads");
    // While it runs nothing is proposed but to wait, and ending it asks.
    browser.says("#next-text", "Hands off, wait");
    browser.click("#next-go");
    browser.click("#soak-stop");
    browser.says("dialog", "the soak does not go on");
    browser.click("dialog button:not(#sure)");
    assert!(!daemon.port("bench")["capture"].is_null(), "the soak goes on");
    browser.click("#soak-stop");
    browser.click("#sure");
    browser.says("#next-text", "min) ");
    // What was seen stays in view when nobody watches.
    browser.says("#state-word", "Misbehaving");
    browser.says("#state-detail", "Not watching");
    browser.says("#where", "%");
    looked_at(&browser, "isolation");

    // A test that is a step: noted, then soaked; the fault does not mind.
    browser.click("#more-tests > summary");
    let chosen = browser.script(
        "const button = [...document.querySelectorAll('.test button')].find(b => b.innerText === 'I did this'); \
         return button.id;",
        &[],
    );
    browser.click(&format!("#{}", chosen.as_str().unwrap()));
    browser.seen("#step-text");
    let text = browser.script("return document.querySelector('#step-text').value", &[]);
    assert!(text.as_str().unwrap().len() > 10, "the test's own words: {text}");
    browser.click("#step-note");
    browser.says("#task", "Every input in a soak is stray");
    // Nothing of the soak before is left in view.
    browser.until("forgotten", "isNaN(Number(document.querySelector('#stray-count').innerText))");
    browser.click("#soak-start");
    browser.until("six strays", "Number(document.querySelector('#stray-count').innerText) >= 6");
    browser.click("#soak-stop");
    browser.click("#sure");
    browser.until("off", "document.querySelector('#state-detail').innerText.includes('Not watching')");

    // Two parts in one repair: a gentle word, and no step before one of them is taken back.
    browser.click("#way-repair");
    browser.fill("#step-text", "key input of the main board cleaned");
    browser.click("label[for=part-main-board]");
    browser.click("label[for=part-key-board]");
    browser.says("#several-warning", "nobody can tell");
    browser.click("#step-note");
    browser.seen("#step-anyway");
    assert_eq!(told(&daemon)["stages"].as_array().unwrap().len(), 2);
    looked_at(&browser, "two-parts");
    browser.click("label[for=part-key-board]");
    browser.until("no warning", "document.querySelector('#several-warning').hidden");
    browser.click("#step-note");
    browser.says("#task", "Every input in a soak is stray");
    set.mend();

    // A verdict as soon as it is certain.
    browser.click("#soak-start");
    browser.says("#soak-verdict", "undecided");
    browser.says("#quiet-anyway", "%");
    browser.says("#state-word", "Quiet 0:");
    looked_at(&browser, "verdict-soak");
    browser.until(
        "the soak ended by itself",
        "document.querySelector('#way-report').getAttribute('aria-current') === 'step'",
    );
    let job = told(&daemon);
    assert_eq!((&job["verdict"], &job["advice"]["action"]), (&json!("gone"), &json!("hand-back")));
    browser.says("#compare", "gone");
    browser.says("#state-word", "Fixed");

    // Every key once, as asked for.
    browser.click("#to-keycheck");
    looked_at(&browser, "key-check");
    for key in ["KEY_VIDEO", "KEY_OK"] {
        browser.click(&format!("label:has(#check-{key})"));
    }
    browser.click("#check-begin");
    for (turn, key) in
        ["Power", "Volume down", "Volume up", "Channel down", "Channel up", "Menu"].iter().enumerate()
    {
        browser.says("#prompt", key);
        if turn == 1 {
            browser.picture("prompt");
        }
        std::thread::sleep(Duration::from_millis(300));
        set.press(key);
        browser.says("#prompt-seen", &format!("seen: {key}"));
    }
    browser.says("#check-title", "Key check done");
    browser.says("main", "6 right, 0 seen as another key, 0 not seen");
    looked_at(&browser, "key-check-done");
    assert_eq!(daemon.get("/jobs/ticket-1187/keycheck")["checks"][0]["right"], 6);
    browser.click("#check-back");

    browser.click("#way-report");
    browser.click("#report-write");
    browser.seen("#report-open");
    looked_at(&browser, "report-written");
    let report = daemon.ask("GET", "/jobs/ticket-1187/report", &json!(null));
    assert_eq!(report.status, 200);
    assert!(report.body.contains("the menu opens by itself") && report.body.contains("ticket &lt;b&gt;1187"));
    browser.click("#closing > summary");
    browser.click("#close-sure");
    browser.says("#state-word", "Closed");
    looked_at(&browser, "closed");
    assert!(told(&daemon)["closed"].is_string());
    browser.click("#to-jobs");
    browser.says("main table", "ticket-1187");
    browser.says("main table", "gone");
    looked_at(&browser, "jobs");

    browser.stays_on_loopback(&daemon.address);
    let said = browser.console();
    // The two refusals that were meant: port before cautions was ours; several parts is the page's.
    let other: Vec<&String> = said.iter().filter(|line| !line.contains("409")).collect();
    assert!(other.is_empty(), "{other:?}");
    assert!(said.len() <= 1, "{said:?}");
}
