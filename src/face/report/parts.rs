//! The page from top to bottom: head, outcome, cautions, stages, captures, method.

use crate::bench::{StageState, summary};
use crate::face::cautions;
use crate::face::glossary;
use crate::face::report::facts::Report;
use crate::face::report::html::{Html, Part};
use crate::face::report::lanes::StageTimeline;
use crate::face::report::sections::Section;
use crate::face::report::{data, forest, results, words};
use crate::timeline::job::Hands;

const STYLE: &str = include_str!("style.css");
/// Rows of a table at most; the data block has all.
const MOST_ROWS: usize = 400;

/// The parts of a page that do not change while it is made to fit.
pub(super) struct Page<'a> {
    pub(super) report: &'a Report<'a>,
    pub(super) sections: Vec<Section>,
    pub(super) data: serde_json::Value,
    /// What was masked, in words.
    pub(super) masked: Vec<String>,
}

/// The page; `whole` tells whether the JSON copy goes in.
pub(super) fn page(page: &Page<'_>, timeline: &[StageTimeline], whole: bool) -> String {
    let report = page.report;
    let mut html = Html::new(report.door);
    head(&mut html, report);
    outcome(&mut html, report);
    caution_line(&mut html);
    stages(&mut html, &report.state.stages);
    results::timeline(&mut html, timeline, report.door);
    results::comparisons(&mut html, report);
    results::patterns(&mut html, report);
    results::place(&mut html, report);
    sections(&mut html, &page.sections);
    caution_box(&mut html);
    captures(&mut html, report);
    method(&mut html, page, whole);
    html.raw("</main>\n");
    if whole {
        html.part(data::block(&page.data, timeline));
    }
    html.raw("</body></html>\n");
    html.finish()
}

fn head(html: &mut Html, report: &Report<'_>) {
    let state = report.state;
    html.raw("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n");
    // Nothing is fetched and nothing runs; the style passes by its hash.
    html.raw("<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; base-uri 'none'; form-action 'none'; style-src '");
    html.text(&data::hash_source(STYLE)).raw("'\">\n");
    html.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>");
    html.text(words::TITLE).raw(" · ").text(&state.set).raw("</title>\n<style>").raw(STYLE);
    html.raw("</style></head>\n<body><main>\n<header><p class=\"mark\">straykey</p>");
    html.element("h1", words::TITLE).raw("<dl class=\"facts\">");
    let written = report.written.as_deref().map(words::instant);
    let watched: f64 = state.stages.iter().map(|stage| stage.observed_s).sum();
    let facts = [
        (words::SET, Some(state.set.as_str())),
        (words::CHASSIS, Some(report.chassis())),
        (words::COMPLAINT, state.complaint.as_deref()),
        (words::TECHNICIAN, state.technician.as_deref()),
        (words::WRITTEN, written.as_deref()),
        (words::WATCHED, Some(&*words::duration(watched))),
    ];
    for (name, value) in facts {
        if let Some(value) = value.filter(|value| !value.is_empty()) {
            html.element("dt", name).element("dd", value);
        }
    }
    html.raw("</dl>\n");
    for notice in report.notices() {
        html.element("p class=\"notice\"", notice);
    }
    html.raw("</header>\n");
}

/// What was wrong, what was done, whether it is fixed, how sure that is: the questions of whoever reads no further.
fn outcome(html: &mut Html, report: &Report<'_>) {
    let state = report.state;
    html.raw("<section class=\"outcome\" id=\"outcome\" aria-label=\"").text(words::OUTCOME).raw("\">");
    let conclusion = report.conclusion();
    match &conclusion {
        None => {
            html.element("p class=\"word\"", words::OPEN).element("p class=\"say\"", words::OPEN_TEXT);
        }
        Some((.., comparison)) => {
            let verdict = comparison.figures.verdict;
            let word = if state.hand_back { words::FIXED } else { words::verdict(verdict) };
            html.element("p class=\"word\"", word).element("p class=\"say\"", words::sentence(comparison));
        }
    }
    html.raw("<dl class=\"facts\">");
    let mut fact = |name, sentences: Vec<String>| {
        if !sentences.is_empty() {
            html.element("dt", name).element("dd", &sentences.join(" "));
        }
    };
    fact(words::WRONG, words::wrong(state));
    fact(words::DONE, words::done(state));
    if let Some((.., comparison)) = &conclusion {
        fact(words::SURE, words::evidence(comparison));
        fact(words::REMAINS, summary::remains(comparison).into_iter().collect());
        fact(words::READINGS, state.resting.iter().map(|line| format!("{}.", line.sentence)).collect());
    }
    html.raw("</dl>\n");
    if let Some((before, stage, _)) = conclusion {
        let pair: Vec<&StageState> =
            state.stages.iter().filter(|one| [before, stage.stage].contains(&one.stage)).collect();
        for figure in forest::figures(&pair, report.door) {
            html.raw("<figure>").part(figure).element("figcaption", words::BEFORE_AFTER).raw("</figure>\n");
        }
    }
    html.raw("</section>\n");
}

/// The cautions in a sentence; the list stands further back.
fn caution_line(html: &mut Html) {
    html.raw("<p class=\"notice\">").element("strong", words::CAUTIONS).text(": ").text(cautions::LEAD);
    html.text(" ").text(words::CAUTIONS_BELOW).raw("</p>\n");
}

fn caution_box(html: &mut Html) {
    html.raw("<section class=\"cautions\" id=\"cautions\"><h2>").text(words::CAUTIONS).raw("</h2>");
    html.element("p", cautions::LEAD).raw("<ul>");
    for caution in &cautions::ALL {
        html.raw("<li>").element("strong", caution.title).raw(". ").text(caution.text).raw("</li>\n");
    }
    html.raw("</ul>").element("p", cautions::DEFERENCE).raw("</section>\n");
}

