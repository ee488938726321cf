//! The facts of a report as a data block inside the page, and the hash that lets the page's style pass its own policy.

use std::collections::BTreeMap;

use ring::digest::{SHA256, digest};
use serde_json::{Value, json};

use crate::base::words::plural;
use crate::face::drawing::{Door, is_inert};
use crate::face::report::facts::Report;
use crate::face::report::html::Part;
use crate::face::report::lanes::StageTimeline;
use crate::face::report::sections::Section;
use crate::timeline::job::Hands;
use crate::timeline::mask::{Private, mask_text};

/// The facts without the timeline, and what was masked in them. Names of fields are those of the command line's JSON
/// where there is one.
pub(super) fn value(report: &Report<'_>, sections: &[Section]) -> (Value, Vec<String>) {
    let state = report.state;
    let located = &state.locate;
    let mut value = json!({
        "version": 1,
        "set": state.set,
        "chassis": report.chassis(),
        "complaint": state.complaint.as_deref().unwrap_or_default(),
        "technician": state.technician,
        "written": report.written,
        "notices": report.notices(),
        "concluding_stage": report.conclusion().map(|(_, stage, _)| stage.stage),
        "captures": captures(report),
        "stages": stages(report),
        // The labels alone, to be masked and counted; the page puts the lanes in.
        "timeline": report.timeline.iter().flat_map(|stage| &stage.lanes).map(|lane| &lane.label).collect::<Vec<_>>(),
        "patterns": patterns(report),
        "comparisons": comparisons(report),
        "path": located.path,
        "locations": located.locations,
        "ladder": located.ladder,
        "windows": report.windows,
        "next": located.next,
        "steps": located.steps,
        "also": located.also,
        "topics": sections,
        "method": report.methods(),
        "masked": [],
        "versions": {
            "straykey": env!("CARGO_PKG_VERSION"),
            "decoders": report.decoder.iter().collect::<Vec<_>>(),
            "seed": state.seed,
        },
    });
    let mut found: BTreeMap<(String, Private), u64> = BTreeMap::new();
    if report.door == Door::Masking {
        for (field, inside) in value.as_object_mut().into_iter().flatten() {
            mask(inside, &mut |kind| *found.entry((field.clone(), kind)).or_default() += 1);
        }
    }
    let masked: Vec<String> = found
        .into_iter()
        .map(|((field, kind), count)| format!("{} in {field}", plural(count, kind.words())))
        .collect();
    value["masked"] = json!(masked);
    (value, masked)
}

fn mask(value: &mut Value, found: &mut dyn FnMut(Private)) {
    match value {
        Value::String(text) => {
            let (masked, kinds) = mask_text(text);
            kinds.into_iter().for_each(&mut *found);
            *text = masked;
        }
        Value::Array(list) => list.iter_mut().for_each(|value| mask(value, found)),
        Value::Object(fields) => fields.values_mut().for_each(|value| mask(value, found)),
        _ => {}
    }
}

fn captures(report: &Report<'_>) -> Vec<Value> {
    let captures = report.state.stages.iter().flat_map(|stage| {
        stage.captures.iter().map(|capture| {
            json!({
                "name": capture.name,
                "stage": stage.stage,
                "source": report.source(&capture.source),
                "hands_off": capture.hands == Hands::Off,
                "started": capture.started,
                "span_s": capture.span_s.unwrap_or(0.0),
                "bytes": capture.bytes.unwrap_or(0),
                "sha256": capture.sha256,
            })
        })
    });
    captures.collect()
}

fn stages(report: &Report<'_>) -> Vec<Value> {
    let stages = report.state.stages.iter().map(|stage| {
        json!({
            "number": stage.stage,
            "step": stage.step,
            "kind": stage.kind,
            "parts": stage.parts,
            "observed": stage.figures,
            "keys": stage.keys,
        })
    });
    stages.collect()
}

/// What is an object, with more fields.
fn with(mut value: Value, more: &[(&str, Value)]) -> Value {
    for (name, field) in more {
        value[*name] = field.clone();
    }
    value
}

fn patterns(report: &Report<'_>) -> Vec<Value> {
    let patterns = report.state.stages.iter().flat_map(|stage| {
        stage.patterns.iter().map(|pattern| {
            let folded = report.folded.get(&(stage.stage, pattern.id));
            let more = [
                ("id", json!(pattern.id.to_string())),
                ("stage", json!(stage.stage)),
                ("folded", json!(folded)),
            ];
            with(json!(pattern), &more)
        })
    });
    patterns.collect()
}

fn comparisons(report: &Report<'_>) -> Vec<Value> {
    let compared = report.compared().map(|(before, stage, comparison)| {
        let more = [("before_stage", json!(before)), ("after_stage", json!(stage.stage))];
        with(json!(comparison), &more)
    });
    compared.collect()
}

/// `<script type="application/json">` with the facts. Nothing in it can end the block or start another: `<`, `>`, `&`
/// and the characters that hide or turn text are written as escapes, which mean the same in JSON.
pub(super) fn block(value: &Value, timeline: &[StageTimeline]) -> Part {
    let text = with(value.clone(), &[("timeline", json!(timeline))]).to_string();
    let mut out = String::from("<script type=\"application/json\" id=\"straykey-report\">");
    for c in text.chars() {
        match c {
            '<' => out.push_str("\\u003c"),
            '>' => out.push_str("\\u003e"),
            '&' => out.push_str("\\u0026"),
            c if is_inert(c) => out.push(c),
            c => {
                for unit in c.encode_utf16(&mut [0; 2]) {
                    out.push_str(&format!("\\u{unit:04x}"));
                }
            }
        }
    }
    out.push_str("</script>\n");
    Part(out)
}

/// A content-security-policy source for an inline block: `sha256-` and the Base64 of its SHA-256.
///
/// # Source
/// W3C, Content Security Policy Level 2, hash-source; RFC 4648, section 4.
pub(super) fn hash_source(text: &str) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let sum = digest(&SHA256, text.as_bytes());
    let mut out = String::from("sha256-");
    for group in sum.as_ref().chunks(3) {
        let word =
            group.iter().fold(0u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - group.len()));
        for i in 0..4usize {
            // Six bits at a time; what lies beyond the last byte is padding.
            let sextet = (word >> (18 - 6 * i)) & 63;
            let letter = ALPHABET.get(sextet as usize).copied().unwrap_or(b'=');
            out.push(if i <= group.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::hash_source;

    /// Source: FIPS 180-2, appendix B.1, SHA-256 of "abc" = ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c
    /// b410ff61 f20015ad; its Base64 by coreutils.
    #[test]
    fn the_hash_is_sha_256_in_base_64() {
        assert_eq!(hash_source("abc"), "sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0=");
    }
}
