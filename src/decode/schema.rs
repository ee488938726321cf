//! JSON Schema of protocol files, made from the types that read them, for editors that complete and check TOML.
//!
//! A schema says what may stand where; what the words mean together (a record that can give its event, two keys
//! that read the same) only `protocol check` says.

use serde_json::Value;

use crate::decode::protocol::ChassisFile;

/// The sorts of protocol file, by the folder that they stand in.
pub const SORTS: [&str; 3] = ["chassis", "remote", "bus"];

/// The schema of one sort of file, draft 2020-12; `None` for a word that is not in [`SORTS`].
///
/// # Example
/// ```
/// let schema = straykey::decode::schema::of("chassis").unwrap();
/// assert_eq!(schema["required"], serde_json::json!(["chassis"]));
/// ```
pub fn of(sort: &str) -> Option<Value> {
    let mut schema = match sort {
        "chassis" => schemars::schema_for!(ChassisFile),
        "remote" => crate::decode::infrared::schema(),
        "bus" => crate::decode::cec::schema(),
        _ => return None,
    };
    schema.insert("title".to_owned(), format!("straykey protocol file: {sort}").into());
    Some(schema.into())
}
