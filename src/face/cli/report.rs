//! `report`: a job to one HTML file.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::analysis::episode::fold;
use crate::analysis::locate::Located;
use crate::analysis::pattern::Pattern;
use crate::base::words::plural;
use crate::base::{Anchor, Error, Nanoseconds, Result, write_output};
use crate::bench::{StageView, chassis, concluding, key_windows, keys, state_of, views};
use crate::face::cli::args;
use crate::face::cli::load::Loaded;
use crate::face::cli::topics;
use crate::face::out::{Out, Outcome};
use crate::face::report::{
    self, Capture, Cause, Folded, Observed, ReportModel, Stage, StageTimeline, TimelineBuilder, Versions,
};
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureSource, Hands};
use crate::timeline::mask::{Private, mask_text};

pub(super) fn run(options: &args::Report, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let path = write(&options.job, options.out.as_deref(), options.keep_private, protocols, out)?;
    if out.json {
        out.value(&serde_json::json!({ "version": 1, "report": path.display().to_string() }))?;
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
    let loaded = Loaded::open(folder, protocols, false)?;
    let path = to.map_or_else(|| folder.join("report.html"), Path::to_path_buf);
    if loaded.job.holds(&path) {
        return Err(Error::usage("the report would replace a record of the job").at(&path));
    }
    for wrong in loaded.job.verify()? {
        out.note(format!("Attention: {wrong}"));
    }
    let mut model = model(&loaded, protocols)?;
    if !keep_private {
        masked(&mut model)?;
        for sentence in &model.masked {
            out.note(format!("Masked: {sentence}"));
        }
    }
    let page = report::write(&model);
    write_output(&path, "cannot write the report", |mut file| {
        file.write_all(page.as_bytes()).map_err(|error| Error::io("cannot write the report", &path, error))
    })?;
    Ok(path)
}

fn also(causes: &[Located]) -> Result<Vec<Cause>> {
    causes
        .iter()
        .map(|cause| {
            let json = serde_json::to_value(cause).map_err(|error| unserialised(&error))?;
            Ok(Cause {
                path: cause.path.map(|path| path.word().to_owned()).unwrap_or_default(),
                locations: part(&json, "locations")?,
                next: part(&json, "next")?,
                steps: part(&json, "steps")?,
            })
        })
        .collect()
}

fn model(loaded: &Loaded, protocols: &Protocols) -> Result<ReportModel> {
    let views = views(loaded)?;
    let info = loaded.job.info();
    let state = state_of(loaded, &views, protocols)?;
    let located = &state.locate;
    let chassis = chassis(loaded, protocols)?;
    let decoder = chassis.as_ref().map(|chassis| chassis.decoder().to_string());
    let located_json = serde_json::to_value(located).map_err(|error| unserialised(&error))?;
    let mut model = ReportModel {
        version: 1,
        set: info.set.clone(),
        chassis: decoder.clone().unwrap_or_else(|| "not recognised".to_owned()),
        complaint: info.complaint.clone().unwrap_or_default(),
        technician: info.technician.clone(),
        written: Anchor::now().wall(Nanoseconds::ZERO),
        notices: notices(loaded),
        concluding_stage: concluding(&views),
        captures: captures(loaded)?,
        path: located.path.map(|path| path.word().to_owned()),
        also: also(&located.also)?,
        locations: part(&located_json, "locations")?,
        ladder: part(&located_json, "ladder")?,
        next: part(&located_json, "next")?,
        steps: part(&located_json, "steps")?,
        windows: key_windows(loaded, protocols)?,
        method: vec![located.method.to_owned()],
        versions: Versions {
            straykey: env!("CARGO_PKG_VERSION").to_owned(),
            decoders: decoder.into_iter().collect(),
            seed: Some(state.seed),
        },
        ..ReportModel::default()
    };
    model.topics = topics::topics(&state)?;
    for view in &views {
        add(&mut model, loaded, view)?;
    }
    Ok(model)
}

/// Masks what is likely private in every text of the report, and lists it.
fn masked(model: &mut ReportModel) -> Result<()> {
    for capture in model.captures.iter_mut().filter(|capture| !capture.source.starts_with("/dev/")) {
        // Folders of imported files name people and customers.
        capture.source = capture.source.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
    }
    let mut value = serde_json::to_value(&*model).map_err(|error| unserialised(&error))?;
    let mut found: BTreeMap<(String, Private), u64> = BTreeMap::new();
    for (field, inside) in value.as_object_mut().into_iter().flatten() {
        mask(inside, &mut |kind| *found.entry((field.clone(), kind)).or_default() += 1);
    }
    if found.is_empty() {
        return Ok(());
    }
    *model = serde_json::from_value(value).map_err(|error| unserialised(&error))?;
    model.masked = found
        .into_iter()
        .map(|((field, kind), count)| format!("{} in {field}", plural(count, kind.words())))
        .collect();
    Ok(())
}

fn mask(value: &mut serde_json::Value, found: &mut dyn FnMut(Private)) {
    match value {
        serde_json::Value::String(text) => {
            let (masked, kinds) = mask_text(text);
            kinds.into_iter().for_each(&mut *found);
            *text = masked;
        }
        serde_json::Value::Array(list) => list.iter_mut().for_each(|value| mask(value, found)),
        serde_json::Value::Object(fields) => fields.values_mut().for_each(|value| mask(value, found)),
        _ => {}
    }
}

fn unserialised(error: &serde_json::Error) -> Error {
    Error::machine(format!("a finding does not fit the report: {error}"))
}

fn part<T: serde::de::DeserializeOwned>(value: &serde_json::Value, name: &str) -> Result<T> {
    serde_json::from_value(value.get(name).cloned().unwrap_or_else(|| serde_json::json!([])))
        .map_err(|error| unserialised(&error))
}

fn notices(loaded: &Loaded) -> Vec<String> {
    let mut notices: Vec<String> = loaded.job.remarks().to_vec();
    if loaded.job.info().simulated {
        notices.push("The set of this job is simulated; its time was scaled.".to_owned());
    }
    notices
}

fn captures(loaded: &Loaded) -> Result<Vec<Capture>> {
    let mut list = Vec::new();
    for stage in loaded.job.stages() {
        for capture in &stage.captures {
            list.push(Capture {
                name: capture.name.clone(),
                stage: u32::try_from(stage.number).unwrap_or(u32::MAX),
                source: match &capture.source {
                    CaptureSource::Live { port } => port.clone(),
                    CaptureSource::File { path } => path.clone(),
                },
                hands_off: capture.hands == Hands::Off,
                started: capture.started.and_then(|anchor| anchor.wall(Nanoseconds::ZERO)),
                span_s: loaded.span(capture).map_or(0.0, |span| span.length().seconds()),
                bytes: capture.bytes.unwrap_or(0),
                sha256: capture.sha256.clone(),
            });
        }
    }
    Ok(list)
}

fn add(model: &mut ReportModel, loaded: &Loaded, view: &StageView) -> Result<()> {
    let number = u32::try_from(view.stage.number).unwrap_or(u32::MAX);
    if let Some((before, comparison)) = &view.comparison {
        let value = serde_json::to_value(comparison).map_err(|error| unserialised(&error))?;
        let mut shown: report::Comparison =
            serde_json::from_value(value).map_err(|error| unserialised(&error))?;
        shown.before_stage = u32::try_from(*before).unwrap_or(u32::MAX);
        shown.after_stage = number;
        if !model.method.contains(&shown.method) {
            model.method.push(shown.method.clone());
        }
        model.comparisons.push(shown);
    }
    for pattern in &view.patterns.patterns {
        model.patterns.push(shown_pattern(pattern, view, number)?);
    }
    model.stages.push(Stage {
        number,
        step: view.stage.text.clone(),
        kind: view.stage.step.as_ref().map(|step| step.kind.word().to_owned()),
        parts: view.stage.step.as_ref().map(|step| step.parts.clone()).unwrap_or_default(),
        observed: observed(view)?,
        keys: keys(view),
    });
    model.timeline.push(lanes(loaded, view, number)?);
    Ok(())
}

fn observed(view: &StageView) -> Result<Option<Observed>> {
    let Some(side) = &view.alone else { return Ok(None) };
    let value = serde_json::to_value(side).map_err(|error| unserialised(&error))?;
    serde_json::from_value(value).map(Some).map_err(|error| unserialised(&error))
}

fn shown_pattern(pattern: &Pattern, view: &StageView, number: u32) -> Result<report::Pattern> {
    let mut value = serde_json::to_value(pattern).map_err(|error| unserialised(&error))?;
    value["id"] = serde_json::json!(pattern.id.to_string());
    let mut shown: report::Pattern = serde_json::from_value(value).map_err(|error| unserialised(&error))?;
    shown.stage = number;
    if let (Some(period), Some(first)) = (pattern.period_s, pattern.motif.first()) {
        let train = &view.stage.seen.train;
        let times = fold(train)
            .into_iter()
            .filter(|press| train.symbols().get(press.symbol as usize) == Some(&first.symbol))
            .map(|press| press.t.seconds());
        shown.folded = Some(Folded::new(period, times, 20));
    }
    Ok(shown)
}

/// The events of a stage as lanes.
fn lanes(loaded: &Loaded, view: &StageView, number: u32) -> Result<StageTimeline> {
    let mut builder = TimelineBuilder::new(number);
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
