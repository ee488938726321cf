//! Figures of the page, measured in the browser: paint, transfer, from the byte to the screen, a million events, memory.

use std::fmt::Write as _;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};

use super::browser::Browser;
use super::recorded;
use crate::support::daemon::{Daemon, bound};
use crate::support::terminal::Terminal;

/// Whether the figures are to be taken: STRAYKEY_FIGURES is set, and the machine does nothing else.
fn measuring() -> bool {
    std::env::var_os("STRAYKEY_FIGURES").is_some()
}

/// A bound in milliseconds. Beside other tests ten times as much is let pass: that still finds what is broken.
fn bound_ms(figure: f64) -> f64 {
    if measuring() { figure } else { 10.0 * figure }
}

fn now_ms() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs_f64() * 1000.0
}

#[test]
fn first_paint_and_transfer() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::demo(folder.path());
    let browser = Browser::at(&daemon, "/");
    browser.tool("Network.enable", json!({}));
    browser.tool("Network.setCacheDisabled", json!({ "cacheDisabled": true }));
    let mut drawn = Vec::new();
    let mut sent = 0.0;
    for _ in 0..10 {
        browser.reload();
        browser.until("drawn", "performance.getEntriesByName('drawn').length");
        let figures = browser.script(
            "const all = [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]; \
             return [performance.getEntriesByName('drawn')[0].startTime, all.reduce((sum, e) => sum + e.transferSize, 0), all.length];",
            &[],
        );
        drawn.push(figures[0].as_f64().unwrap());
        sent = figures[1].as_f64().unwrap();
        assert!(figures[2].as_u64() > Some(20), "{figures}");
    }
    drawn.sort_by(f64::total_cmp);
    println!("first screen with content: {drawn:.0?} ms; transfer {:.1} kB", sent / 1000.0);
    assert!(drawn[drawn.len() / 2] < bound_ms(300.0), "{drawn:?} ms");
    assert!(sent < 200_000.0, "{sent} bytes");
}

/// Notes for each reading when it was on the screen: after the frame in which the page drew it.
const NOTE: &str = "window.noted = []; const done = arguments[arguments.length - 1]; import('/link.js').then(link => { \
    link.on('events', message => { const readings = message.events.filter(e => e.kind === 'reading').map(e => e.counts); \
    const came = performance.timeOrigin + performance.now(); requestAnimationFrame(() => { const channel = new MessageChannel(); channel.port1.onmessage = () => { \
    const at = performance.timeOrigin + performance.now(); for (const r of readings) window.noted.push([r, came, at]); }; \
    channel.port2.postMessage(0); }); }); done(); });";

#[test]
fn a_byte_is_on_the_screen_within_a_tenth_of_a_second() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("bench", terminal.path(), "chassis = \"alder\"\n"));
    daemon.job("one");
    let browser = Browser::at(&daemon, "/job/one");
    browser.seen("#to-baseline");
    daemon.post("/jobs/one/soak", &json!({ "port": "bench", "minutes": 30 }));
    terminal.print(b"[1.000] keyscan: line=KEY1 adc=0x3ff\r\n");
    browser.says("#latest", "1023");
    browser.later(NOTE);
    let mut runs = Vec::new();
    for run in 0..if measuring() { 5_u32 } else { 1 } {
        let mut sent = Vec::new();
        for i in 200 * run..200 * (run + 1) {
            // Every reading is another one and far from the one before, so each is an event and is known again.
            let counts = 20 + i * 467 % 997;
            let ms = 2000 + 40 * i;
            let line = format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000);
            sent.push((counts, now_ms()));
            terminal.print(line.as_bytes());
            std::thread::sleep(Duration::from_millis(40));
        }
        std::thread::sleep(Duration::from_millis(1500));
        let noted: Vec<(u32, f64, f64)> =
            serde_json::from_value(browser.script("return window.noted.splice(0)", &[])).unwrap();
        let (mut came, mut took): (Vec<f64>, Vec<f64>) = sent
            .iter()
            .filter_map(|(counts, at)| {
                let note = noted.iter().find(|note| note.0 == *counts)?;
                Some((note.1 - at, note.2 - at))
            })
            .unzip();
        assert!(took.len() >= 190, "{} of 200 readings came to the screen", took.len());
        took.sort_by(f64::total_cmp);
        came.sort_by(f64::total_cmp);
        let p99 = took[took.len() * 99 / 100];
        println!(
            "byte to page: median {:.1} ms, p99 {:.1} ms",
            came[came.len() / 2],
            came[came.len() * 99 / 100]
        );
        println!(
            "byte to screen: median {:.1} ms, p99 {p99:.1} ms, most {:.1} ms",
            took[took.len() / 2],
            took[took.len() - 1]
        );
        runs.push(p99);
    }
    assert!(runs.iter().all(|p99| *p99 < bound_ms(100.0)), "{runs:?} ms");
}

