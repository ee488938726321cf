//! The report on the screen and on paper.

use std::path::Path;
use std::process::Command;

use serde_json::Value;

use super::browser::{Browser, screens};

/// Text without its blanks: typesetting is free to break lines and to part words by hyphens nowhere.
fn bare(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

/// The pages of a PDF as text in the order in which it was drawn, by poppler's pdftotext.
fn pages(pdf: &Path) -> Vec<String> {
    let told = Command::new("pdftotext").arg("-raw").arg(pdf).arg("-").output().expect("pdftotext");
    assert!(told.status.success());
    String::from_utf8(told.stdout).unwrap().split('\u{c}').map(bare).filter(|page| !page.is_empty()).collect()
}

/// Each figure as the texts in it; each heading with what comes after it.
const PARTS: &str = "const texts = node => [...node.querySelectorAll('svg text, figcaption, table caption')]\
    .map(t => t.textContent).filter(t => t.trim()); \
    const figures = [...document.querySelectorAll('figure')].map(texts); \
    const heads = [...document.querySelectorAll('section > h2')].map(h => { const next = h.nextElementSibling; \
        return [h.textContent, next?.tagName === 'P' ? next.textContent.slice(0, 40) : '']; }); \
    return { figures, heads };";

#[test]
fn the_report_reads_well_and_prints_uncut() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let made =
        Command::new(env!("CARGO_BIN_EXE_straykey")).args(["demo", "--out"]).arg(&job).output().unwrap();
    assert!(made.status.success(), "{made:?}");
    let report = job.join("report.html");
    assert!(std::fs::metadata(&report).unwrap().len() < 2_000_000);
    let browser = Browser::open();
    browser.go(&format!("file://{}", report.display()));
    browser.axe("report");
    browser.pictures("report");
    let parts = browser.script(PARTS, &[]);
    let figures: Vec<Vec<String>> = serde_json::from_value(parts["figures"].clone()).unwrap();
    let heads: Vec<(String, String)> = serde_json::from_value(parts["heads"].clone()).unwrap();
    assert!(figures.len() >= 4 && figures.iter().all(|texts| texts.len() > 2), "{parts}");
    // ISO 216 A4 and ANSI Letter; whoever prints in the dark theme gets paper too.
    for (paper, width, height, scheme) in [("a4", 21.0, 29.7, "dark"), ("letter", 21.59, 27.94, "light")] {
        browser.prefers(scheme, true);
        let pdf = screens().join(format!("report-{paper}.pdf"));
        browser.print(width, height, &pdf);
        let pages = pages(&pdf);
        for texts in &figures {
            let whole = pages.iter().any(|page| texts.iter().all(|text| page.contains(&bare(text))));
            assert!(whole, "{paper}: a figure is cut: {texts:?}");
        }
        for (head, after) in &heads {
            let together = pages.iter().any(|page| {
                page.contains(&bare(head)) && page.contains(&bare(after).chars().take(20).collect::<String>())
            });
            assert!(together, "{paper}: a heading stands alone: {head}");
        }
        let done = Command::new("pdftoppm")
            .args(["-r", "70", "-png"])
            .arg(&pdf)
            .arg(screens().join(format!("report-{paper}")))
            .status()
            .unwrap();
        assert!(done.success());
    }
    let asked: Vec<String> = browser.requests().into_iter().filter(|url| url.starts_with("http")).collect();
    assert!(asked.is_empty(), "{asked:?}");
    let _: Value = parts;
}
