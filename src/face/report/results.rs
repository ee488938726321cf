//! The sections with figures: timeline, before and after, patterns, the place of the fault.

use crate::base::Key;
use crate::bench::Windows;
use crate::face::drawing::svg::clip;
use crate::face::drawing::{Theme, Width, ladder_svg};
use crate::face::report::html::{Html, Part};
use crate::face::report::model::{Comparison, Credit, LadderFit, Location, NextTest, Pattern, ReportModel};
use crate::face::report::{folded, forest, timeline as strips, words};

/// Patterns and the like in one table at most.
const MOST_ROWS: usize = 40;

pub(super) fn timeline(html: &mut Html, model: &ReportModel) {
    if model.timeline.is_empty() {
        return;
    }
    html.section("timeline", words::TIMELINE).element("p", words::TIMELINE_LEAD);
    let (figures, hidden) = strips::figures(&model.timeline);
    for figure in figures {
        html.raw("<figure>").part(figure).element("figcaption", words::FIGURE_TIMELINE).raw("</figure>\n");
    }
    if hidden > 0 {
        html.element("p", &format!("{hidden} {}", words::LANES_HIDDEN));
    }
    html.raw("</section>\n");
}

pub(super) fn comparisons(html: &mut Html, model: &ReportModel) {
    if model.stages.iter().all(|stage| stage.observed.is_none()) {
        return;
    }
    html.section("compared", words::COMPARED).element("p", words::COMPARED_LEAD);
    let verdict = |stage| model.comparisons.iter().rev().find(|c| c.after_stage == stage).map(|c| c.verdict);
    for figure in forest::figures(&model.stages, verdict) {
        html.raw("<figure>").part(figure).element("figcaption", words::FIGURE_FOREST).raw("</figure>\n");
    }
    if !model.comparisons.is_empty() {
        let columns = [
            words::COMPARISON,
            words::VERDICT,
            words::RATIO,
            words::CHANCE_SAME,
            words::QUIET_ANYWAY,
            words::SOAK_MORE,
        ];
        html.raw("<div class=\"scroll\">").table("", &columns, 2);
        for comparison in model.comparisons.iter().take(MOST_ROWS) {
            html.row(&comparison_row(comparison), 2);
        }
        html.end_table().raw("</div>");
        comparison_notes(html, &model.comparisons);
    }
    html.raw("</section>\n");
}

fn comparison_row(comparison: &Comparison) -> [String; 6] {
    let unknown = || words::NOT_KNOWN.to_owned();
    // Both are about quiet; they say nothing while strays go on.
    let quiet = comparison.after.episodes == 0;
    [
        words::stages_compared(comparison.before_stage, comparison.after_stage),
        words::verdict(comparison.verdict).to_owned(),
        words::open_interval(comparison.ratio, comparison.ratio_low, comparison.ratio_high),
        comparison.chance_same.map_or_else(unknown, words::chance_words),
        comparison.quiet_anyway.filter(|_| quiet).map_or_else(unknown, words::chance_words),
        match comparison.soak_more_s.filter(|_| quiet) {
            Some(more) if more > 0.0 => words::duration(more),
            Some(_) => words::NONE_NEEDED.to_owned(),
            None => unknown(),
        },
    ]
}

fn comparison_notes(html: &mut Html, comparisons: &[Comparison]) {
    for comparison in comparisons.iter().take(MOST_ROWS).filter(|c| !c.notes.is_empty()) {
        html.element("h3", &words::stages_compared(comparison.before_stage, comparison.after_stage));
        html.raw("<ul>");
        for note in &comparison.notes {
            html.element("li", note);
        }
        html.raw("</ul>");
    }
}

pub(super) fn patterns(html: &mut Html, model: &ReportModel) {
    if model.stages.is_empty() && model.patterns.is_empty() {
        return;
    }
    html.section("patterns", words::PATTERNS);
    if model.patterns.is_empty() {
        html.element("p", words::NO_PATTERNS).raw("</section>\n");
        return;
    }
    html.element("p", words::PATTERNS_LEAD);
    let figures: Vec<_> = model
        .patterns
        .iter()
        .take(12)
        .filter_map(|pattern| folded::figure(&figure_name(pattern), pattern.folded.as_ref()?))
        .collect();
    if !figures.is_empty() {
        html.raw("<div class=\"pair\">");
        for figure in figures {
            html.raw("<figure>").part(figure).raw("</figure>");
        }
        html.raw("</div>\n");
    }
    let columns = [
        words::PATTERN,
        words::CLASS,
        words::STAGE,
        words::PERIOD,
        words::JITTER,
        words::COUNT,
        words::MISSED,
        words::COVERAGE,
        words::CHANCE,
    ];
    html.raw("<div class=\"scroll\">").table("", &columns, 2);
    for pattern in model.patterns.iter().take(MOST_ROWS) {
        html.row(&pattern_row(pattern), 2);
    }
    html.end_table().raw("</div></section>\n");
}

/// `1 · Channel up, Menu`: number and motif.
fn pattern_name(pattern: &Pattern) -> String {
    format!("{} · {}", pattern.id, motif(pattern))
}

/// `Stage 2 · Menu`: numbers begin anew in each stage.
fn figure_name(pattern: &Pattern) -> String {
    match pattern.stage {
        0 => pattern_name(pattern),
        stage => format!("{} {stage} · {}", words::STAGE, clip(&motif(pattern), 36)),
    }
}

fn motif(pattern: &Pattern) -> String {
    let parts: Vec<String> = pattern
        .motif
        .iter()
        .take(6)
        .map(|part| match (&part.key, &part.item) {
            (Some(key), _) => Key::from_name(key).map_or_else(|| key.clone(), |key| key.label().to_owned()),
            (None, Some(item)) => item.clone(),
            (None, None) => words::kind(&part.kind).to_owned(),
        })
        .collect();
    parts.join(", ")
}

