//! The page without a pointer: everything is reached by Tab and keys, and one sees where one is.

use serde_json::json;
use thirtyfour::Key;

use super::browser::Browser;
use super::set::Set;
use crate::support::daemon::{Daemon, bound};

/// Tab until an element has the focus; each stop on the way shows that it has it.
fn tab_to(browser: &Browser, css: &str) {
    let look = "const at = document.activeElement; const style = getComputedStyle(at); \
                return [at.matches(arguments[0]), at === document.body || style.outlineStyle !== 'none' \
                || at.id === 'main' || at.matches('h1'), at.outerHTML.slice(0, 90)];";
    for _ in 0..120 {
        let seen = browser.script(look, &[css.into()]);
        assert_eq!(seen[1], true, "no focus to be seen on {}", seen[2]);
        if seen[0] == true {
            return;
        }
        browser.keys(Key::Tab + "");
    }
    panic!("Tab never comes to {css}");
}

fn enter(browser: &Browser, css: &str) {
    browser.seen(css);
    tab_to(browser, css);
    browser.keys(Key::Enter + "");
}

#[test]
fn a_job_by_keys_alone() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(true);
    let daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    let browser = Browser::on(&daemon);
    browser.seen("#make-job");
    browser.keys(Key::Tab + "");
    browser.until("the way past the head comes first", "document.activeElement.id === 'skip'");
    tab_to(&browser, "#f-which-set");
    browser.keys("den");
    tab_to(&browser, "#f-short-name-letters-digits-");
    browser.keys("den");
    enter(&browser, "#make-job");
    enter(&browser, "#cautions-accept");
    enter(&browser, "#to-baseline");
    browser.seen("#soak-start");
    // A single key goes to the soak; what begins and ends one is a button.
    browser.keys("s");
    browser.until("at the button", "document.activeElement.id === 'soak-start'");
    browser.keys(Key::Enter + "");
    browser.says("#state-word", "Misbehaving");

    browser.keys("?");
    browser.says("dialog", "to the soak");
    browser.says("dialog", "Watching the set, hands off");
    browser.axe("keys");
    browser.pictures("keys");
    browser.keys(Key::Escape + "");
    browser.until("closed", "!document.querySelector('dialog')");

    // Single keys can be switched off, as WCAG 2.2 asks for in 2.1.4, and on again.
    let single = |on: bool| {
        browser.click("#help");
        browser.click("label:has(#single-keys)");
        browser.keys(Key::Escape + "");
        browser.until("closed", "!document.querySelector('dialog')");
        assert_eq!(
            browser.script("return localStorage.getItem('single-keys')", &[]),
            json!(if on { "on" } else { "off" })
        );
    };
    single(false);
    let theme = || browser.script("return document.documentElement.dataset.theme ?? ''", &[]);
    let before = theme();
    browser.keys("ts?");
    assert_eq!(theme(), before);
    browser.until("no list", "!document.querySelector('dialog')");
    single(true);

    // The lanes: zoom, move, jump, bytes.
    browser.until("five strays", "Number(document.querySelector('#stray-count').innerText) >= 5");
    browser.keys("l");
    browser.until("in the lanes", "document.activeElement.id === 'lanes'");
    let view = || {
        browser.frame();
        browser.words("#lanes-view")
    };
    browser.keys("0");
    browser.until("not following", "document.querySelector('#follow').ariaPressed === 'false'");
    let all = view();
    browser.keys(Key::Up + "");
    browser.until("nearer", &format!("document.querySelector('#lanes-view').innerText !== {}", json!(all)));
    let near = view();
    browser.keys(Key::Right + "");
    browser.until("moved", &format!("document.querySelector('#lanes-view').innerText !== {}", json!(near)));
    browser.keys("p");
    browser.says("#detail", "KEY_MENU");
    browser.keys(Key::Enter + "");
    browser.until("the bytes have the focus", "document.activeElement.id === 'detail'");
    browser.says("#detail .bytes", "keyscan");
    browser.keys("f");
    browser.until("follows", "document.querySelector('#follow').ariaPressed === 'true'");
    browser.keys("/");
    browser.until("search", "document.activeElement.id === 'search'");
    browser.keys("menu");
    browser.until("found", "/: \\d+ event/.test(document.querySelector('#lanes-view').innerText)");
    browser.keys(Key::Escape + "");
    tab_to(&browser, "#soak-stop");
    browser.keys(Key::Enter + "");
    browser.says("dialog", "the soak does not go on");
    enter(&browser, "#sure");
    browser.says("#next-text", "min) ");

    browser.keys("4");
    browser.seen("#step-text");
    tab_to(&browser, "#step-text");
    browser.keys("key board cleaned");
    tab_to(&browser, "#part-key-board");
    browser.keys(" ");
    enter(&browser, "#step-note");
    browser.says("#task", "Every input in a soak is stray");
    assert_eq!(daemon.get("/jobs/den")["stages"][1]["parts"], json!(["key-board"]));

    browser.keys("t");
    browser.until("light", "document.documentElement.dataset.theme === 'light'");
    browser.keys("t");
    browser.until("dark", "document.documentElement.dataset.theme === 'dark'");
    browser.keys("6");
    enter(&browser, "#report-write");
    browser.seen("#report-open");
    // No stray is to answer the prompt.
    set.mend();
    browser.keys("gk");
    browser.seen("#check-begin");
    enter(&browser, "#check-begin");
    browser.says("#prompt", "Power");
    std::thread::sleep(std::time::Duration::from_millis(300));
    set.press("Power");
    browser.says("#prompt-seen", "seen: Power");
    enter(&browser, "#check-stop");
    browser.says("#check-title", "done");
    browser.keys("gj");
    browser.seen("#jobs-title");
}

#[test]
fn a_fault_is_made_to_come_by_keys_alone() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(false);
    let daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    daemon.job("den");
    let browser = Browser::at(&daemon, "/job/den");
    browser.seen("#way-port");
    browser.keys("gp");
    browser.until("listed", "document.querySelector('#provoke-kind option[value=tap]')");
    tab_to(&browser, "#provoke-kind");
    browser.keys("Tapp");
    enter(&browser, "#provoke-add");
    browser.says("#provoke-chosen", "Tapping at the key cable");
    browser.until("forecast", "!document.querySelector('#provoke-next').disabled");
    enter(&browser, "#provoke-next");
    browser.says("#provoke-title", "Before the first block");
    enter(&browser, "#provoke-accept");
    let asked = "/^(TAP|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)";
    browser.until("asked for", asked);
    browser.keys("x");
    browser.says("#provoke-said", "Round 1 does not count: hands moved");
    enter(&browser, "#provoke-pause");
    browser.says("#provoke-do", "Paused");
    browser.keys("p");
    browser.until("goes on", asked);
    enter(&browser, "#provoke-stop");
    browser.says("dialog", "What was done stays in the job");
    enter(&browser, "#sure");
    browser.says("#provoke-broken", "broken off");
    assert_eq!(daemon.port("bench")["capture"], serde_json::Value::Null);
}
