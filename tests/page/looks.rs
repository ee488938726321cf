//! Closer looks at a job that is recorded: a train with a beat is folded, its occurrences are gone to, events are sifted.

use std::fmt::Write as _;

use super::browser::Browser;
use super::recorded;

#[test]
fn a_beat_is_folded_gone_to_and_sifted() {
    let folder = tempfile::tempdir().unwrap();
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
    let daemon = recorded::daemon(folder.path(), "beat", &text);
    let browser = Browser::at(&daemon, "/job/beat");
    // Sixty strays, five seconds apart, by how the log was made.
    browser.says("#patterns", "5 s (");
    browser.says("#patterns", "60 ×");
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
