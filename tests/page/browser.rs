//! A browser of its own for each test, and what a test asks of it.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use thirtyfour::common::print::{PrintPage, PrintParameters};
use thirtyfour::prelude::*;
use thirtyfour::{LoggingPrefsLogLevel, TypingData};
use tokio::runtime::{Builder, Runtime};

use crate::support::daemon::Daemon;

/// The longest that anything here may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(70);

/// The sizes that every screen is looked at in: a small laptop, a bench monitor, a tablet upright.
pub(super) const SIZES: [(u32, u32); 3] = [(1366, 768), (1920, 1080), (820, 1180)];

/// What does not fit: the page's width, small letters, texts of drawings that are cut or meet.
const MISFITS: &str = "const poor = []; const root = document.documentElement; \
    if (root.scrollWidth > root.clientWidth) poor.push(['wide', root.scrollWidth]); \
    const seen = node => { const box = node.getBoundingClientRect(); return box.width && box.height ? box : null; }; \
    for (const node of document.querySelectorAll('svg text, p, dd, dt, td, th, li, button, a, label, summary')) { \
        const size = parseFloat(getComputedStyle(node).fontSize) * (node.ownerSVGElement ? node.getScreenCTM().a : 1); \
        if (seen(node) && size < 11) poor.push(['small', size, node.textContent.slice(0, 40)]); } \
    for (const drawing of document.querySelectorAll('svg')) { const frame = drawing.getBoundingClientRect(); \
        const texts = [...drawing.querySelectorAll('text')].map(t => [t.textContent, seen(t)]).filter(t => t[1]); \
        texts.forEach(([name, a], i) => { if (a.left < frame.left - 1 || a.right > frame.right + 1) poor.push(['cut', name]); \
            for (const [other, b] of texts.slice(i + 1)) { \
                const across = Math.min(a.right, b.right) - Math.max(a.left, b.left); \
                const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top); \
                if (across > 1 && down > 4) poor.push(['meet', name, other]); } }); } \
    return poor.slice(0, 10);";

/// Chromium without a window, through its own chromedriver.
pub(super) struct Browser {
    time: Runtime,
    web: WebDriver,
    driver: Child,
    touch: Cell<bool>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// # Panics
    /// Where Chromium or its driver is missing; `bash tests/run` installs both.
    pub(super) fn open() -> Self {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver (bash tests/run installs it)");
        let said = BufReader::new(driver.stdout.take().unwrap());
        let mut lines = said.lines().map_while(Result::ok);
        let port = lines
            .find_map(|line| {
                line.rsplit_once("successfully on port ")
                    .map(|(_, port)| port.trim_end_matches('.').to_owned())
            })
            .expect("chromedriver says its port");
        // Whatever it says later must not fill the pipe.
        std::thread::spawn(move || lines.for_each(drop));
        let profile = tempfile::tempdir().unwrap();
        let mut wanted = DesiredCapabilities::chrome();
        let folder = format!("--user-data-dir={}", profile.path().display());
        for argument in [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--enable-precise-memory-info",
            "--window-size=1366,768",
            folder.as_str(),
        ] {
            wanted.add_arg(argument).unwrap();
        }
        wanted.set_logging_prefs("performance", LoggingPrefsLogLevel::All).unwrap();
        wanted.set_browser_log_level(LoggingPrefsLogLevel::All).unwrap();
        let time = Builder::new_current_thread().enable_all().build().unwrap();
        let web =
            time.block_on(WebDriver::new(format!("http://127.0.0.1:{port}"), wanted)).expect("a browser");
        let browser = Self { time, web, driver, touch: Cell::new(false), _profile: profile };
        // What the browser's own first page asks for is not ours.
        browser.go("about:blank");
        browser.requests();
        browser.console();
        browser
    }

