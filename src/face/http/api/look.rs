//! Closer looks at a job: raw bytes, a sequence folded at its period, the ladder, the report.

use std::io::{Read as _, Seek as _, SeekFrom};

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderName, HeaderValue, Method, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::episode::fold as presses;
use crate::analysis::pattern::{PatternOptions, find};
use crate::base::Error;
use crate::face::drawing;
use crate::face::http::api::ports::Nothing;
use crate::face::http::api::{App, Ask, In, Named, Route, wait};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::ladder;
use crate::face::http::types::round;
use crate::journal::{Reader, RecordKind, hexadecimal};
use crate::source::FileKind;
use crate::timeline::job::{CaptureRef, CaptureSource, Hands, Job};

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(Method::GET, "/api/v1/jobs/{job}/raw", "Bytes of a raw capture.", raw)
            .asks::<Where>()
            .gives::<Raw>(),
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/fold",
            "A pattern's events, folded at its period.",
            folded,
        )
        .asks::<Which>()
        .gives::<Folded>(),
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/ladder.svg",
            "The ladder with nominal and measured levels.",
            drawn,
        )
        .asks::<Look>()
        .kind("image/svg+xml"),
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/windows",
            "Which readings of the key lines mean which key.",
            windows,
        )
        .gives::<Lines>(),
        Route::new(Method::POST, "/api/v1/jobs/{job}/report", "Writes the report.", write)
            .takes::<Nothing>()
            .gives::<Written>(),
        Route::new(Method::GET, "/api/v1/jobs/{job}/report", "The report, HTML.", report).kind("text/html"),
    ]
}

/// Most bytes of one look.
const MOST: u64 = 4096;

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Where {
    /// Name of the capture.
    capture: String,
    /// First byte.
    offset: u64,
    /// How many, 4096 at most.
    #[schemars(range(min = 1, max = 4096))]
    length: u64,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Raw {
    capture: String,
    offset: u64,
    /// The bytes in hexadecimal.
    hex: String,
    /// The same as text, whatever is not printable escaped.
    text: String,
}

async fn raw(State(bench): State<App>, Named(name): Named, Ask(wanted): Ask<Where>) -> Answer<Json<Raw>> {
    if !(1..=MOST).contains(&wanted.length) {
        return Err(ApiError::wrong(format!("`length` is from 1 to {MOST}")));
    }
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let job = Job::read(&entry.folder)?;
        let capture = job
            .captures()
            .find(|capture| capture.name == wanted.capture)
            .ok_or_else(|| ApiError::missing("there is no such capture in the job"))?;
        let bytes = stretch(capture, wanted.offset, wanted.length)?;
        Ok(Json(Raw {
            capture: wanted.capture,
            offset: wanted.offset,
            hex: hexadecimal(&bytes),
            text: escaped(&bytes),
        }))
    })
    .await
}

/// The bytes `offset..offset + length` that the capture's source delivered; fewer where it ends.
fn stretch(capture: &CaptureRef, offset: u64, length: u64) -> Answer<Vec<u8>> {
    let end = offset.saturating_add(length);
    if matches!(capture.source, CaptureSource::Live { .. }) {
        return Ok(from_journal(&mut Reader::open(&capture.path)?, offset, end)?);
    }
    let failed = |error| Error::io("cannot read this capture", &capture.path, error);
    let mut file = std::fs::File::open(&capture.path).map_err(failed)?;
    let packed = capture.path.extension().is_some_and(|ending| ending == "gz");
    let mut bytes = Vec::new();
    if packed {
        let (kind, mut reader, _) = crate::source::open(Box::new(file))?;
        if kind == FileKind::Journal {
            return Ok(from_journal(&mut Reader::new(reader)?, offset, end)?);
        }
        std::io::copy(&mut reader.by_ref().take(offset), &mut std::io::sink()).map_err(failed)?;
        reader.take(length).read_to_end(&mut bytes).map_err(failed)?;
    } else {
        let mut head = [0u8; 8];
        let n = file.read(&mut head).map_err(failed)?;
        if head.get(..n) == Some(&crate::journal::MAGIC[..]) {
            return Ok(from_journal(&mut Reader::open(&capture.path)?, offset, end)?);
        }
        file.seek(SeekFrom::Start(offset.min(i64::MAX.unsigned_abs()))).map_err(failed)?;
        file.take(length).read_to_end(&mut bytes).map_err(failed)?;
    }
    Ok(bytes)
}

fn from_journal(reader: &mut Reader, offset: u64, end: u64) -> crate::base::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    while let Some(record) = reader.next_record()? {
        if record.kind != RecordKind::Bytes {
            continue;
        }
        let first = record.offset;
        if first >= end {
            break;
        }
        let last = first + record.payload.len() as u64;
        if last > offset {
            let skip = usize::try_from(offset.saturating_sub(first)).unwrap_or(usize::MAX);
            let cut = usize::try_from(end.min(last) - first).unwrap_or(0);
            bytes.extend_from_slice(record.payload.get(skip..cut).unwrap_or_default());
        }
    }
    Ok(bytes)
}

