//! Counts the records of a CSV file with the general-purpose `csv` crate: the yardstick for `decode`.

use std::io::Write;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("usage: csv_rows FILE")?;
    let mut reader = csv::ReaderBuilder::new().buffer_capacity(1 << 20).from_path(path)?;
    let mut record = csv::ByteRecord::new();
    let (mut rows, mut ones) = (0u64, 0u64);
    while reader.read_byte_record(&mut record)? {
        rows += 1;
        ones += u64::from(record.get(1) == Some(b"1"));
    }
    writeln!(std::io::stdout(), "{rows} rows, {ones} ones")?;
    Ok(())
}
