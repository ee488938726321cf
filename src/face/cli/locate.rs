//! `locate`: where the fault is, how large, and the next test.

use crate::analysis::locate::{self, Located};
use crate::base::Result;
use crate::bench::{located, views};
use crate::face::cli::args;
use crate::face::cli::load;
use crate::face::cli::table;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(options: &args::Locate, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let loaded = load::open(&options.job, protocols, false, out)?;
    let located = located(&loaded, &views(&loaded)?, protocols)?;
    let found = located.causes().any(|cause| {
        !cause.undecided && cause.locations.first().is_some_and(|first| first.location != "none")
    });
    if out.json {
        out.value(&located)?;
    } else {
        for cause in located.causes() {
            if let Some(path) = cause.path {
                out.line(format!("Strays on {}:", path.word()))?;
            }
            show(cause, out)?;
        }
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

fn show(located: &Located, out: &mut Out) -> Result<()> {
    out.line(table::wrap(&answer(located), 2))?;
    if located.nothing_yet {
        return Ok(());
    }
    let mut list = table::new(&["  location", "odds", "because"], &[1]);
    for location in located.locations.iter().filter(|location| location.probability >= 0.01) {
        list.add_row([
            format!("  {}", location.location),
            load::chance(location.probability),
            safe(&location.because.to_string()),
        ]);
    }
    out.line(table::text(&list))?;
    for sentence in &located.electrical {
        out.line(table::wrap(&format!("Electrically: {}", safe(sentence)), 2))?;
    }
    for step in &located.steps {
        let credit = load::chance(step.credit);
        out.line(table::wrap(
            &format!("Step \"{}\": {credit} ({})", safe(&step.step), safe(&step.because)),
            2,
        ))?;
    }
    if let Some(next) = located.next.first() {
        propose(next, out)?;
    }
    for note in &located.notes {
        out.line(table::wrap(&format!("- {}", safe(note)), 2))?;
    }
    Ok(())
}

/// The answer in a sentence.
fn answer(located: &Located) -> String {
    let Some(first) = located.locations.first() else { return "Nothing to locate yet.".to_owned() };
    if located.nothing_yet {
        return "Nothing to locate yet: no stray was seen, no key that was asked for was misread, and no line reads other than \
                it should. Watch on, or make a key check."
            .to_owned();
    }
    let chance = load::chance(first.probability);
    // Of an electrical fault, what it is and how large.
    let what = located.ladder.first().filter(|entry| entry.model != "healthy" && entry.weight >= 0.5);
    let what = what.map_or_else(String::new, |entry| safe(&format!(" {}: {}.", entry.line, entry.short)));
    if located.undecided {
        format!("Not yet decided. Likeliest is {} ({chance}).{what}", safe(&first.text))
    } else {
        format!("The fault is in {} ({chance}).{what}", safe(&first.text))
    }
}

/// The next test: what must be so first stands before what to do.
fn propose(next: &locate::Proposal, out: &mut Out) -> Result<()> {
    let gain = next.gain_bits.map_or_else(String::new, |bits| format!(", gains {bits:.2} bits"));
    out.line(table::wrap(
        &format!(
            "Next test: {} ({:.0} minutes{gain}, risk {})",
            safe(&next.test),
            next.minutes,
            next.risk.text()
        ),
        2,
    ))?;
    for first in &next.prerequisites {
        out.line(table::wrap(&format!("  First: {}", safe(first)), 4))?;
    }
    out.line(table::wrap(&format!("  Then: {}", safe(&next.text)), 4))?;
    if next.kind == locate::TestKind::Measure && !next.test.starts_with("read-") {
        let record = format!(
            "  Write it down: straykey step JOB \"{}: found\" --kind isolate, or \": clear\"",
            next.test
        );
        out.line(table::wrap(&record, 4))?;
    }
    for caution in &next.cautions {
        out.line(table::wrap(&format!("  Caution: {}", safe(caution)), 4))?;
    }
    Ok(())
}
