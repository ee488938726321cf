//! A rare fault is made to come: chosen, cautions read, block after block, a spoiled round, a pause, the result; and killed in a block.

use std::time::{Duration, Instant};

use serde_json::{Value, json};
use thirtyfour::Key;

use super::browser::Browser;
use super::set::Set;
use crate::support::daemon::{Daemon, bound};

fn looked_at(browser: &Browser, name: &str) {
    browser.axe(name);
    browser.pictures(name);
    browser.fits(name);
}

/// Chooses from a list as a hand does.
fn choose(browser: &Browser, css: &str, value: &str) {
    browser.script(
        "const list = document.querySelector(arguments[0]); list.value = arguments[1]; \
         list.dispatchEvent(new Event('change', { bubbles: true }));",
        &[css.into(), value.into()],
    );
}

/// What does not suit reading from two metres: the instruction and its countdown below 64 pixels, or any text below a
/// hundredth of the screen's height.
const TOO_SMALL: &str = "const small = []; const high = innerHeight / 100; \
    for (const node of document.querySelectorAll('#provoke *')) { \
        if (!node.checkVisibility() || ![...node.childNodes].some(n => n.nodeType === 3 && n.data.trim())) continue; \
        const size = parseFloat(getComputedStyle(node).fontSize); \
        const least = ['provoke-do', 'provoke-left'].includes(node.id) ? 64 : high; \
        if (size < least && !node.classList.contains('unseen')) small.push([node.id, size, node.textContent.slice(0, 30)]); } \
    return small;";

/// Whether the page asks for leaving alone or for tapping; nothing between blocks.
fn asked(browser: &Browser) -> Option<bool> {
    let words = browser.words("#provoke-do");
    assert!(words.is_empty() || !words.to_lowercase().contains("press"), "{words}");
    words.starts_with("TAP").then_some(true).or(words.starts_with("LEAVE ALONE").then_some(false))
}

#[test]
fn a_rare_fault_is_made_to_come() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(false);
    let daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    daemon.job("one");
    let browser = Browser::at(&daemon, "/job/one");
    browser.seen("#way-isolate");
    browser.click("#way-isolate");
    browser.click("#to-provoke");
    browser.says("#provoke-title", "Make the fault come");
    browser.until("listed", "document.querySelector('#provoke-kind option[value=tap]')");
    choose(&browser, "#provoke-kind", "tap");
    browser.fill("#provoke-minutes", "1");
    browser.click("#provoke-add");
    browser.says("#provoke-chosen", "Tapping at the key cable");
    // Too short to show anything: said before it begins, with the least time.
    browser.says("#provoke-promise", "2 minutes or more");
    assert_eq!(browser.script("return document.querySelector('#provoke-next').disabled", &[]), json!(true));
    browser.fill("#provoke-minutes", "2");
    browser.says("#provoke-promise", "10 blocks of 12 s");
    looked_at(&browser, "provoke-choose");
    browser.click("#provoke-next");
    browser.says("#provoke", "insulated stick only");
    looked_at(&browser, "provoke-cautions");
    assert_eq!(daemon.port("bench")["capture"], Value::Null, "nothing begins before the cautions were read");
    browser.click("#provoke-accept");

    browser.until("asked for", "/^(TAP|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)");
    browser.size((1440, 900));
    assert_eq!(browser.script(TOO_SMALL, &[]), json!([]));
    looked_at(&browser, "provoke-run");
    // One large target: what a hand that is busy can hit.
    let target = browser.script(
        "const box = document.querySelector('#provoke-spoiled').getBoundingClientRect(); return [box.width, box.height];",
        &[],
    );
    assert!(target[0].as_f64() > Some(600.0) && target[1].as_f64() > Some(120.0), "{target}");
    let round = |browser: &Browser| {
        let live = daemon.get("/jobs/one/provoke")["running"].clone();
        (live["round"].as_u64().unwrap(), browser.words("#provoke-block"))
    };
    let (spoiled, _) = round(&browser);
    browser.until("may be touched", "!document.querySelector('#provoke-spoiled').disabled");
    browser.click("#provoke-spoiled");
    browser.says("#provoke-said", &format!("Round {spoiled} does not count: hands moved"));
    browser.until("goes on", "!document.querySelector('#provoke-spoiled').disabled");
    browser.seen(".cell.struck");

    // By keys: a pause draws the round again, too; single keys that are switched off do nothing.
    browser.keys("p");
    browser.says("#provoke-do", "Paused");
    looked_at(&browser, "provoke-paused");
    browser.keys("p");
    browser.until("goes on", "/^(TAP|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)");
    browser.script("localStorage.setItem('single-keys', 'off')", &[]);
    browser.reload();
    browser
        .until("there again", "/^(TAP|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)");
    browser.keys("px");
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(daemon.get("/jobs/one/provoke")["running"]["paused"], false);
    browser.script("localStorage.setItem('single-keys', 'on')", &[]);
    // Off until it is wanted: a tone when it is switched on, then one as each block begins.
    browser.says("#provoke-sound", "Sound is off");
    browser.script(
        "window.tones = 0; const make = AudioContext.prototype.createOscillator; \
         AudioContext.prototype.createOscillator = function () { window.tones += 1; return make.call(this); };",
        &[],
    );
    browser.click("#provoke-sound");
    browser.says("#provoke-sound", "Sound is on");

    // The bench says what to do now, and proposes no key.
    browser.go(&format!("http://{}/#/job/one", daemon.address));
    browser
        .until("said on top", "/^(TAP|LEAVE ALONE)/.test(document.querySelector('#state-word')?.innerText)");
    let next = browser.words("#next-text");
    assert!(next.starts_with("TAP the key cable") || next.starts_with("LEAVE ALONE: hands off"), "{next}");
    assert!(!browser.words("#task").to_lowercase().contains("press "), "{}", browser.words("#task"));
    looked_at(&browser, "provoke-bench");
    browser.click("#next-go");
    // To stop asks first.
    browser.click("#provoke-stop");
    browser.says("dialog", "What was done stays in the job");
    browser.keys(Key::Escape + "");
    browser.until("closed", "!document.querySelector('dialog')");

    // What was done while nobody acted does not count.
    browser.click("#provoke-pause");
    browser.says("#provoke-do", "Paused");
    let tones = || browser.script("return window.tones", &[]).as_u64().unwrap();
    let before = tones();
    browser.click("#provoke-pause");

    // A technician who does what is asked for; tapping calls the fault.
    let begun = Instant::now();
    while browser.words("#provoke-title").starts_with("Make the fault come") {
        set.provoke(asked(&browser) == Some(true));
        assert!(
            begun.elapsed() < Duration::from_secs(420),
            "never done: {}\n{:?}",
            browser.words("body"),
            browser.console()
        );
        std::thread::sleep(Duration::from_millis(100));
    }
    let found = daemon.get("/jobs/one/provoke")["provocations"][0].clone();
    assert_eq!((&found["rounds"], &found["planned"]), (&json!(5), &json!(5)), "{found}");
    let tap = &found["stressors"][0];
    assert!(tap["episodes"].as_u64() > Some(4) && tap["alone"] == 0, "{tap}");
    let answer = browser.words("#provoke-title");
    // All five rounds: 1 of 2^5. A round that was whole before anybody acted is a tie, and doubles that; then nothing is shown.
    let chance = tap["chance"].as_f64().unwrap();
    let begins = if chance <= 0.05 {
        "Tapping at the key cable seems to bring"
    } else {
        "Not shown that tapping at the key cable"
    };
    assert!(chance <= 0.125 && answer.starts_with(begins), "{chance}: {answer}");
    assert!(answer.contains(&format!("{} episodes against 0 when left alone", tap["episodes"])), "{answer}");
    // A tone for each of the ten blocks, or nearly: a page that is drawn late plays none for a block that is over.
    assert!(tones() >= before + 8, "{} after {before}", tones());
    assert_eq!(daemon.port("bench")["capture"], Value::Null);
    let struck: Vec<&str> =
        found["blocks"].as_array().unwrap().iter().filter_map(|block| block["struck"].as_str()).collect();
    assert!(struck.contains(&"hands moved") && struck.contains(&"paused"), "{struck:?}");
    browser.click("#found-blocks > summary");
    browser.says("#found-blocks", "hands moved");
    browser.click("#found-method > summary");
    browser.says("#found-method", &found["seed"].to_string());
    browser.says("#found-method", "shown on the page and confirmed");
    looked_at(&browser, "provoke-result");
    browser.stays_on_loopback(&daemon.address);
    let said = browser.console();
    // The plan that was too short was refused, as was meant.
    assert!(said.iter().all(|line| line.contains("forecast") && line.contains("400")), "{said:?}");
}