/// Sixty steps, wheel in, move, wheel out. Of each two times: the page's work, from the turn of the wheel to what is
/// drawn, without the wait for the screen's next refresh; and the whole frame, from its start to the start of the next
/// (16.7 ms at a screen of 60 Hz, or more where drawing and painting took longer).
const STEPS: &str = "const done = arguments[arguments.length - 1]; const took = []; \
    const canvas = document.querySelector('#lanes canvas'); const box = canvas.getBoundingClientRect(); \
    const step = i => { if (i === 60) { done(took); return; } \
    const x = box.left + 200 + (i * 37) % (box.width - 260); \
    const zoom = i % 3 !== 2; const deltaY = zoom ? (i < 40 ? -180 : 240) : 0; const deltaX = zoom ? 0 : 120; \
    let framed; requestAnimationFrame(() => { framed = performance.now(); }); const begun = performance.now(); \
    canvas.dispatchEvent(new WheelEvent('wheel', { deltaX, deltaY, clientX: x, clientY: box.top + 60, bubbles: true, cancelable: true })); \
    const turned = performance.now() - begun; \
    requestAnimationFrame(() => { const worked = turned + performance.now() - framed; \
    requestAnimationFrame(() => { took.push([worked, performance.now() - framed]); setTimeout(() => step(i + 1), 90); }); }); }; step(0);";

#[test]
fn a_million_events_are_moved_through_without_lag() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::new();
    for i in 0..1_010_000_u64 {
        let ms = 1000 + 50 * i;
        // Readings that all differ from the one before, and a stray of 300 ms every twenty seconds.
        let counts = if i % 400 < 6 { 747 } else { 1005 + (i * 7) % 15 };
        writeln!(text, "[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}", ms / 1000, ms % 1000).unwrap();
    }
    let daemon = recorded::daemon(folder.path(), "long", &text);
    let total = daemon.get("/jobs/long/timeline")["total"].as_u64().unwrap();
    assert!(total >= 1_000_000, "{total} events");
    let browser = Browser::at(&daemon, "/job/long");
    browser.until("all in view", "/ \\d{7} events/.test(document.querySelector('#lanes-view')?.innerText)");
    browser.pictures("million");
    browser.script("document.querySelector('#lanes').scrollIntoView({ block: 'center' })", &[]);
    let mut runs = Vec::new();
    for _ in 0..if measuring() { 3 } else { 1 } {
        let took: Vec<(f64, f64)> = serde_json::from_value(browser.later(STEPS)).unwrap();
        assert_eq!(took.len(), 60);
        let most = |of: fn(&(f64, f64)) -> f64| took.iter().map(of).fold(0.0, f64::max);
        let (work, frame) = (most(|step| step.0), most(|step| step.1));
        let mean = took.iter().map(|step| step.0).sum::<f64>() / 60.0;
        println!(
            "60 steps over {total} events: work mean {mean:.1} ms, most {work:.1} ms; longest frame {frame:.1} ms"
        );
        runs.push(work.max(frame));
        browser.click("#all");
    }
    assert!(runs.iter().all(|most| *most < bound_ms(50.0)), "{runs:?}");
    // Near enough, sums become events, to the byte.
    browser.click("#next-stray");
    browser.says("#detail", "KEY_MENU");
    // Rows of eight bytes may part the word.
    let text = "(document.querySelector('#detail .bytes')?.innerText ?? '').split('\\n').map(row => row.split('  ').pop()).join('')";
    browser.until("showed the bytes", &format!("{text}.includes('keyscan')"));
}

#[test]
fn an_hour_of_fifty_events_a_second_leaves_the_memory_flat() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("bench", terminal.path(), "chassis = \"alder\"\n"));
    daemon.job("one");
    let browser = Browser::at(&daemon, "/job/one");
    browser.seen("#to-baseline");
    daemon.post("/jobs/one/soak", &json!({ "port": "bench", "minutes": 600, "full": true }));
    let heap = || {
        browser.tool("HeapProfiler.collectGarbage", json!({}));
        browser.script("return performance.memory.usedJSHeapSize", &[]).as_f64().unwrap() / 1e6
    };
    // The hour's 180000 events come sixty times as fast; a sixth of them where no figure is taken.
    let (pieces, each) = (if measuring() { 3000_u64 } else { 500 }, 60_u64);
    let mut sizes = Vec::new();
    let begun = Instant::now();
    for piece in 0..pieces {
        let mut text = String::new();
        for i in piece * each..(piece + 1) * each {
            let ms = 1000 + 20 * i;
            writeln!(
                text,
                "[{}.{:03}] keyscan: line=KEY1 adc=0x{:03x}\r",
                ms / 1000,
                ms % 1000,
                1005 + (i * 7) % 15
            )
            .unwrap();
        }
        terminal.print(text.as_bytes());
        if (piece + 1) % (pieces / 5) == 0 {
            sizes.push(heap());
        }
        std::thread::sleep(
            (begun + Duration::from_millis(20 * (piece + 1))).saturating_duration_since(Instant::now()),
        );
    }
    browser.until("the last reading", "document.querySelector('#latest').innerText.includes('KEY1')");
    let events = daemon.port("bench")["events"].as_u64().unwrap();
    println!("{events} events in {:.0} s; heap {sizes:.1?} MB", begun.elapsed().as_secs_f64());
    assert!(events >= pieces * each * 94 / 100, "{events} events");
    let (early, late) = (sizes[1], sizes[sizes.len() - 1]);
    assert!(late < early * 1.25 + 1.0, "{sizes:?} MB");
    let _: Value = daemon.get("/status");
}
