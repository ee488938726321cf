//! `report`: a job to one HTML file.

use std::io::Write;
use std::path::{Path, PathBuf};

use crate::analysis::episode::fold;
use crate::base::{Anchor, Error, Nanoseconds, Result, write_output};
use crate::bench::{StageView, chassis, key_windows, state_of, views};
use crate::face::cli::answers;
use crate::face::cli::args;
use crate::face::cli::load::{self, Loaded};
use crate::face::drawing::Door;
use crate::face::out::{Out, Outcome};
use crate::face::report::{self, Folded, Report, StageTimeline, TimelineBuilder};
use crate::timeline::Protocols;
use crate::timeline::job::Hands;

pub(super) fn run(options: &args::Report, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let path = write(&options.job, options.out.as_deref(), options.keep_private, protocols, out)?;
    if out.json {
        out.answer(answers::Report { report: path.display().to_string() })?;
    } else {
        out.line(format!("Report: {}", path.display()))?;
    }
    Ok(Outcome::Done)
}

/// Writes the report of a job; gives its path.
pub(super) fn write(
    folder: &Path,
    to: Option<&Path>,
    keep_private: bool,
    protocols: &Protocols,
    out: &Out,
) -> Result<PathBuf> {
    let loaded = load::open(folder, protocols, false, out)?;
    let path = to.map_or_else(|| folder.join("report.html"), Path::to_path_buf);
    if loaded.job.holds(&path) {
        return Err(Error::usage("the report would replace a record of the job").at(&path));
    }
    for wrong in loaded.job.verify()? {
        out.note(format!("Attention: {wrong}"));
    }
    let (page, masked) = page(&loaded, if keep_private { Door::Open } else { Door::Masking }, protocols)?;
    for sentence in masked {
        out.note(format!("Masked: {sentence}"));
    }
    write_output(&path, "cannot write the report", |mut file| {
        file.write_all(page.as_bytes()).map_err(|error| Error::io("cannot write the report", &path, error))
    })?;
    Ok(path)
}

/// The report's text, and what was masked in it.
fn page(loaded: &Loaded, door: Door, protocols: &Protocols) -> Result<(String, Vec<String>)> {
    let views = views(loaded)?;
    let state = state_of(loaded, &views, protocols)?;
    report::write(&Report {
        state: &state,
        decoder: chassis(loaded, protocols)?.map(|chassis| chassis.decoder().to_string()),
        written: Anchor::now().wall(Nanoseconds::ZERO),
        simulated: loaded.job.info().simulated,
        windows: key_windows(loaded, protocols)?,
        timeline: views.iter().map(|view| lanes(loaded, view)).collect::<Result<_>>()?,
        folded: views.iter().flat_map(folded).collect(),
        door,
    })
}

/// The strays of each pattern of a stage that has a period, laid over one another.
fn folded(view: &StageView) -> impl Iterator<Item = ((usize, u32), Folded)> {
    let sequence = &view.stage.seen.sequence;
    view.patterns.patterns.iter().filter_map(|pattern| {
        let symbol = &pattern.motif.first()?.symbol;
        let times = fold(sequence)
            .into_iter()
            .filter(|press| sequence.symbols().get(press.symbol as usize) == Some(symbol))
            .map(|press| press.t.seconds());
        Some(((view.stage.number, pattern.id), Folded::new(pattern.period_s?, times, 20)))
    })
}

/// The events of a stage as lanes.
fn lanes(loaded: &Loaded, view: &StageView) -> Result<StageTimeline> {
    let mut builder = TimelineBuilder::new(u32::try_from(view.stage.number).unwrap_or(u32::MAX));
    let mut shift = Nanoseconds::ZERO;
    for capture in &view.stage.captures {
        let span = loaded.span(capture).unwrap_or_default();
        let off = capture.hands == Hands::Off;
        loaded.acts(capture, &mut |event| {
            builder.push(event.t - span.start + shift, &event, off && event.is_input());
            Ok(())
        })?;
        shift = shift + span.length();
        builder.observe(shift);
    }
    Ok(builder.finish())
}
