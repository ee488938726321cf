//! Closer looks at a job that is recorded: a sequence with a beat is folded, its occurrences are gone to, events are sifted.

use std::fmt::Write as _;

use serde_json::json;

use super::browser::Browser;
use super::recorded;

/// Pixels that the names of the lanes take (draw.js).
const GUTTER: f64 = 92.0;

/// Five minutes of a set whose menu opens by itself every five seconds.
fn beat() -> String {
    let mut text = String::new();
    for i in 0..6000_u64 {
        let ms = 1000 + 50 * i;
        // Menu for a fifth of a second every five seconds, from 2 s on.
        let counts = if i % 100 >= 20 && i % 100 < 24 { 747 } else { 1023 };
        writeln!(text, "[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}", ms / 1000, ms % 1000).unwrap();
        if i % 100 == 25 {
            writeln!(text, "[{}.{:03}] osd: show menu", ms / 1000, ms % 1000).unwrap();
        }
    }
    text
}

#[test]
fn a_beat_is_folded_gone_to_and_sifted() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = recorded::daemon(folder.path(), "beat", &beat());
    let browser = Browser::at(&daemon, "/job/beat");
    // Sixty strays, five seconds apart, by how the log was made.
    browser.says("#patterns", "every 5 s");
    browser.says("#patterns", "seen 60 times");
    browser.says("#lanes-view", "60 strays");
    browser.click("[id^=fold-1-]");
    browser.says("dialog", "folded at 5 s");
    let upright = browser.script(
        "const at = [...document.querySelectorAll('dialog .stray-mark')].map(m => m.getBoundingClientRect().left); \
         return [at.length, Math.max(...at) - Math.min(...at)];",
        &[],
    );
    assert!(upright[0].as_u64() >= Some(60) && upright[1].as_f64() < Some(8.0), "{upright}");
    browser.axe("fold");
    browser.pictures("fold");
    browser.click("dialog button");
    browser.click("[id^=goto-1-]");
    browser.says("#detail", "KEY_MENU");
    browser.says("#detail .bytes", "keyscan");
    browser.pictures("occurrence");
    // Sifted: only strays, then a word, then a path.
    browser.click("#all");
    browser.click("label:has(#only-strays)");
    browser.says("#lanes-view", "60 strays");
    browser.until(
        "readings are gone",
        "!/[0-9]{4,} events/.test(document.querySelector('#lanes-view').innerText)",
    );
    browser.click("label:has(#only-strays)");
    browser.click("#sieve > summary");
    browser.fill("#search", "menu");
    browser.until("found", "/: \\d{2,3} events/.test(document.querySelector('#lanes-view').innerText)");
    browser.click("label:has(#path-keypad)");
    browser.says("#lanes-view", "0 strays");
    browser.click("#lanes-table > summary");
    browser.says("#lanes-table", "Menu");
    assert_eq!(browser.console(), Vec::<String>::new());
}

/// Fingers on the lanes, each at a place (CSS pixels of the window).
fn fingers(browser: &Browser, kind: &str, places: &[(f64, f64)]) {
    let points: Vec<_> =
        places.iter().enumerate().map(|(id, (x, y))| json!({ "x": x, "y": y, "id": id })).collect();
    browser.tool("Input.dispatchTouchEvent", json!({ "type": kind, "touchPoints": points }));
}

/// Left, top and width of the lanes, brought into the middle of the window.
fn canvas(browser: &Browser) -> [f64; 3] {
    let script = "document.querySelector('#lanes').scrollIntoView({ block: 'center' }); \
        const box = document.querySelector('#lanes canvas').getBoundingClientRect(); return [box.left, box.top, box.width]";
    serde_json::from_value(browser.script(script, &[])).unwrap()
}

/// Start and end of what is in view, seconds.
fn view(browser: &Browser) -> (f64, f64) {
    browser.frame();
    browser.frame();
    let words = browser.words("#lanes-view");
    let (range, _) = words.split_once(": ").unwrap_or_else(|| panic!("{words}"));
    let (from, to) = range.split_once(" to ").unwrap_or_else(|| panic!("{words}"));
    (seconds(from), seconds(to))
}

/// `1:02:03.5` in seconds; also `8.25 s`.
fn seconds(words: &str) -> f64 {
    let number = words.trim().trim_end_matches(" s");
    number
        .split(':')
        .fold(0.0, |sum, part| sum * 60.0 + part.parse::<f64>().unwrap_or_else(|_| panic!("{words}")))
}

#[test]
fn fingers_move_zoom_and_choose() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = recorded::daemon(folder.path(), "fingers", &beat());
    let browser = Browser::at(&daemon, "/job/fingers");
    browser.tool("Emulation.setTouchEmulationEnabled", json!({ "enabled": true, "maxTouchPoints": 2 }));
    browser.says("#lanes-view", "60 strays");
    let [left, top, width] = canvas(&browser);
    let (x, y) = (left + width * 0.6, top + 60.0);
    let all = view(&browser);
    // Two fingers from 100 to 200 pixels apart: half as much is in view, about the same middle.
    fingers(&browser, "touchStart", &[(x - 50.0, y), (x + 50.0, y)]);
    for step in 1..=10 {
        let half = 50.0 + 5.0 * f64::from(step);
        fingers(&browser, "touchMove", &[(x - half, y), (x + half, y)]);
    }
    fingers(&browser, "touchEnd", &[]);
    let pinched = view(&browser);
    let ratio = (pinched.1 - pinched.0) / (all.1 - all.0);
    assert!((ratio - 0.5).abs() < 0.02, "{all:?} to {pinched:?}");
    assert!(pinched.0 > all.0 && pinched.1 < all.1, "{all:?} to {pinched:?}");
    // One finger to the left: what is later comes into view, as long as before.
    fingers(&browser, "touchStart", &[(x, y)]);
    for step in 1..=10 {
        fingers(&browser, "touchMove", &[(x - 8.0 * f64::from(step), y)]);
    }
    fingers(&browser, "touchEnd", &[]);
    let moved = view(&browser);
    assert!(moved.0 > pinched.0 + 1.0, "{pinched:?} to {moved:?}");
    let length = (moved.1 - moved.0) / (pinched.1 - pinched.0);
    assert!((length - 1.0).abs() < 0.02, "{pinched:?} to {moved:?}");
    // A short touch on a stray says what it was: on the one after that which was gone to, 5 s later by the log.
    browser.click("#next-stray");
    browser.says("#detail", "KEY_MENU");
    let time = "document.querySelector('#detail').innerText.match(/(\\d+\\.\\d{3}) s/)?.[1]";
    let first = browser.script(&format!("return Number({time})"), &[]).as_f64().unwrap();
    let (from, to) = view(&browser);
    let [left, top, width] = canvas(&browser);
    let x = left + GUTTER + (first + 5.0 + 0.1 - from) / (to - from) * (width - GUTTER);
    fingers(&browser, "touchStart", &[(x, top + 60.0)]);
    fingers(&browser, "touchEnd", &[]);
    browser.until("the next one", &format!("Math.abs(Number({time}) - {}) < 0.3", first + 5.0));
    browser.says("#detail", "KEY_MENU");
    assert_eq!(browser.console(), Vec::<String>::new());
}
