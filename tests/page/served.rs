//! The page as it is served: policy, size, where its requests go.

use super::browser::Browser;
use crate::support::daemon::Daemon;

#[test]
fn it_asks_nobody_else_and_keeps_its_own_policy() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::demo(folder.path());
    let browser = Browser::on(&daemon);
    browser.until("loaded", "document.readyState === 'complete'");
    browser.stays_on_loopback(&daemon.address);
    assert_eq!(browser.console(), Vec::<String>::new());
    // The policy bites: a script and a style written into the page do not run.
    let ran = browser.script(
        "window.ran = false; const s = document.createElement('script'); s.textContent = 'window.ran = true'; \
         document.body.append(s); const d = document.createElement('div'); d.setAttribute('style', 'width: 7px'); \
         document.body.append(d); const wide = d.getBoundingClientRect().width === 7; s.remove(); d.remove(); \
         return [window.ran, wide];",
        &[],
    );
    assert_eq!(ran, serde_json::json!([false, false]));
    assert!(browser.console().iter().any(|line| line.contains("Content Security Policy")));
}

#[test]
fn the_page_needs_no_extra_rights_to_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::demo(folder.path());
    let browser = Browser::on(&daemon);
    browser.until("loaded", "document.readyState === 'complete'");
    browser.axe("first screen");
}
