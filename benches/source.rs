//! Capture files: logic tables against the general CSV reader's byte records, and value change dumps;
//! text logs, for the share of the reader in the time of a decoder.
//!
//! `cargo bench --bench source`. The files are invented data, made in memory by `generate`, so that the disk
//! is not measured. Compare the lines of one run with each other, not with other machines.

mod generate;

use std::io::Cursor;

use divan::counter::BytesCount;
use divan::{Bencher, black_box};
use straykey::source::csv::{CsvOptions, CsvSource};
use straykey::source::text::TextLog;
use straykey::source::vcd::{VcdOptions, VcdSource};
use straykey::source::{ByteSource, Pulled, SampleSource};

/// Bytes of each file.
const SIZE: usize = 64 << 20;

fn main() {
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
        Table::Trimmed => generate::trimmed(SIZE / 4),
        Table::Analog => generate::analog(SIZE / 4),
    }
}

#[divan::bench(args = [Table::Samples, Table::Changes, Table::Trimmed, Table::Analog], sample_count = 5, sample_size = 1)]
fn table_to_changes(bencher: Bencher<'_, '_>, kind: Table) {
    let file = table(kind);
    bencher.counter(BytesCount::new(file.len())).with_inputs(|| Cursor::new(file.clone())).bench_values(
        |reader| {
            let Ok(mut source) = CsvSource::new(Box::new(reader), CsvOptions::default()) else { return 0 };
            let mut changes = Vec::new();
            let mut total = 0;
            while let Ok(true) = source.pull(&mut changes) {
                total += black_box(&changes).len();
                changes.clear();
            }
            total
        },
    );
}

#[divan::bench(args = [Table::Samples, Table::Changes, Table::Trimmed, Table::Analog], sample_count = 5, sample_size = 1)]
fn general_byte_records(bencher: Bencher<'_, '_>, kind: Table) {
    let file = table(kind);
    bencher.counter(BytesCount::new(file.len())).with_inputs(|| Cursor::new(file.clone())).bench_values(
        |file| {
            let mut reader = csv::Reader::from_reader(file);
            let mut record = csv::ByteRecord::new();
            let mut total = 0;
            while let Ok(true) = reader.read_byte_record(&mut record) {
                total += black_box(&record).len();
            }
            total
        },
    );
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn dump_to_changes(bencher: Bencher<'_, '_>) {
    let file = generate::dump(SIZE);
    bencher.counter(BytesCount::new(file.len())).with_inputs(|| Cursor::new(file.clone())).bench_values(
        |reader| {
            let Ok(mut source) = VcdSource::new(Box::new(reader), VcdOptions::default()) else { return 0 };
            let mut changes = Vec::new();
            let mut total = 0;
            while let Ok(true) = source.pull(&mut changes) {
                total += black_box(&changes).len();
                changes.clear();
            }
            total
        },
    );
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
