//! The OpenAPI document: what the routes declare, and what every operation has in common.

pub mod bodies;
mod examples;
mod finish;

use std::sync::OnceLock;

use actix_web::App;
use utoipa::openapi::path::{HttpMethod, Operation, PathItem};
use utoipa::openapi::{Info, License, OpenApi, OpenApiBuilder};
use utoipa_actix_web::AppExt;

use crate::routes;

/// The document. It is made once in a process: its examples are computed.
#[must_use]
pub fn document() -> OpenApi {
    static DOCUMENT: OnceLock<OpenApi> = OnceLock::new();
    DOCUMENT.get_or_init(make).clone()
}

fn make() -> OpenApi {
    let mut info = Info::new("Tarebook", env!("CARGO_PKG_VERSION"));
    info.description = Some(
        "The gear database and weight log for ultra-distance trail runners and their clubs. Units are in the fields' \
         names. Unknown is never zero: a mass that nobody weighed is absent. Meeting a list is not being safe: the \
         organiser's rules and decisions, local law and mountain rescue come first."
            .into(),
    );
    let mut license = License::new("MIT OR Apache-2.0");
    license.identifier = Some("MIT OR Apache-2.0".into());
    info.license = Some(license);
    let base = OpenApiBuilder::new().info(info).build();
    let (_, mut document) =
        App::new().into_utoipa_app().openapi(base).configure(routes::configure).split_for_parts();
    finish::finish(&mut document);
    document
}

/// As pretty JSON with a line break at its end.
#[must_use]
pub fn to_json(document: &OpenApi) -> String {
    document.to_pretty_json().unwrap_or_default() + "\n"
}

pub(crate) fn operations(item: &mut PathItem) -> Vec<(HttpMethod, &mut Operation)> {
    [
        (HttpMethod::Get, item.get.as_mut()),
        (HttpMethod::Post, item.post.as_mut()),
        (HttpMethod::Put, item.put.as_mut()),
        (HttpMethod::Patch, item.patch.as_mut()),
        (HttpMethod::Delete, item.delete.as_mut()),
    ]
    .into_iter()
    .filter_map(|(method, operation)| Some((method, operation?)))
    .collect()
}

/// The methods that an address takes; none for an address that does not exist.
#[must_use]
pub fn methods_of(document: &OpenApi, path: &str) -> Vec<&'static str> {
    let mut methods = Vec::new();
    // An address that is written out is not one that a parameter could stand for.
    let written_out = document.paths.paths.contains_key(path);
    for (pattern, item) in &document.paths.paths {
        if if written_out { pattern == path } else { matches(pattern, path) } {
            let named = [
                ("GET", item.get.is_some()),
                ("POST", item.post.is_some()),
                ("PUT", item.put.is_some()),
                ("PATCH", item.patch.is_some()),
                ("DELETE", item.delete.is_some()),
            ];
            methods.extend(named.into_iter().filter(|(_, there)| *there).map(|(name, _)| name));
        }
    }
    methods
}

fn matches(pattern: &str, path: &str) -> bool {
    let (mut pattern, mut path) = (pattern.split('/'), path.split('/'));
    loop {
        match (pattern.next(), path.next()) {
            (None, None) => return true,
            (Some(expected), Some(given))
                if expected == given || (expected.starts_with('{') && !given.is_empty()) => {}
            _ => return false,
        }
    }
}
