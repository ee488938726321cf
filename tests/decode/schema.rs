//! The committed schemas are those of the types; `tests/reference/schema.py` validates the shipped files with them.

use std::fs;
use std::path::Path;

use straykey::decode::schema;

#[test]
fn the_committed_schemas_are_those_of_the_types() {
    for sort in schema::SORTS {
        let path =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/schema").join(format!("{sort}.json"));
        let text = fs::read_to_string(&path).unwrap();
        let committed: serde_json::Value = serde_json::from_str(&text).unwrap();
        let help = format!("run `straykey protocol schema {sort} >protocols/schema/{sort}.json`");
        assert_eq!(Some(committed), schema::of(sort), "{} is not current: {help}", path.display());
    }
    assert!(schema::of("chasis").is_none());
}
