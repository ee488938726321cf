//! The bench page: plain files, served as they stand. There is no step between what is here and what the browser runs.

use axum::http::HeaderValue;
use ring::digest::{SHA256, digest};

use crate::journal::hexadecimal;

/// A file of the page.
#[derive(Clone, Copy, Debug)]
pub struct Asset {
    /// Where it is served: `/` or `/name`.
    pub path: &'static str,
    /// Its media type.
    pub kind: &'static str,
    /// Its content.
    pub bytes: &'static [u8],
}

const SCRIPT: &str = "text/javascript; charset=utf-8";

macro_rules! scripts {
    ($($name:literal)*) => {
        &[
            Asset { path: "/", kind: "text/html; charset=utf-8", bytes: include_bytes!("index.html") },
            Asset { path: "/page.css", kind: "text/css; charset=utf-8", bytes: include_bytes!("page.css") },
            Asset { path: "/mark.svg", kind: "image/svg+xml", bytes: include_bytes!("mark.svg") },
            $(Asset { path: concat!("/", $name), kind: SCRIPT, bytes: include_bytes!($name) },)*
        ]
    };
}

/// All files of the page; the first is what `/` shows.
pub const ASSETS: &[Asset] = scripts![
    "app.js" "bench.js" "blocks.js" "cards.js" "cautions.js" "check.js" "detail.js" "dom.js" "draw.js" "glance.js"
    "jobs.js" "keys.js" "lanes.js" "link.js" "news.js" "pointer.js" "port.js" "provoke.js" "provoke_words.js" "span.js"
    "tasks.js" "tone.js" "words.js"
];

/// A file with its tag.
#[derive(Clone, Debug)]
pub struct Tagged {
    pub(crate) asset: Asset,
    pub(crate) tag: HeaderValue,
}

/// Files with tags by their content.
pub fn tagged(assets: &[Asset]) -> Vec<Tagged> {
    assets
        .iter()
        .map(|asset| {
            let sum = hexadecimal(digest(&SHA256, asset.bytes).as_ref());
            let tag = format!("\"{}\"", sum.get(..16).unwrap_or_default());
            Tagged {
                asset: *asset,
                tag: HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("\"\"")),
            }
        })
        .collect()
}
