//! The sections with figures: timeline, before and after, patterns, the place of the fault.

use crate::analysis::compare::Comparison;
use crate::analysis::ladder::Entry;
use crate::analysis::locate::{Belief, Located, Proposal, StepShare};
use crate::analysis::pattern::Pattern;
use crate::base::words::capital;
use crate::bench::{Advice, Windows};
use crate::face::drawing::{Door, Theme, Width, ladder_svg};
use crate::face::report::facts::Report;
use crate::face::report::html::{Html, Part};
use crate::face::report::lanes::StageTimeline;
use crate::face::report::{folded, forest, timeline as strips, words};

/// Patterns and the like in one table at most.
const MOST_ROWS: usize = 40;

pub(super) fn timeline(html: &mut Html, stages: &[StageTimeline], door: Door) {
    if stages.is_empty() {
        return;
    }
    html.section("timeline", words::TIMELINE).element("p", words::TIMELINE_LEAD);
    let (figures, hidden) = strips::figures(stages, door);
    for figure in figures {
        html.raw("<figure>").part(figure).element("figcaption", words::FIGURE_TIMELINE).raw("</figure>\n");
    }
    if hidden > 0 {
        html.element("p", &format!("{hidden} {}", words::LANES_HIDDEN));
    }
    html.raw("</section>\n");
}

pub(super) fn comparisons(html: &mut Html, report: &Report<'_>) {
    let stages = &report.state.stages;
    if stages.iter().all(|stage| stage.figures.is_none()) {
        return;
    }
    html.section("compared", words::COMPARED).element("p", words::COMPARED_LEAD);
    for figure in forest::figures(&stages.iter().collect::<Vec<_>>(), report.door) {
        html.raw("<figure>").part(figure).element("figcaption", words::FIGURE_FOREST).raw("</figure>\n");
    }
    if report.compared().next().is_some() {
        let columns = [
            words::COMPARISON,
            words::VERDICT,
            words::RATIO,
            words::CHANCE_SAME,
            words::QUIET_ANYWAY,
            words::SOAK_MORE,
        ];
        html.raw("<div class=\"scroll\">").table("", &columns, 2);
        for (before, stage, comparison) in report.compared().take(MOST_ROWS) {
            html.row(&comparison_row(before, stage.stage, comparison), 2);
        }
        html.end_table().raw("</div>");
        comparison_notes(html, report);
    }
    html.raw("</section>\n");
}

fn comparison_row(before: usize, after: usize, comparison: &Comparison) -> [String; 6] {
    let figures = &comparison.figures;
    let unknown = || words::NOT_KNOWN.to_owned();
    // Both are about quiet; they say nothing while strays go on.
    let quiet = comparison.after.episodes == 0;
    [
        words::stages_compared(before, after),
        words::verdict(figures.verdict).to_owned(),
        words::open_interval(figures.ratio, figures.ratio_low, figures.ratio_high),
        words::chance_words(comparison.chance_same),
        if quiet { words::chance_words(figures.quiet_anyway) } else { unknown() },
        match figures.soak_more_s.filter(|_| quiet) {
            Some(more) if more > 0.0 => words::duration(more),
            Some(_) => words::NONE_NEEDED.to_owned(),
            None => unknown(),
        },
    ]
}

fn comparison_notes(html: &mut Html, report: &Report<'_>) {
    for (before, stage, comparison) in report.compared().take(MOST_ROWS) {
        if comparison.notes.is_empty() {
            continue;
        }
        html.element("h3", &words::stages_compared(before, stage.stage));
        html.raw("<ul>");
        for note in &comparison.notes {
            html.element("li", note);
        }
        html.raw("</ul>");
    }
}

