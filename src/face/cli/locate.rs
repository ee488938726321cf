//! `locate`: where the fault is, how large, and the next test.

use crate::analysis::locate::{self, Located};
use crate::base::Result;
use crate::base::words::{duration, share};
use crate::bench::provoke::provoked;
use crate::bench::{located, options_of, summary, views};
use crate::face::cli::args;
use crate::face::cli::load;
use crate::face::cli::table;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(options: &args::Locate, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let loaded = load::open(&options.job, protocols, false, out)?;
    let views = views(&loaded)?;
    let provocations = provoked(&loaded, options_of(&views).rule.and_then(|rule| rule.gap))?;
    let located = located(&loaded, &views, &provocations, protocols)?;
    let found = located.causes().any(|cause| {
        !cause.undecided && cause.locations.first().is_some_and(|first| first.location != "none")
    });
    if out.json {
        out.value(&located)?;
    } else {
        for cause in located.causes() {
            answer(cause, out)?;
        }
        for cause in located.causes().filter(|cause| !cause.nothing_yet) {
            show(cause, options.explain, out)?;
        }
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

/// What it is, why, and what to do next.
fn answer(located: &Located, out: &mut Out) -> Result<()> {
    out.line(table::wrap(&safe(&summary::cause(located)), 2))?;
    if located.nothing_yet {
        return Ok(());
    }
    if let Some(first) = located.locations.first() {
        out.line(table::wrap(&format!("  {}", safe(&first.because.to_string())), 4))?;
    }
    if let Some(next) = located.next.first() {
        propose(next, out)?;
    }
    Ok(())
}

/// The other places; how it was worked out where that is asked for.
fn show(located: &Located, explain: bool, out: &mut Out) -> Result<()> {
    let path = located.path.map_or_else(String::new, |path| format!(", {}", path.word()));
    let place = format!("  place{path}");
    let mut list = table::new(&[&place, "odds", if explain { "because" } else { "" }], &[1]);
    for location in located.locations.iter().filter(|location| location.probability >= 0.01) {
        list.add_row([
            format!("  {}", location.location),
            share(location.probability),
            if explain { safe(&location.because.to_string()) } else { String::new() },
        ]);
    }
    out.line(table::text(&list))?;
    for ask in &located.asks {
        out.line(table::wrap(&format!("- {}", safe(ask)), 2))?;
    }
    if !explain {
        return Ok(());
    }
    for sentence in &located.electrical {
        out.line(table::wrap(&format!("Electrically: {}", safe(sentence)), 2))?;
    }
    for step in &located.steps {
        let credit = share(step.credit);
        out.line(table::wrap(
            &format!("Step \"{}\": {credit} ({})", safe(&step.step), safe(&step.because)),
            2,
        ))?;
    }
    for note in &located.notes {
        out.line(table::wrap(&format!("- {}", safe(note)), 2))?;
    }
    out.line(table::wrap(&format!("Method: {}", located.method), 2))
}

/// The next test: what must be so first stands before what to do.
fn propose(next: &locate::Proposal, out: &mut Out) -> Result<()> {
    out.line(table::wrap(
        &format!(
            "  Next test: {} ({}, risk {})",
            safe(&next.test),
            duration(60.0 * next.minutes.round().max(1.0)),
            next.risk.text()
        ),
        4,
    ))?;
    for first in &next.prerequisites {
        out.line(table::wrap(&format!("    First: {}", safe(first)), 6))?;
    }
    let then = if next.prerequisites.is_empty() { "" } else { "Then: " };
    out.line(table::wrap(&format!("    {then}{}", safe(&next.text)), 6))?;
    if next.kind == locate::TestKind::Measure && !next.test.starts_with("read-") {
        let record = format!(
            "    Write it down: straykey step JOB \"{}: found\" --kind isolate, or \": clear\"",
            next.test
        );
        out.line(table::wrap(&record, 6))?;
    }
    for caution in &next.cautions {
        out.line(table::wrap(&format!("    Caution: {}", safe(caution)), 6))?;
    }
    Ok(())
}