    /// The page of a daemon, let in by its link.
    pub(super) fn on(daemon: &Daemon) -> Self {
        let browser = Self::open();
        browser.go(&format!("http://{}/open?token={}", daemon.address, daemon.token));
        browser
    }

    /// A place on that page.
    pub(super) fn at(daemon: &Daemon, place: &str) -> Self {
        let browser = Self::on(daemon);
        browser.seen("#jobs-title");
        browser.go(&format!("http://{}/#{place}", daemon.address));
        browser
    }

    pub(super) fn go(&self, url: &str) {
        self.time.block_on(self.web.goto(url)).unwrap();
    }

    pub(super) fn reload(&self) {
        self.time.block_on(self.web.refresh()).unwrap();
    }

    /// A command of the DevTools protocol.
    pub(super) fn tool(&self, command: &str, parameters: Value) -> Value {
        self.time.block_on(self.web.cdp().send_raw(command, parameters)).unwrap()
    }

    /// The size of what is seen, in CSS pixels.
    pub(super) fn size(&self, (width, height): (u32, u32)) {
        self.tool(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false }),
        );
    }

    /// What the user's system prefers.
    pub(super) fn prefers(&self, scheme: &str, reduced_motion: bool) {
        let motion = if reduced_motion { "reduce" } else { "no-preference" };
        self.tool(
            "Emulation.setEmulatedMedia",
            json!({ "features": [
                { "name": "prefers-color-scheme", "value": scheme },
                { "name": "prefers-reduced-motion", "value": motion },
            ]}),
        );
    }

    /// The value of a script's `return`, given `arguments[0]`….
    pub(super) fn script(&self, script: &str, arguments: &[Value]) -> Value {
        let answer = self.time.block_on(self.web.execute(script, arguments.to_vec()));
        answer.unwrap_or_else(|error| panic!("{script}: {error}")).json().clone()
    }

    /// The value that a script gives later to the function that is its last argument.
    pub(super) fn later(&self, script: &str) -> Value {
        let answer = self.time.block_on(self.web.execute_async(script, Vec::new()));
        answer.unwrap_or_else(|error| panic!("{script}: {error}")).json().clone()
    }

    /// Waits until a JavaScript expression holds.
    pub(super) fn until(&self, what: &str, expression: &str) {
        let begun = Instant::now();
        while self.script(&format!("return Boolean({expression})"), &[]) != json!(true) {
            if begun.elapsed() > PATIENCE {
                self.picture("gave-up");
                panic!("never {what}; the page says: {}\nconsole: {:?}", self.words("body"), self.console());
            }
            std::thread::sleep(Duration::from_millis(25));
        }
    }

    /// Waits until an element is there and shown.
    pub(super) fn seen(&self, css: &str) {
        let css = Value::from(css);
        self.until(&format!("seen: {css}"), &format!("document.querySelector({css})?.checkVisibility()"));
    }

    /// Waits until the text of an element contains words.
    pub(super) fn says(&self, css: &str, words: &str) {
        let (css, words) = (Value::from(css), Value::from(words));
        self.until(
            &format!("said: {css} {words}"),
            &format!("document.querySelector({css})?.innerText.includes({words})"),
        );
    }

    /// What an element says; nothing where there is none.
    pub(super) fn words(&self, css: &str) -> String {
        let text = self.script("return document.querySelector(arguments[0])?.innerText ?? ''", &[css.into()]);
        text.as_str().unwrap_or_default().to_owned()
    }

    /// Clicks as a hand does: on what is on top at that place.
    pub(super) fn click(&self, css: &str) {
        self.seen(css);
        if self.touch.get() {
            self.frame();
            assert!(
                self.tap(css) || {
                    self.frame();
                    self.tap(css)
                },
                "{css} is under something else"
            );
            return;
        }
        let press = async || {
            let found = self.web.find(By::Css(css)).await?;
            found.scroll_into_view().await?;
            found.click().await
        };
        // What the page has put anew between looking and clicking is looked for once more.
        if self.time.block_on(press()).is_err() {
            self.frame();
            self.time.block_on(press()).unwrap_or_else(|error| panic!("{css}: {error}"));
        }
    }

    /// From here on clicks are touches of a finger.
    pub(super) fn by_touch(&self) {
        self.tool("Emulation.setTouchEmulationEnabled", json!({ "enabled": true, "maxTouchPoints": 1 }));
        self.touch.set(true);
    }

    /// A finger on what is on top in the middle of an element, which is brought into view; whether it was there.
    fn tap(&self, css: &str) -> bool {
        let place = "const node = document.querySelector(arguments[0]); if (!node) return null; \
            node.scrollIntoView({ block: 'center', behavior: 'instant' }); const box = node.getBoundingClientRect(); \
            const [x, y] = [box.left + box.width / 2, box.top + box.height / 2]; const top = document.elementFromPoint(x, y); \
            return top && (node.contains(top) || top.contains(node)) ? [x, y] : null;";
        let Ok((x, y)) = serde_json::from_value::<(f64, f64)>(self.script(place, &[css.into()])) else {
            return false;
        };
        let points = json!([{ "x": x, "y": y }]);
        self.tool("Input.dispatchTouchEvent", json!({ "type": "touchStart", "touchPoints": points }));
        self.tool("Input.dispatchTouchEvent", json!({ "type": "touchEnd", "touchPoints": [] }));
        true
    }

    /// Clears a field and types into it.
    pub(super) fn fill(&self, css: &str, text: &str) {
        self.seen(css);
        self.time.block_on(async {
            let field = self.web.find(By::Css(css)).await.unwrap();
            field.clear().await.unwrap();
            field.send_keys(text).await.unwrap();
        });
    }

    /// Keys as from a keyboard, to whatever has the focus (`Key::Tab + ""` and the like).
    pub(super) fn keys(&self, keys: impl Into<TypingData>) {
        self.time.block_on(self.web.action_chain().send_keys(keys).perform()).unwrap();
    }

    /// A picture in `target/screens`.
    pub(super) fn picture(&self, name: &str) {
        let png = self.time.block_on(self.web.screenshot_as_png()).unwrap();
        std::fs::write(screens().join(format!("{name}.png")), png).unwrap();
    }

    /// The screen in both themes and all sizes; leaves 1366 × 768 in light.
    pub(super) fn pictures(&self, name: &str) {
        for scheme in ["dark", "light"] {
            self.prefers(scheme, true);
            for size in SIZES.into_iter().rev() {
                self.size(size);
                // Two frames: laid out, then drawn.
                self.frame();
                self.frame();
                self.picture(&format!("{name}-{}-{scheme}", size.0));
            }
        }
    }

    /// On wide, narrow and hand-held screens nothing is wider than the screen, letters are of 11 CSS pixels at least, and no text of
    /// a drawing is cut or written over another. Leaves 1366 × 768.
    pub(super) fn fits(&self, screen: &str) {
        for (width, height) in [(1440, 900), (1024, 768), (390, 844), (320, 700), SIZES[0]] {
            self.size((width, height));
            self.frame();
            self.frame();
            if width < 400 {
                self.picture(&format!("{screen}-{width}"));
            }
            let poor = self.script(MISFITS, &[]);
            assert_eq!(poor, json!([]), "{screen} at {width}");
        }
    }

    /// Waits for the next frame.
    pub(super) fn frame(&self) {
        let script =
            "const done = arguments[arguments.length - 1]; requestAnimationFrame(() => setTimeout(done, 0));";
        self.time.block_on(self.web.execute_async(script, Vec::new())).unwrap();
    }

    /// Rules of WCAG 2.2 A and AA and good practice by axe-core (Deque), in both themes; all of what it finds is an error.
    pub(super) fn axe(&self, screen: &str) {
        let rules = std::fs::read_to_string(axe()).expect("axe-core (bash tests/run installs it)");
        for scheme in ["dark", "light"] {
            self.prefers(scheme, true);
            self.frame();
            // Through the tools, not through the page: its policy forbids foreign scripts.
            self.tool("Runtime.evaluate", json!({ "expression": format!("{rules};undefined") }));
            let run = "axe.run(document, { resultTypes: ['violations'] }).then(found => JSON.stringify({ \
                       rules: found.passes.length, bad: found.violations.map(v => [v.id, v.help, v.nodes.slice(0, 4).map(n => [n.html.slice(0, 200), n.failureSummary])]) }))";
            let told = self.tool(
                "Runtime.evaluate",
                json!({ "expression": run, "awaitPromise": true, "returnByValue": true }),
            );
            let told = told["result"]["value"].as_str().unwrap_or_else(|| panic!("{screen}: {told}"));
            let told: Value = serde_json::from_str(told).unwrap();
            assert!(told["rules"].as_u64() > Some(5), "{screen}: hardly any rule applied: {told}");
            assert_eq!(told["bad"], json!([]), "{screen} in {scheme}: {:#}", told["bad"]);
        }
    }

    /// Addresses of all requests since the last look.
    pub(super) fn requests(&self) -> BTreeSet<String> {
        let log = self.time.block_on(self.web.get_log("performance")).unwrap();
        let sent = log.iter().filter_map(|entry| {
            let message: Value = serde_json::from_str(&entry.message).ok()?;
            let message = &message["message"];
            (message["method"] == "Network.requestWillBeSent")
                .then(|| message["params"]["request"]["url"].as_str().map(str::to_owned))?
        });
        sent.collect()
    }

    /// Nothing was asked of any other machine.
    pub(super) fn stays_on_loopback(&self, address: &str) {
        let own = format!("http://{address}/");
        let requests = self.requests();
        assert!(!requests.is_empty(), "no request seen");
        for request in requests {
            let inside = ["data:", "blob:", "about:", "chrome:", "chrome-untrusted:"]
                .iter()
                .any(|scheme| request.starts_with(scheme));
            assert!(inside || request.starts_with(&own), "asked elsewhere: {request}");
        }
    }

    /// Warnings and errors in the console since the last look: failed requests, broken policy, uncaught errors.
    pub(super) fn console(&self) -> Vec<String> {
        let log = self.time.block_on(self.web.get_log("browser")).unwrap();
        log.into_iter()
            .filter(|entry| entry.level != "INFO" && entry.level != "DEBUG")
            .map(|entry| entry.message)
            .collect()
    }

    /// Another page in this browser, with the same cookie; further calls go to it. Gives the one before.
    pub(super) fn another(&self, url: &str) -> thirtyfour::WindowHandle {
        self.time.block_on(async {
            let before = self.web.window().await.unwrap();
            let new = self.web.new_tab().await.unwrap();
            self.web.switch_to_window(new).await.unwrap();
            self.web.goto(url).await.unwrap();
            before
        })
    }

    /// Goes over to a page that is open.
    pub(super) fn turn_to(&self, page: thirtyfour::WindowHandle) -> thirtyfour::WindowHandle {
        self.time.block_on(async {
            let before = self.web.window().await.unwrap();
            self.web.switch_to_window(page).await.unwrap();
            before
        })
    }

    /// Prints to PDF on paper of this size in centimetres.
    pub(super) fn print(&self, width: f64, height: f64, to: &Path) {
        let parameters = PrintParameters {
            page: PrintPage { width, height },
            background: true,
            ..PrintParameters::default()
        };
        std::fs::write(to, self.time.block_on(self.web.print_page(parameters)).unwrap()).unwrap();
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.time.block_on(self.web.clone().quit());
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Where pictures go: an ignored folder.
pub(super) fn screens() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/screens");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Where `tests/run` puts axe-core.
fn axe() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("target/reference/axe.min.js")
}
