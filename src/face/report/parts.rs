//! The page from top to bottom: head, outcome, cautions, stages, captures, method.

use crate::face::cautions;
use crate::face::report::html::Html;
use crate::face::report::model::{Comparison, ReportModel, Stage};
use crate::face::report::{json, results, words};

const STYLE: &str = include_str!("style.css");
/// Rows of a table at most; the data block has all.
const MOST_ROWS: usize = 400;

/// The page; `data` tells whether the JSON copy goes in.
pub(super) fn page(model: &ReportModel, data: bool) -> String {
    let mut html = Html::default();
    head(&mut html, model);
    outcome(&mut html, model);
    caution_box(&mut html);
    stages(&mut html, model);
    results::timeline(&mut html, model);
    results::comparisons(&mut html, model);
    results::patterns(&mut html, model);
    results::place(&mut html, model);
    topics(&mut html, model);
    captures(&mut html, model);
    method(&mut html, model, data);
    html.raw("</main>\n");
    if data {
        html.part(json::block(model));
    }
    html.raw("</body></html>\n");
    html.finish()
}

fn head(html: &mut Html, model: &ReportModel) {
    html.raw("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n");
    // Nothing is fetched and nothing runs; the style passes by its hash.
    html.raw("<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; base-uri 'none'; form-action 'none'; style-src '");
    html.text(&json::hash_source(STYLE)).raw("'\">\n");
    html.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>");
    html.text(words::TITLE).raw(" · ").text(&model.set).raw("</title>\n<style>").raw(STYLE);
    html.raw("</style></head>\n<body><main>\n<header><p class=\"mark\">straykey</p>");
    html.element("h1", words::TITLE).raw("<dl class=\"facts\">");
    let written = model.written.as_deref().map(words::instant);
    let watched: f64 = model.stages.iter().filter_map(|s| s.observed).map(|o| o.observed_s).sum();
    let facts = [
        (words::SET, Some(model.set.as_str())),
        (words::CHASSIS, Some(model.chassis.as_str())),
        (words::COMPLAINT, Some(model.complaint.as_str())),
        (words::TECHNICIAN, model.technician.as_deref()),
        (words::WRITTEN, written.as_deref()),
        (words::WATCHED, Some(&*words::duration(watched))),
    ];
    for (name, value) in facts {
        if let Some(value) = value.filter(|value| !value.is_empty()) {
            html.element("dt", name).element("dd", value);
        }
    }
    html.raw("</dl>\n");
    for notice in &model.notices {
        html.element("p class=\"notice\"", notice);
    }
    html.raw("</header>\n");
}

/// The comparison that decides the job: the last one that ends in the concluding stage.
fn conclusion(model: &ReportModel) -> Option<&Comparison> {
    let stage = model.concluding_stage?;
    model.comparisons.iter().rev().find(|comparison| comparison.after_stage == stage)
}

fn outcome(html: &mut Html, model: &ReportModel) {
    html.raw("<section class=\"outcome\" id=\"outcome\" aria-label=\"").text(words::OUTCOME).raw("\">");
    let Some(comparison) = conclusion(model) else {
        html.element("p class=\"word\"", words::OPEN).element("p class=\"say\"", words::OPEN_TEXT);
        html.raw("</section>\n");
        return;
    };
    html.element("p class=\"word\"", words::verdict(comparison.verdict));
    html.element("p class=\"say\"", words::sentence(comparison.verdict));
    if let Some(stage) = model.stages.iter().find(|stage| stage.number == comparison.after_stage) {
        html.element("p", &words::last_step(stage.number, &stage.step));
    }
    for sentence in words::evidence(comparison) {
        html.element("p", &sentence);
    }
    html.raw("</section>\n");
}

fn caution_box(html: &mut Html) {
    html.raw("<section class=\"cautions\" id=\"cautions\"><h2>").text(words::CAUTIONS).raw("</h2>");
    html.element("p", cautions::LEAD).raw("<ul>");
    for caution in &cautions::ALL {
        html.raw("<li>").element("strong", caution.title).raw(". ").text(caution.text).raw("</li>\n");
    }
    html.raw("</ul>").element("p", cautions::DEFERENCE).raw("</section>\n");
}