pub(super) fn patterns(html: &mut Html, report: &Report<'_>) {
    let stages = &report.state.stages;
    if stages.is_empty() {
        return;
    }
    let all: Vec<(usize, &Pattern)> =
        stages.iter().flat_map(|stage| stage.patterns.iter().map(|pattern| (stage.stage, pattern))).collect();
    html.section("patterns", words::PATTERNS);
    if all.is_empty() {
        html.element("p", words::NO_PATTERNS).raw("</section>\n");
        return;
    }
    html.element("p", words::PATTERNS_LEAD);
    let figures: Vec<_> = all
        .iter()
        .take(12)
        .filter_map(|(stage, pattern)| {
            let name = figure_name(*stage, pattern, report.door);
            folded::figure(report.door, &name, report.folded.get(&(*stage, pattern.id))?)
        })
        .collect();
    if !figures.is_empty() {
        html.raw("<div class=\"pair\">");
        for figure in figures {
            html.raw("<figure>").part(figure).raw("</figure>");
        }
        html.raw("</div>\n");
    }
    // What has no period has nothing to say in a table.
    let (beats, loose): (Vec<_>, Vec<_>) =
        all.into_iter().partition(|(_, pattern)| pattern.period_s.is_some());
    if !loose.is_empty() {
        html.raw("<ul>");
        for (stage, pattern) in loose.iter().take(MOST_ROWS) {
            html.element("li", &format!("{} {stage}: {}", words::STAGE, pattern.note));
        }
        html.raw("</ul>");
    }
    if beats.is_empty() {
        html.raw("</section>\n");
        return;
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
    for (stage, pattern) in beats.iter().take(MOST_ROWS) {
        html.row(&pattern_row(*stage, pattern), 2);
    }
    html.end_table().raw("</div></section>\n");
}

/// `Stage 2 · Menu`: numbers begin anew in each stage.
fn figure_name(stage: usize, pattern: &Pattern, door: Door) -> String {
    format!("{} {stage} · {}", words::STAGE, door.clip(&motif(pattern), 36))
}

fn motif(pattern: &Pattern) -> String {
    let parts: Vec<String> = pattern
        .motif
        .iter()
        .take(6)
        .map(|part| match (part.symbol.key, &part.symbol.item) {
            (Some(key), _) => key.label().to_owned(),
            (None, Some(item)) => item.to_string(),
            (None, None) => words::kind(part.kind.word()).to_owned(),
        })
        .collect();
    parts.join(", ")
}

fn pattern_row(stage: usize, pattern: &Pattern) -> [String; 9] {
    let unknown = || words::NOT_KNOWN.to_owned();
    [
        format!("{} · {}", pattern.id, motif(pattern)),
        pattern.class.word().to_owned(),
        stage.to_string(),
        match (pattern.period_s, pattern.period_low_s, pattern.period_high_s) {
            (Some(period), Some(low), Some(high)) => format!("{} s", words::interval(period, low, high)),
            (Some(period), ..) => words::duration(period),
            _ => unknown(),
        },
        pattern.jitter_s.map_or_else(unknown, words::duration),
        pattern.count.to_string(),
        pattern.missed.to_string(),
        words::share(pattern.coverage),
        words::chance_words(pattern.chance),
    ]
}

pub(super) fn place(html: &mut Html, report: &Report<'_>) {
    let located = &report.state.locate;
    if located.locations.is_empty()
        && located.ladder.is_empty()
        && report.windows.is_empty()
        && located.next.is_empty()
        && report.state.advice.provoke.is_none()
    {
        return;
    }
    html.section("place", words::WHERE);
    strays_on(html, located);
    locations(html, &located.locations);
    for line in &report.windows {
        line_windows(html, line, report.door);
    }
    if !located.ladder.is_empty() {
        html.table(words::ELECTRICAL, &[words::MODEL, words::VALUE, words::WEIGHT], 1);
        for fit in located.ladder.iter().take(MOST_ROWS) {
            html.row(&[words::plain(&fit.model), fit_size(fit), words::share(fit.weight)], 1);
        }
        html.end_table();
    }
    attributed(html, &located.steps);
    next_tests(html, &located.next);
    for cause in &located.also {
        strays_on(html, cause);
        locations(html, &cause.locations);
        attributed(html, &cause.steps);
        next_tests(html, &cause.next);
    }
    provoke(html, &report.state.advice);
    html.raw("</section>\n");
}

/// A heading where the strays of one control path alone are explained.
fn strays_on(html: &mut Html, located: &Located) {
    if let Some(path) = located.path {
        html.element("h3", &words::strays_on(path.word()));
    }
}

/// A row for each location that matters; the rest share the last one.
fn locations(html: &mut Html, locations: &[Belief]) {
    if locations.is_empty() {
        return;
    }
    html.table("", &[words::LOCATION, words::BECAUSE, words::PROBABILITY], 2);
    let matters = |probability: f64| probability >= 0.01 || probability.is_nan();
    for place in locations.iter().filter(|place| matters(place.probability)).take(MOST_ROWS) {
        let cells = [
            words::location(place.location).to_owned(),
            place.because.clone(),
            words::share(place.probability),
        ];
        html.row(&cells, 2);
    }
    let rest: Vec<&str> = locations
        .iter()
        .filter(|place| !matters(place.probability))
        .map(|place| words::location(place.location))
        .collect();
    if !rest.is_empty() {
        html.row(&[rest.join(", "), words::LESS_PROBABLE.to_owned(), words::share(0.005)], 2);
    }
    html.end_table();
}

fn fit_size(fit: &Entry) -> String {
    let Some(value) = fit.value else {
        return words::NOT_KNOWN.to_owned();
    };
    let unit = fit.unit.unwrap_or_default();
    let middle = words::size(value, unit);
    match (fit.low, fit.high) {
        (Some(low), Some(high)) => {
            format!("{middle} ({} to {})", words::size(low, unit), words::size(high, unit))
        }
        _ => middle,
    }
}

fn line_windows(html: &mut Html, line: &Windows, door: Door) {
    let Some(figure) = ladder_svg(std::slice::from_ref(line), Theme::Inherit, Width::SHEET, door) else {
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

fn attributed(html: &mut Html, steps: &[StepShare]) {
    if !steps.is_empty() {
        html.table(words::CREDIT, &[words::STEP, words::BECAUSE, words::CREDIT_SHARE], 2);
        for step in steps.iter().take(MOST_ROWS) {
            html.row(&[step.step.clone(), step.because.clone(), words::share(step.credit)], 2);
        }
        html.end_table();
    }
}

/// What may be done in place of a long soak, with its risk.
fn provoke(html: &mut Html, advice: &Advice) {
    if let (Some(text), Some(test)) = (&advice.instead, &advice.provoke) {
        html.element("h3", words::PROVOKE).element("p", &words::risk_of(test.minutes, test.risk));
        html.element("p", &capital(text));
    }
}

/// Each test with what must be so before it and what to beware of: nobody should read the one without the other.
fn next_tests(html: &mut Html, tests: &[Proposal]) {
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