fn stages(html: &mut Html, stages: &[StageState]) {
    if stages.is_empty() {
        return;
    }
    html.section("stages", words::STAGES).element("p", words::STAGES_LEAD);
    let columns = [
        words::STAGE,
        words::STEP,
        words::PARTS,
        words::STRAY_KEYS,
        words::TIME,
        words::STRAYS,
        words::EPISODES,
        words::PER_MINUTE,
    ];
    html.raw("<div class=\"scroll\">").table("", &columns, 4);
    for stage in stages.iter().take(MOST_ROWS) {
        html.row(&stage_row(stage), 4);
    }
    html.end_table().raw("</div></section>\n");
}

fn stage_row(stage: &StageState) -> [String; 8] {
    let step = match stage.kind {
        None => stage.step.clone(),
        kind => format!("{} ({})", stage.step, words::step_kind(kind)),
    };
    let keys: Vec<String> = stage.keys.iter().take(4).map(|(key, count)| format!("{key} {count}×")).collect();
    let unseen = || words::NOT_KNOWN.to_owned();
    let observed = stage.figures.as_ref();
    let keys = match (&keys[..], observed) {
        (_, None) => words::NOT_WATCHED.to_owned(),
        ([], Some(_)) => words::NOTHING_SEEN.to_owned(),
        _ => keys.join(", "),
    };
    [
        stage.stage.to_string(),
        step,
        stage.parts.join(", "),
        keys,
        observed.map_or_else(unseen, |o| words::duration(o.observed_s)),
        observed.map_or_else(unseen, |o| o.strays.to_string()),
        observed.map_or_else(unseen, |o| o.episodes.to_string()),
        observed.map_or_else(unseen, |o| words::interval(o.per_min, o.per_min_low, o.per_min_high)),
    ]
}

/// What else the statistics say: a heading, sentences and a table each.
fn sections(html: &mut Html, sections: &[Section]) {
    if sections.is_empty() {
        return;
    }
    html.section("statistics", words::STATISTICS);
    for section in sections {
        html.element("h3", section.title).raw("<ul>");
        for sentence in section.sentences.iter().take(MOST_ROWS) {
            html.element("li", sentence);
        }
        html.raw("</ul>");
        for figure in &section.figures {
            html.raw("<figure>").part(Part(figure.clone()));
            html.element("figcaption", words::FIGURE_BLOCKS_TEXT).raw("</figure>\n");
        }
        if !section.rows.is_empty() {
            let columns = &section.columns;
            html.raw("<div class=\"scroll\">").table("", columns, columns.len());
            for row in section.rows.iter().take(MOST_ROWS) {
                html.row(row, columns.len());
            }
            html.end_table().raw("</div>\n");
        }
    }
    html.raw("</section>\n");
}

fn captures(html: &mut Html, report: &Report<'_>) {
    let stages = report.state.stages.iter();
    let captures = stages.flat_map(|stage| stage.captures.iter().map(|capture| (stage.stage, capture)));
    let captures: Vec<_> = captures.take(MOST_ROWS).collect();
    if captures.is_empty() {
        return;
    }
    html.section("captures", words::CAPTURES).element("p", words::CAPTURES_LEAD);
    let columns = [
        words::CAPTURE,
        words::SOURCE,
        words::HANDS,
        words::STARTED,
        words::STAGE,
        words::TIME,
        words::BYTES,
    ];
    html.raw("<div class=\"scroll\">").table("", &columns, 4);
    for (stage, capture) in captures {
        let hands = if capture.hands == Hands::Off { words::HANDS_OFF } else { words::HANDS_ON };
        let cells = [
            capture.name.clone(),
            report.source(&capture.source).to_owned(),
            hands.to_owned(),
            capture.started.as_deref().map_or_else(|| words::NOT_KNOWN.to_owned(), words::instant),
            stage.to_string(),
            words::duration(capture.span_s.unwrap_or(0.0)),
            capture.bytes.unwrap_or(0).to_string(),
        ];
        html.row(&cells, 4);
        if let Some(sha256) = &capture.sha256 {
            html.raw("<tr><td colspan=\"7\" class=\"hash\">SHA-256 ").text(sha256).raw("</td></tr>\n");
        }
    }
    html.end_table().raw("</div></section>\n");
}

fn method(html: &mut Html, page: &Page<'_>, whole: bool) {
    let report = page.report;
    html.section("method", words::METHOD);
    for sentence in report.methods() {
        html.element("p", sentence);
    }
    html.element("p", words::LIMITS);
    if !page.masked.is_empty() {
        html.element("p", words::MASKED).raw("<ul>");
        for text in &page.masked {
            html.element("li", text);
        }
        html.raw("</ul>");
    }
    html.element("h3", words::WORDS).raw("<dl class=\"facts\">");
    for (word, meaning) in &glossary::ALL {
        html.element("dt", word).element("dd", meaning);
    }
    html.raw("</dl>\n").element("h3", words::VERSIONS);
    let mut made = vec![format!("straykey {}", env!("CARGO_PKG_VERSION"))];
    made.extend(report.decoder.as_ref().map(|decoder| format!("{} {decoder}", words::DECODED_BY)));
    made.push(format!("{} {}", words::SEED, report.state.seed));
    html.element("p", &format!("{}.", made.join(", ")));
    html.element("p", if whole { words::DATA_BLOCK } else { words::NO_DATA_BLOCK }).raw("</section>\n");
}
