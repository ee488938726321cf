//! Check sums of the rows of captures and findings.

use crate::timeline::store::blocks;
use rusqlite::Connection;

/// Checksum of a row of `captures`; a number that is not known is none of a known one.
pub(crate) fn capture_sum(numbers: [Option<i64>; 5], texts: [&str; 5]) -> i64 {
    let numbers: Vec<i64> =
        numbers.iter().flat_map(|number| [i64::from(number.is_some()), number.unwrap_or(0)]).collect();
    blocks::sum(&numbers, &texts.map(str::as_bytes))
}

pub(crate) fn finding_sum(about: &str, kind: &str, json: &str) -> i64 {
    blocks::sum(&[], &[about, kind, json].map(str::as_bytes))
}

/// Whether the rows of `captures` and `findings` have their sums.
pub(crate) fn check(connection: &Connection) -> rusqlite::Result<bool> {
    let mut captures = connection.prepare(
        "SELECT stage, bytes, start_ns, end_ns, events, name, file, hands, ifnull(sha256, ''), decoders, sum FROM captures",
    )?;
    let mut rows = captures.query([])?;
    while let Some(row) = rows.next()? {
        let numbers = [row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?];
        let texts: [String; 5] = [row.get(5)?, row.get(6)?, row.get(7)?, row.get(8)?, row.get(9)?];
        if row.get::<_, i64>(10)? != capture_sum(numbers, texts.each_ref().map(String::as_str)) {
            return Ok(false);
        }
    }
    let mut findings = connection.prepare("SELECT about, kind, json, sum FROM findings")?;
    let mut rows = findings.query([])?;
    while let Some(row) = rows.next()? {
        let [about, kind, json]: [String; 3] = [row.get(0)?, row.get(1)?, row.get(2)?];
        if row.get::<_, i64>(3)? != finding_sum(&about, &kind, &json) {
            return Ok(false);
        }
    }
    Ok(true)
}
