//! Capture files: logic tables against the general CSV reader's byte records, value change dumps
//! against the `vcd` crate; text logs, for the share of the reader in the time of a decoder.
//!
//! `cargo bench --bench source`. The files are invented data, made in memory by `generate`, so that the disk
//! is not measured. Each race runs both readers in turns on the same bytes and prints the median of the pairs'
//! ratios by processor time; compare the lines of one run with each other, not with other machines.

// A bench has nobody to report an error to.
#![allow(clippy::print_stdout)]

use std::io::{BufReader, Cursor};
use std::sync::Arc;
use std::time::Duration;

use divan::counter::BytesCount;
use divan::{Bencher, black_box};
use race::{Race, race};
use straykey::source::csv::{CsvOptions, CsvSource};
use straykey::source::text::TextLog;
use straykey::source::vcd::{VcdOptions, VcdSource};
use straykey::source::{ByteSource, Pulled, SampleSource};

mod generate;
mod race;

/// Bytes of each file.
const SIZE: usize = 32 << 20;
/// Turns of each race.
const PAIRS: usize = 15;

fn main() {
    // With a filter somebody looks at one figure.
    if std::env::args().skip(1).all(|argument| argument == "--bench") {
        races();
    }
    divan::main();
}

/// The kinds of table.
#[derive(Clone, Copy, Debug)]
enum Table {
    /// One row a sample: nearly all rows repeat.
    Samples,
    /// One row a change.
    Changes,
    /// One row a change, rows of different length.
    Trimmed,
    /// Volts.
    Analog,
}

fn table(kind: Table) -> Vec<u8> {
    match kind {
        Table::Samples => generate::samples(SIZE),
        Table::Changes => generate::changes(SIZE),
        Table::Trimmed => generate::trimmed(SIZE),
        Table::Analog => generate::analog(SIZE),
    }
}

/// A file that many readers share.
type File = Arc<[u8]>;

fn changes_of(source: Option<impl SampleSource>) -> usize {
    let Some(mut source) = source else { return 0 };
    let mut changes = Vec::new();
    let mut total = 0;
    while let Ok(true) = source.pull(&mut changes) {
        total += black_box(&changes).len();
        changes.clear();
    }
    total
}

fn table_to_changes(file: &File) -> usize {
    changes_of(CsvSource::new(Box::new(Cursor::new(Arc::clone(file))), CsvOptions::default()).ok())
}

fn dump_to_changes(file: &File) -> usize {
    changes_of(VcdSource::new(Box::new(Cursor::new(Arc::clone(file))), VcdOptions::default()).ok())
}

fn general_byte_records(file: &File) -> usize {
    let mut reader = csv::Reader::from_reader(Cursor::new(Arc::clone(file)));
    let mut record = csv::ByteRecord::new();
    let mut total = 0;
    while let Ok(true) = reader.read_byte_record(&mut record) {
        total += black_box(&record).len();
    }
    total
}

/// The commands of a dump by the crate `vcd` 0.7.0, which is no decoder of channels.
fn general_commands(file: &File) -> usize {
    let mut parser = vcd::Parser::new(BufReader::with_capacity(1 << 17, Cursor::new(Arc::clone(file))));
    if parser.parse_header().is_err() {
        return 0;
    }
    parser.map_while(|command| black_box(command).ok()).count()
}

/// Prints the rate of ours, that of the other one, and the ratio of the pairs.
fn report(name: &str, other: &str, file: &File, race: &Race) {
    let rate = |time: Duration| file.len() as f64 / time.as_secs_f64() / 1e6;
    println!(
        "{name}: ours {:.0} MB/s ({} changes), {other} {:.0} MB/s, ratio {:.2} (quartiles {:.2} to {:.2})",
        rate(race.ours),
        race.found.0,
        rate(race.theirs),
        race.ratio,
        race.spread.0,
        race.spread.1
    );
}

fn races() {
    for kind in [Table::Samples, Table::Changes, Table::Trimmed, Table::Analog] {
        let file: File = table(kind).into();
        let race = race(PAIRS, || table_to_changes(&file), || general_byte_records(&file));
        report(&format!("table {kind:?}"), "byte records", &file, &race);
    }
    let file: File = generate::dump(SIZE).into();
    let race = race(PAIRS, || dump_to_changes(&file), || general_commands(&file));
    report("dump", "crate vcd", &file, &race);
}

#[divan::bench(args = [false, true], sample_count = 5, sample_size = 1)]
fn log_to_lines(bencher: Bencher<'_, '_>, stamped: bool) {
    let file = generate::log(SIZE, stamped);
    bencher.counter(BytesCount::new(file.len())).with_inputs(|| Cursor::new(file.clone())).bench_values(
        |reader| {
            let Ok(mut log) = TextLog::new(Box::new(reader)) else { return 0 };
            let mut total = 0;
            while let Ok(Pulled::Chunk(chunk)) = log.pull() {
                total += black_box(chunk.bytes).len();
            }
            total
        },
    );
}
