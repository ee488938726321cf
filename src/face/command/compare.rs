//! `compare`: before and after a step.

use super::load::{self, Seen};
use super::table;
use crate::analysis::compare::{CompareOptions, Comparison, Side, Verdict, compare};
use crate::base::Result;
use crate::face::args;
use crate::face::out::{Out, Outcome};
use crate::timeline::Protocols;
use crate::timeline::text_stage::UNKNOWN;

pub(super) fn run(options: &args::Compare, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let mut sides = [Seen::new(true), Seen::new(true)];
    let mut known: Option<String> = None;
    for (path, seen) in [&options.before, &options.after].into_iter().zip(&mut sides) {
        let observed = load::observe(path, &options.reading, options.hands, protocols, out, seen);
        match (observed, &known) {
            (Ok(()), _) => known = seen.chassis.clone().or(known),
            // A quiet log may be too short to be recognised; it is of the same set as the other one.
            (Err(error), Some(chassis))
                if options.reading.chassis.is_none() && error.what().starts_with(UNKNOWN) =>
            {
                out.note(format!(
                    "{}: too little to recognise a chassis by; taken as {chassis}, like the other capture",
                    path.display()
                ));
                let reading = args::Reading { chassis: Some(chassis.clone()), ..options.reading.clone() };
                *seen = Seen::new(true);
                load::observe(path, &reading, options.hands, protocols, out, seen)?;
            }
            (Err(error), _) => return Err(error),
        }
    }
    let unobserved = sides.iter().any(|seen| seen.untimed);
    let hands_off = sides.iter().all(|seen| seen.hands_off);
    let [before, after] = sides.map(Seen::into_observation);
    let mut comparison =
        compare(&before, &after, &CompareOptions { seed: options.seed, ..CompareOptions::default() });
    if unobserved {
        if hands_off {
            // The comparison knows only that one side proves nothing; the reason is another one.
            comparison.notes.retain(|note| !note.starts_with("Hands were on"));
        }
        comparison.notes.insert(
            0,
            "One of the two captures shows nothing: its lines could not be read, or nothing in it tells the time. \
             Quiet in it is no quiet set; look at the remarks above and capture it again."
                .to_owned(),
        );
    }
    if options.hands == args::Hands::Off && !super::patterns::is_job(&options.before) {
        comparison
            .notes
            .push("Both captures were taken as hands off; if keys were pressed, say --hands on.".to_owned());
    }
    let gone = comparison.verdict == Verdict::Gone;
    if out.json {
        out.value(&comparison)?;
    } else {
        show(&comparison, out)?;
    }
    Ok(if options.check && !gone { Outcome::Found } else { Outcome::Done })
}

/// Prints a comparison for people: the verdict first.
pub(super) fn show(comparison: &Comparison, out: &mut Out) -> Result<()> {
    out.line(format!("Verdict: {}", headline(comparison)))?;
    let mut list =
        table::new(&["", "watched", "strays", "episodes", "episodes per minute (95 % interval)"], &[1, 2, 3]);
    list.add_row(row("before", &comparison.before));
    list.add_row(row("after", &comparison.after));
    out.line(table::text(&list))?;
    for note in &comparison.notes {
        out.line(table::wrap(&format!("- {note}"), 2))?;
    }
    out.line(table::wrap(&format!("Method: {}", comparison.method), 2))
}

pub(super) use crate::face::findings::words::headline;

fn row(name: &str, side: &Side) -> [String; 5] {
    let number = |value: f64| if value.is_finite() { format!("{value:.3}") } else { "–".to_owned() };
    [
        name.to_owned(),
        load::duration(side.span_s),
        side.strays.to_string(),
        side.episodes.to_string(),
        format!("{} ({} to {})", number(side.per_min), number(side.per_min_low), number(side.per_min_high)),
    ]
}
