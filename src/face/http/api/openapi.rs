//! The description of all requests, OpenAPI 3.1, made from the table of routes.

use schemars::generate::SchemaSettings;
use schemars::{Schema, SchemaGenerator};
use serde_json::{Map, Value, json};

use crate::face::http::api::{Route, made};
use crate::face::http::error::ErrorAnswer;

/// The description.
///
/// # Source
/// OpenAPI Specification 3.1.0; schemas are JSON Schema 2020-12.
pub fn description(routes: &[Route]) -> Value {
    let mut settings = SchemaSettings::draft2020_12();
    settings.definitions_path = "/components/schemas".into();
    settings.meta_schema = None;
    let mut generator = settings.into_generator();
    let mut paths: Map<String, Value> = Map::new();
    for route in routes {
        let method = route.method.as_str().to_ascii_lowercase();
        let operation = operation(route, &mut generator);
        paths.entry(route.path).or_insert_with(|| json!({}))[method] = operation;
    }
    let schemas = generator.take_definitions(true);
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "straykey bench daemon",
            "version": "1",
            "description": "Ports, jobs, live events and findings of one bench.",
            "license": { "name": "MIT OR Apache-2.0", "identifier": "MIT OR Apache-2.0" },
        },
        "servers": [{ "url": "/" }],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": { "type": "http", "scheme": "bearer" },
                "cookie": { "type": "apiKey", "in": "cookie", "name": "straykeyPORT" },
            },
        },
        "security": [{ "token": [] }, { "cookie": [] }],
    })
}

fn operation(route: &Route, generator: &mut SchemaGenerator) -> Value {
    let content = |schema: Value| json!({ route.kind: { "schema": schema } });
    let answer = match route.answer {
        Some(answer) => content(answer(generator).to_value()),
        None if route.kind == "application/json" => content(json!({ "type": "object" })),
        None => content(json!({ "type": "string" })),
    };
    let error = json!({ "application/json": { "schema": made::<ErrorAnswer>(generator).to_value() } });
    let mut operation = json!({
        "operationId": id(route),
        "summary": route.about,
        "parameters": parameters(route, generator),
        "responses": {
            route.status.as_str(): { "description": "done", "content": answer },
            "default": { "description": "what is wrong, where, and what to do", "content": error },
        },
    });
    if let Some(body) = route.body {
        operation["requestBody"] = json!({
            "required": true,
            "content": { "application/json": { "schema": body(generator).to_value() } },
        });
    }
    operation
}

fn id(route: &Route) -> String {
    let path = route.path.trim_start_matches("/api/v1");
    let words: Vec<&str> =
        path.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty()).collect();
    format!("{}_{}", route.method.as_str().to_ascii_lowercase(), words.join("_"))
}

fn parameters(route: &Route, generator: &mut SchemaGenerator) -> Vec<Value> {
    let mut list: Vec<Value> = route
        .path
        .split('/')
        .filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'))
        .map(|name| {
            json!({
                "name": name, "in": "path", "required": true,
                "schema": { "type": "string", "pattern": "^[A-Za-z0-9_-][A-Za-z0-9._-]{0,63}$" },
            })
        })
        .collect();
    if let Some(query) = route.query {
        // The fields themselves, not a reference to them.
        let schema = whole(query(generator), generator);
        let required = schema.get("required").cloned().unwrap_or(Value::Null);
        let fields = schema.get("properties").and_then(Value::as_object).cloned().unwrap_or_default();
        for (name, schema) in fields {
            let needed = required.as_array().is_some_and(|list| list.iter().any(|word| *word == name));
            list.push(json!({ "name": name, "in": "query", "required": needed, "schema": schema }));
        }
    }
    list
}

fn whole(schema: Schema, generator: &SchemaGenerator) -> Value {
    let value = schema.to_value();
    let name = value.get("$ref").and_then(Value::as_str).and_then(|path| path.rsplit('/').next());
    match name.and_then(|name| generator.definitions().get(name)) {
        Some(found) => found.clone(),
        None => value,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The router is made by a fold over the same table, so a route that is not described cannot be reached.
    #[test]
    fn every_route_is_described_once() {
        let routes = super::super::routes();
        let described = description(&routes);
        let mut ids = std::collections::BTreeSet::new();
        for route in &routes {
            let method = route.method.as_str().to_ascii_lowercase();
            let operation = &described["paths"][route.path][method];
            assert!(operation["summary"].as_str().is_some_and(|text| !text.is_empty()), "{}", route.path);
            assert!(ids.insert(operation["operationId"].as_str().unwrap().to_owned()), "{}", route.path);
            if route.method == axum::http::Method::POST {
                assert!(operation["requestBody"].is_object(), "{} says what it takes", route.path);
            }
        }
        assert!(routes.len() > 25);
    }
}
