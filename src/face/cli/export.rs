//! `export`: the events of a job or of capture files, for other programs.

use std::io::{self, BufWriter, IsTerminal};
use std::path::{Path, PathBuf};

use crate::base::{Error, Event, Result, Span, write_output};
use crate::face::cli::answers;
use crate::face::cli::args::{self, ExportForm, Reading};
use crate::face::cli::decode;
use crate::face::cli::load::{self, Loaded, is_job};
use crate::face::out::{Out, Outcome};
use crate::timeline::Protocols;
use crate::timeline::export::{Export, Form, Place, Shape, Track, available, exporter};
use crate::timeline::job::{CaptureRef, JobReference};

pub(super) fn run(options: &args::Export, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let form = match options.to {
        ExportForm::Jsonl => Form::JsonLines,
        ExportForm::Csv => Form::Csv,
        ExportForm::Parquet => Form::Parquet,
        ExportForm::Vcd => Form::Vcd,
    };
    available(form)?;
    if form == Form::Parquet && options.out.is_none() {
        return Err(Error::usage("a Parquet file is not for a terminal or a pipe").help("add --out FILE"));
    }
    let inputs = Inputs::new(options, protocols, out)?;
    let shape = if form == Form::Vcd { Some(inputs.look(out)?) } else { None };
    match &options.out {
        Some(path) => {
            let count = to_file(path, form, shape, &inputs, out)?;
            if out.json {
                out.answer(answers::Exported { file: path.display().to_string(), events: count })?;
            } else {
                out.line(format!("{count} events: {}", path.display()))?;
            }
        }
        None => {
            let pipe = BufWriter::with_capacity(1 << 18, io::stdout());
            let mut writer = exporter(form, Box::new(pipe), shape)?;
            inputs.write(writer.as_mut(), form, out)?;
            writer.finish()?;
        }
    }
    Ok(Outcome::Done)
}

/// Writes one file, which must be none of the captures.
fn to_file(path: &Path, form: Form, shape: Option<Shape>, inputs: &Inputs<'_>, out: &Out) -> Result<u64> {
    if inputs.holds(path) {
        return Err(Error::usage("the export would replace the capture that it is made from").at(path));
    }
    write_output(path, "cannot write the export", |file| {
        let mut writer = exporter(form, Box::new(BufWriter::with_capacity(1 << 18, file)), shape)?;
        let count = inputs.write(writer.as_mut(), form, out)?;
        writer.finish()?;
        Ok(count)
    })
}

/// Where the events come from.
enum Inputs<'a> {
    Job { loaded: Box<Loaded>, stage: Option<usize> },
    Files { files: &'a [PathBuf], reading: &'a Reading, protocols: &'a Protocols },
}

impl<'a> Inputs<'a> {
    fn new(options: &'a args::Export, protocols: &'a Protocols, out: &Out) -> Result<Self> {
        let Some(job) = options.inputs.iter().find(|input| is_job(input)) else {
            if options.stage.is_some() {
                return Err(
                    Error::usage("capture files have no stages").help("leave --stage out, or name a job")
                );
            }
            return Ok(Self::Files { files: &options.inputs, reading: &options.reading, protocols });
        };
        if options.inputs.len() > 1 {
            return Err(Error::usage("a job is exported by itself").at(job).help("one export a job"));
        }
        let reference = JobReference::parse(&job.to_string_lossy())?;
        let loaded = Box::new(load::open(&reference.folder, protocols, false, out)?);
        let stage = options.stage.or(reference.stage);
        if let Some(stage) = stage {
            loaded.job.stage(stage)?;
        }
        Ok(Self::Job { loaded, stage })
    }

    /// Whether a path is one of the captures, or another record of the job.
    fn holds(&self, path: &Path) -> bool {
        match self {
            Self::Job { loaded, .. } => loaded.job.holds(path),
            Self::Files { files, .. } => path.canonicalize().is_ok_and(|path| {
                files.iter().any(|file| file.canonicalize().is_ok_and(|other| other == path))
            }),
        }
    }

    /// The first look, for forms that declare before they write.
    fn look(&self, out: &Out) -> Result<Shape> {
        let mut shape = Shape::default();
        self.each(out, true, &mut |step| match step {
            Step::Begin(_, track) => shape.begin(track.channels()),
            Step::Event(event, _) => shape.event(&event),
            Step::End(span, _) => {
                if let Some(span) = span {
                    shape.observe(span);
                }
                Ok(())
            }
        })?;
        Ok(shape)
    }

    /// Gives all to a writer; the number of events.
    fn write(&self, writer: &mut dyn Export, form: Form, out: &Out) -> Result<u64> {
        let mut count = 0;
        self.each(out, form == Form::Vcd, &mut |step| match step {
            Step::Begin(place, track) => writer.begin(place, track.channels()),
            Step::Event(event, track) => {
                count += 1;
                track.event(&event, writer)
            }
            Step::End(_, track) => track.rest(writer),
        })?;
        Ok(count)
    }

    /// Goes through the captures one by one.
    fn each(&self, out: &Out, recorded: bool, take: &mut Take<'_>) -> Result<()> {
        match self {
            Self::Job { loaded, stage } => {
                for part in loaded.job.stages().iter().filter(|part| stage.is_none_or(|n| n == part.number)) {
                    for capture in &part.captures {
                        of_job(loaded, capture, part.number, recorded, take)?;
                    }
                }
                Ok(())
            }
            Self::Files { files, reading, protocols } => {
                files.iter().try_for_each(|file| of_file(file, reading, protocols, recorded, out, take))
            }
        }
    }
}

enum Step<'a> {
    Begin(Place, &'a Track),
    Event(Box<Event>, &'a mut Track),
    End(Option<Span>, &'a mut Track),
}

type Take<'a> = dyn FnMut(Step<'_>) -> Result<()> + 'a;

fn of_job(
    loaded: &Loaded,
    capture: &CaptureRef,
    stage: usize,
    recorded: bool,
    take: &mut Take<'_>,
) -> Result<()> {
    let mut track = if recorded {
        Track::open(&capture.path, capture.wire.keys().cloned().collect(), None)?
    } else {
        Track::none()
    };
    take(Step::Begin(Place { stage: Some(stage), anchor: capture.started }, &track))?;
    loaded.events(capture, &mut |event| take(Step::Event(Box::new(event), &mut track)))?;
    take(Step::End(loaded.span(capture), &mut track))
}

fn of_file(
    file: &Path,
    reading: &Reading,
    protocols: &Protocols,
    recorded: bool,
    out: &Out,
    take: &mut Take<'_>,
) -> Result<()> {
    if recorded && file.as_os_str() == "-" {
        return Err(Error::usage("a dump declares its channels first, so its input is read twice")
            .help("write standard input to a file and export that"));
    }
    let mut track = if recorded {
        Track::open(
            file,
            reading.wire.iter().filter_map(|wire| Some(wire.rsplit_once('=')?.0.to_owned())).collect(),
            reading.sample_rate,
        )?
    } else {
        Track::none()
    };
    take(Step::Begin(Place::default(), &track))?;
    let summary =
        decode::read(file, reading, protocols, &mut |event| take(Step::Event(Box::new(event), &mut track)))?;
    take(Step::End(summary.span, &mut track))?;
    if io::stderr().is_terminal() || !summary.remarks.is_empty() {
        decode::tell(&summary, out);
    }
    Ok(())
}
