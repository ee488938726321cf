//! `keycheck`: every key asked for, and what the line and the set made of it.

use std::collections::BTreeMap;
use std::path::Path;

use crate::analysis::ladder::keycheck as ladder;
use crate::base::{ControlPath, Error, Key, Result};
use crate::bench::keycheck::{Check, Gathered, Unasked, checks, judge};
use crate::face::cli::args;
use crate::face::cli::load::is_job;
use crate::face::cli::{answers, decode, keycheck_live, learn, table};
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(options: &args::Keycheck, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let checks = match (options.inputs.as_slice(), &options.port) {
        ([job], Some(port)) => keycheck_live::run(job, port, options, protocols, out)?,
        (_, Some(_)) => {
            return Err(Error::usage("a live key check is kept in one job")
                .help("give one JOB folder with --port; make it with straykey job new"));
        }
        ([job], None) if is_job(job) => of_job(job, options, protocols)?,
        (files, None) => of_files(files, options, protocols, out)?,
    };
    let wrong = checks.iter().any(Check::is_wrong);
    if out.json {
        out.answer(answers::Checks { checks })?;
    } else {
        for check in &checks {
            show(check, out)?;
        }
    }
    Ok(if options.check && wrong { Outcome::Found } else { Outcome::Done })
}

/// Each file with its own list of prompts.
fn of_files(
    files: &[std::path::PathBuf],
    options: &args::Keycheck,
    protocols: &Protocols,
    out: &Out,
) -> Result<Vec<Check>> {
    if files.len() != options.prompts.len() {
        return Err(Error::usage(format!(
            "{} captures and {} lists of prompts: without what was asked, when, no answer can be judged",
            files.len(),
            options.prompts.len()
        ))
        .help("give one --prompts for each capture file, in the same order"));
    }
    let mut checks = Vec::new();
    for (file, prompts) in files.iter().zip(&options.prompts) {
        let prompts = learn::prompts(prompts)?;
        let mut gathered = Gathered::default();
        let summary = decode::read(file, &options.reading, protocols, &mut |event| {
            gathered.take(event);
            Ok(())
        })?;
        decode::tell(&summary, out);
        if let Some(choice) = &summary.chassis {
            gathered.chassis = Some(choice.name.clone());
        }
        let mut check = judge(&prompts, gathered, &[], protocols)?;
        check.capture = file.display().to_string();
        if !summary.timed {
            check.notes.push(
                "The capture has no times: which press answers which prompt is not to be trusted.".into(),
            );
        }
        checks.push(check);
    }
    Ok(checks)
}

fn of_job(input: &Path, options: &args::Keycheck, protocols: &Protocols) -> Result<Vec<Check>> {
    if !options.prompts.is_empty() {
        return Err(Error::usage("a job keeps its own prompts").help("leave --prompts out"));
    }
    checks(input, protocols)
}

fn show(check: &Check, out: &mut Out) -> Result<()> {
    let stage = check.stage.map(|stage| format!(", stage {stage}")).unwrap_or_default();
    out.line(format!(
        "{}{stage}: {} keys asked for, {} right, {} seen as another key, {} without an answer, {} stray inputs",
        safe(&check.capture),
        check.prompts,
        check.right,
        check.wrong,
        check.missing,
        check.strays.len()
    ))?;
    let mut confusion = table::new(&["  asked", "seen", "times"], &[2]);
    for entry in &check.table {
        confusion.add_row([
            format!("  {}", entry.asked.label()),
            entry.seen.map_or("nothing", Key::label).to_owned(),
            entry.count.to_string(),
        ]);
    }
    out.line(table::text(&confusion))?;
    for line in &check.lines {
        show_line(line, out)?;
    }
    show_strays(&check.strays, out)?;
    for note in &check.notes {
        out.line(table::wrap(&format!("- {note}"), 2))?;
    }
    Ok(())
}

fn show_line(line: &ladder::KeyCheck, out: &mut Out) -> Result<()> {
    let headings = [
        "  key",
        "nominal",
        "reads",
        "deviation",
        "margin",
        "contact",
        "bounces",
        "settles",
        "fault foresees",
    ];
    let mut list = table::new(&headings, &[1, 2, 3, 4, 5, 6, 7, 8]);
    let number = |value: Option<f64>| value.map_or("–".to_owned(), |value| format!("{value:.0}"));
    for row in &line.keys {
        list.add_row([
            format!("  {}", row.key.label()),
            format!("{:.0}", row.nominal),
            number(row.counts),
            row.counts.map_or("–".to_owned(), |counts| format!("{:+.0}", counts - row.nominal)),
            number(row.margin),
            row.contact_ohm.map_or("–".to_owned(), |ohm| format!("{ohm:+.0} Ω")),
            row.bounces.to_string(),
            row.settle_s.map_or("–".to_owned(), |settle| format!("{:.0} ms", 1000.0 * settle)),
            number(row.explained),
        ]);
    }
    out.line(format!("Line {} (readings in counts):", safe(&line.line)))?;
    out.line(table::text(&list))?;
    for sentence in &line.text {
        out.line(table::wrap(&format!("- {}", safe(sentence)), 2))?;
    }
    Ok(())
}

/// Strays by key.
fn show_strays(strays: &[Unasked], out: &mut Out) -> Result<()> {
    let mut counts: BTreeMap<(ControlPath, Option<Key>), (u64, f64)> = BTreeMap::new();
    for stray in strays {
        counts.entry((stray.path, stray.key)).or_insert((0, stray.t)).0 += 1;
    }
    for ((path, key), (count, first)) in counts {
        let key = key.map_or("input", Key::label);
        out.line(format!("Stray: {key} ({}) {count} time(s), first at {first:.3} s", path.word()))?;
    }
    Ok(())
}