fn pattern_row(pattern: &Pattern) -> [String; 9] {
    let unknown = || words::NOT_KNOWN.to_owned();
    [
        pattern_name(pattern),
        pattern.class.clone(),
        if pattern.stage == 0 { unknown() } else { pattern.stage.to_string() },
        match (pattern.period_s, pattern.period_low_s, pattern.period_high_s) {
            (Some(period), Some(low), Some(high)) => format!("{} s", words::interval(period, low, high)),
            (Some(period), ..) => words::duration(period),
            _ => unknown(),
        },
        pattern.jitter_s.map_or_else(unknown, words::duration),
        pattern.count.to_string(),
        pattern.missed.to_string(),
        pattern.coverage.map_or_else(unknown, words::share),
        pattern.chance.map_or_else(unknown, words::chance_words),
    ]
}

pub(super) fn place(html: &mut Html, model: &ReportModel) {
    if model.locations.is_empty()
        && model.ladder.is_empty()
        && model.windows.is_empty()
        && model.next.is_empty()
    {
        return;
    }
    html.section("place", words::WHERE);
    if let Some(path) = &model.path {
        html.element("h3", &words::strays_on(path));
    }
    locations(html, &model.locations);
    for line in &model.windows {
        line_windows(html, line);
    }
    if !model.ladder.is_empty() {
        html.table(words::ELECTRICAL, &[words::MODEL, words::VALUE, words::WEIGHT], 1);
        for fit in model.ladder.iter().take(MOST_ROWS) {
            html.row(&[words::plain(&fit.model), fit_size(fit), words::share(fit.weight)], 1);
        }
        html.end_table();
    }
    credit(html, &model.steps);
    next_tests(html, &model.next);
    for cause in &model.also {
        html.element("h3", &words::strays_on(&cause.path));
        locations(html, &cause.locations);
        credit(html, &cause.steps);
        next_tests(html, &cause.next);
    }
    html.raw("</section>\n");
}

/// A row for each location that matters; the rest share the last one.
fn locations(html: &mut Html, locations: &[Location]) {
    if locations.is_empty() {
        return;
    }
    html.table("", &[words::LOCATION, words::BECAUSE, words::PROBABILITY], 2);
    let matters = |probability: f64| probability >= 0.01 || probability.is_nan();
    for place in locations.iter().filter(|place| matters(place.probability)).take(MOST_ROWS) {
        let cells = [
            words::location(&place.location).to_owned(),
            place.because.clone(),
            words::share(place.probability),
        ];
        html.row(&cells, 2);
    }
    let rest: Vec<&str> = locations
        .iter()
        .filter(|place| !matters(place.probability))
        .map(|place| words::location(&place.location))
        .collect();
    if !rest.is_empty() {
        html.row(&[rest.join(", "), words::LESS_PROBABLE.to_owned(), words::share(0.005)], 2);
    }
    html.end_table();
}

fn fit_size(fit: &LadderFit) -> String {
    let Some(value) = fit.value else {
        return words::NOT_KNOWN.to_owned();
    };
    let unit = fit.unit.as_deref().unwrap_or_default();
    let middle = words::size(value, unit);
    match (fit.low, fit.high) {
        (Some(low), Some(high)) => {
            format!("{middle} ({} to {})", words::size(low, unit), words::size(high, unit))
        }
        _ => middle,
    }
}

fn line_windows(html: &mut Html, line: &Windows) {
    let Some(figure) = ladder_svg(std::slice::from_ref(line), Theme::Inherit, Width::Sheet) else {
        return;
    };
    html.raw("<figure>").part(Part(figure));
    html.element("figcaption", &format!("{} {}", words::FIGURE_WINDOWS, line.line)).raw("</figure>\n");
    html.table("", &[words::READ, words::TAKEN_FOR, words::MIDDLE, words::SPREAD], 2);
    for mark in line.marks.iter().take(MOST_ROWS) {
        let cells = [
            mark.label.clone(),
            line.level_at(mark.counts).map_or_else(|| words::NO_KEY.to_owned(), |level| level.label.clone()),
            words::number(mark.counts.round()),
            format!("{} – {}", words::number(mark.low.round()), words::number(mark.high.round())),
        ];
        html.row(&cells, 2);
    }
    html.end_table();
}

fn credit(html: &mut Html, steps: &[Credit]) {
    if !steps.is_empty() {
        html.table(words::CREDIT, &[words::STEP, words::BECAUSE, words::CREDIT_SHARE], 2);
        for step in steps.iter().take(MOST_ROWS) {
            html.row(&[step.step.clone(), step.because.clone(), words::share(step.credit)], 2);
        }
        html.end_table();
    }
}

/// Each test with what must be so before it and what to beware of: nobody should read the one without the other.
fn next_tests(html: &mut Html, tests: &[NextTest]) {
    if tests.is_empty() {
        return;
    }
    html.element("h3", words::NEXT);
    for test in tests.iter().take(MOST_ROWS) {
        html.raw("<div class=\"test\">").element("h4", &words::plain(&test.test));
        html.element("p", &words::test_figures(test));
        html.raw("<ul>");
        let lines = [
            (words::FIRST, &test.prerequisites[..]),
            (words::THEN, std::slice::from_ref(&test.text)),
            (words::CAUTION, &test.cautions[..]),
        ];
        for (word, sentences) in lines {
            for sentence in sentences.iter().filter(|sentence| !sentence.is_empty()) {
                html.raw("<li>").element("strong", word).text(" ").text(sentence).raw("</li>");
            }
        }
        html.raw("</ul></div>\n");
    }
}