/// Printable ASCII as it is, line ends kept, everything else as `\xNN`.
fn escaped(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len());
    for byte in bytes {
        match byte {
            b'\n' => text.push('\n'),
            b'\\' => text.push_str("\\\\"),
            0x20..=0x7e => text.push(char::from(*byte)),
            _ => text.push_str(&format!("\\x{byte:02x}")),
        }
    }
    text
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Which {
    /// Number of the pattern, `p1` or `1`.
    pattern: String,
    /// The stage, from 1.
    stage: usize,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Point {
    /// Seconds of watching in the stage.
    t: f64,
    /// Place in the period, 0 to 1.
    phase: f64,
}

#[derive(Debug, Serialize, JsonSchema)]
struct PatternOccurrence {
    /// Seconds of watching in the stage.
    t: f64,
    /// How long it lasted.
    length_s: f64,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Folded {
    /// The period; null where the pattern has none.
    period_s: Option<f64>,
    /// 2000 at most, evenly chosen.
    points: Vec<Point>,
    /// 1000 at most, evenly chosen.
    occurrences: Vec<PatternOccurrence>,
}

async fn folded(
    State(bench): State<App>,
    Named(name): Named,
    Ask(wanted): Ask<Which>,
) -> Answer<Json<Folded>> {
    let number = wanted.pattern.strip_prefix('p').unwrap_or(&wanted.pattern);
    let id: u32 = number.parse().map_err(|_| ApiError::wrong("`pattern` is a number, as `p1`"))?;
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let loaded = entry.loaded(&bench.protocols())?;
        let stage = loaded
            .job
            .stages()
            .iter()
            .find(|stage| stage.number == wanted.stage)
            .ok_or_else(|| ApiError::missing("the job has no such stage"))?;
        let seen = loaded.seen(stage, Hands::Off)?;
        let patterns = find(&seen.sequence, &PatternOptions::default());
        let pattern = patterns
            .patterns
            .iter()
            .find(|pattern| pattern.id == id)
            .ok_or_else(|| ApiError::missing("the stage has no such pattern"))?;
        let symbols = seen.sequence.symbols();
        let own: Vec<_> = presses(&seen.sequence)
            .into_iter()
            .filter(|press| {
                let symbol = symbols.get(press.symbol as usize);
                pattern.motif.iter().any(|event| Some(&event.symbol) == symbol)
            })
            .collect();
        let period = pattern.period_s.filter(|period| *period > 0.0);
        let points = period.map_or(Vec::new(), |period| {
            thinned(&own, 2000)
                .map(|press| {
                    let t = press.t.seconds();
                    Point { t: round(t), phase: round((t / period).rem_euclid(1.0)) }
                })
                .collect()
        });
        let occurrences = thinned(&own, 1000)
            .map(|press| PatternOccurrence {
                t: round(press.t.seconds()),
                length_s: round((press.end - press.t).seconds().max(0.0)),
            })
            .collect();
        Ok(Json(Folded { period_s: period, points, occurrences }))
    })
    .await
}

/// Every n-th, so that `most` are left.
fn thinned<T>(list: &[T], most: usize) -> impl Iterator<Item = &T> {
    list.iter().step_by(list.len().div_ceil(most).max(1))
}

/// For which background.
#[derive(Clone, Copy, Debug, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
enum Theme {
    #[default]
    Light,
    Dark,
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Look {
    /// Light when left out.
    theme: Option<Theme>,
    /// How many pixels wide it will stand; from 300 to 960, 560 when left out.
    wide: Option<u32>,
}

async fn drawn(State(bench): State<App>, Named(name): Named, Ask(look): Ask<Look>) -> Answer<Response> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let protocols = bench.protocols();
        let loaded = entry.loaded(&protocols)?;
        let theme = match look.theme {
            Some(Theme::Dark) => drawing::Theme::Dark,
            _ => drawing::Theme::Light,
        };
        let svg = ladder::draw(&loaded, &protocols, theme, drawing::Width::column(look.wide.unwrap_or(560)))?
            .ok_or_else(|| ApiError::missing("the job's chassis has no ladder, or is not known yet"))?;
        Ok(([(header::CONTENT_TYPE, "image/svg+xml")], svg).into_response())
    })
    .await
}

#[derive(Debug, Serialize, JsonSchema)]
struct Lines {
    /// None where the chassis is not known or has no ladder.
    lines: Vec<ladder::LineWindows>,
}

async fn windows(State(bench): State<App>, Named(name): Named) -> Answer<Json<Lines>> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let protocols = bench.protocols();
        let loaded = entry.loaded(&protocols)?;
        Ok(Json(Lines { lines: ladder::windows(&loaded, &protocols)? }))
    })
    .await
}

#[derive(Debug, Serialize, JsonSchema)]
struct Written {
    /// Name of the file in the job's folder.
    file: &'static str,
    bytes: u64,
}

const REPORT: &str = "report.html";

async fn write(State(bench): State<App>, Named(name): Named, In(_): In<Nothing>) -> Answer<Json<Written>> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let path = (bench.makers.report)(&entry.folder, &bench.protocols())?;
        let bytes = std::fs::metadata(&path).map_or(0, |data| data.len());
        Ok(Json(Written { file: REPORT, bytes }))
    })
    .await
}

/// The report brings its own style and pictures, and no script may run in it.
pub(super) const REPORT_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'";

async fn report(State(bench): State<App>, Named(name): Named) -> Answer<Response> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let path = entry.folder.join(REPORT);
        let plain = std::fs::symlink_metadata(&path).is_ok_and(|data| data.is_file());
        if !plain {
            return Err(
                ApiError::missing("no report was written yet").help("POST to the same address writes it")
            );
        }
        let page = std::fs::read(&path).map_err(|error| Error::io("cannot read the report", &path, error))?;
        let headers: [(HeaderName, HeaderValue); 2] = [
            (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8")),
            (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(REPORT_POLICY)),
        ];
        Ok((headers, page).into_response())
    })
    .await
}