#[test]
fn killed_in_a_block_it_is_shown_and_can_be_repeated() {
    let folder = tempfile::tempdir().unwrap();
    let set = Set::begin(true);
    let mut daemon = Daemon::start(folder.path(), &bound("bench", set.path(), ""));
    let address = daemon.address.clone();
    daemon.job("one");
    let browser = Browser::at(&daemon, "/job/one/provoke");
    browser.seen("#provoke-kind");
    let plan = json!({ "port": "bench", "stressors": ["flex@key-board"], "minutes": 4, "read": true });
    daemon.post("/jobs/one/provoke", &plan);
    // Begun elsewhere, shown here.
    browser.until("shown", "/^(FLEX|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)");
    browser.says("#provoke-block", "Block 2 of");
    browser.says("#provoke-strip", "now");
    let doing = browser.words("#provoke-do");
    std::thread::sleep(Duration::from_secs(1));
    daemon.signal("-KILL");
    daemon.wait();
    browser.says("#provoke-do", "No connection");
    looked_at(&browser, "provoke-lost");
    let daemon = Daemon::again(folder.path(), &["--listen", &address]);
    browser.says("#provoke-broken", "broken off in round 1");
    let during = if doing.starts_with("FLEX") { "Flexing at the key board" } else { "leave alone" };
    browser.says("#provoke-broken", during);
    browser.says("#provoke-title", "No round was finished");
    browser.says("#provoke", "▼");
    looked_at(&browser, "provoke-broken");
    browser.click("#news-close");
    // Repeated: the same is chosen, for as long.
    browser.says("#provoke-chosen", "Flexing at the key board");
    browser.says("#provoke-promise", "blocks of");
    browser.click("#provoke-next");
    browser.click("#provoke-accept");
    browser.until("goes on", "/^(FLEX|LEAVE ALONE)/.test(document.querySelector('#provoke-do')?.innerText)");
    assert_eq!(daemon.port("bench")["capture"], "0002-provoke");
    browser.click("#provoke-stop");
    browser.click("#sure");
    browser.says("#provoke-earlier > summary", "1 earlier provocation");
    assert_eq!(daemon.get("/jobs/one/provoke")["provocations"].as_array().unwrap().len(), 2);
}