fn stages(html: &mut Html, model: &ReportModel) {
    if model.stages.is_empty() {
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
    for stage in model.stages.iter().take(MOST_ROWS) {
        html.row(&stage_row(stage), 4);
    }
    html.end_table().raw("</div></section>\n");
}

fn stage_row(stage: &Stage) -> [String; 8] {
    let step = match stage.kind.as_deref() {
        None => stage.step.clone(),
        kind => format!("{} ({})", stage.step, words::step_kind(kind)),
    };
    let keys: Vec<String> = stage.keys.iter().take(4).map(|(key, count)| format!("{key} {count}×")).collect();
    let unseen = || words::NOT_KNOWN.to_owned();
    let observed = stage.observed;
    let keys = match (&keys[..], observed) {
        (_, None) => words::NOT_WATCHED.to_owned(),
        ([], Some(_)) => words::NOTHING_SEEN.to_owned(),
        _ => keys.join(", "),
    };
    [
        stage.number.to_string(),
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
fn topics(html: &mut Html, model: &ReportModel) {
    if model.topics.is_empty() {
        return;
    }
    html.section("statistics", words::STATISTICS);
    for topic in &model.topics {
        html.element("h3", &topic.title).raw("<ul>");
        for sentence in topic.sentences.iter().take(MOST_ROWS) {
            html.element("li", sentence);
        }
        html.raw("</ul>");
        if !topic.rows.is_empty() {
            let columns: Vec<&str> = topic.columns.iter().map(String::as_str).collect();
            html.raw("<div class=\"scroll\">").table("", &columns, columns.len());
            for row in topic.rows.iter().take(MOST_ROWS) {
                html.row(row, columns.len());
            }
            html.end_table().raw("</div>\n");
        }
    }
    html.raw("</section>\n");
}

fn captures(html: &mut Html, model: &ReportModel) {
    if model.captures.is_empty() {
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
    for capture in model.captures.iter().take(MOST_ROWS) {
        let hands = if capture.hands_off { words::HANDS_OFF } else { words::HANDS_ON };
        let cells = [
            capture.name.clone(),
            capture.source.clone(),
            hands.to_owned(),
            capture.started.as_deref().map_or_else(|| words::NOT_KNOWN.to_owned(), words::instant),
            capture.stage.to_string(),
            words::duration(capture.span_s),
            capture.bytes.to_string(),
        ];
        html.row(&cells, 4);
        if let Some(sha256) = &capture.sha256 {
            html.raw("<tr><td colspan=\"7\" class=\"hash\">SHA-256 ").text(sha256).raw("</td></tr>\n");
        }
    }
    html.end_table().raw("</div></section>\n");
}

fn method(html: &mut Html, model: &ReportModel, data: bool) {
    html.section("method", words::METHOD);
    let mut said: Vec<&str> = Vec::new();
    let methods = model.comparisons.iter().map(|comparison| comparison.method.as_str());
    for sentence in methods.chain(model.method.iter().map(String::as_str)) {
        if !sentence.is_empty() && !said.contains(&sentence) {
            said.push(sentence);
            html.element("p", sentence);
        }
    }
    html.element("p", words::LIMITS);
    if !model.masked.is_empty() {
        html.element("p", words::MASKED).raw("<ul>");
        for text in &model.masked {
            html.element("li", text);
        }
        html.raw("</ul>");
    }
    html.element("h3", words::VERSIONS);
    let mut made = vec![format!("straykey {}", model.versions.straykey)];
    if !model.versions.decoders.is_empty() {
        made.push(format!("{} {}", words::DECODED_BY, model.versions.decoders.join(", ")));
    }
    made.extend(model.versions.seed.map(|seed| format!("{} {seed}", words::SEED)));
    html.element("p", &format!("{}.", made.join(", ")));
    html.element("p", if data { words::DATA_BLOCK } else { words::NO_DATA_BLOCK }).raw("</section>\n");
}
