//! `tare export`: everything of a kitroom as JSON lines. The first line says what it is; each other line is a record, after
//! those that it refers to:
//!
//! ```text
//! {"tarebook_export":1,"kitroom":{"id":"…","name":"Runner A","purpose":"personal"},"exported_at":"…","records":2}
//! {"kind":"item","record":{"id":"…","name":"shell jacket A","kind":"shell_jacket",…}}
//! {"kind":"weighing","record":{"id":"…","item_id":"…","reading_g":412,…}}
//! ```
//!
//! A record has the fields that the API shows, without derived ones: what is derived is computed anew. A voided fact has
//! `voided`; a deleted record has `"deleted":true` beside `record`.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, ValueHint};
use domain::kinds::KINDS;
use domain::sync::record::Stored;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

use super::order;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Kitroom, Store};
use crate::render::count;

/// The version of the format.
pub const FORMAT: u64 = 1;
/// The field that marks the first line.
pub const MARK: &str = "tarebook_export";

/// Where the export goes.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// The file; standard output when left out.
    #[arg(value_hint = ValueHint::FilePath)]
    pub file: Option<PathBuf>,
    /// Write over a file that is there.
    #[arg(long, requires = "file")]
    pub force: bool,
}

/// Exports a kitroom, history and what was taken back included.
///
/// # Errors
/// When the store cannot be read, or the file cannot be written or is there already.
pub fn cmd_export(app: &mut App<'_>, args: &ExportArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let (text, records) = export(&store, &room)?;
    let place = match &args.file {
        Some(file) => {
            write(file, &text, args.force)?;
            file.display().to_string()
        }
        None => {
            app.ui.data(&text)?;
            "standard output".to_owned()
        }
    };
    let unknown = store.unknown_records(room.id)?;
    let refused = store.outbox_counts(room.id)?.rejected;
    let mut words = format!("{} of {} written to {place}", count(records, "record"), room.name);
    if unknown > 0 {
        words.push_str(&format!(
            "\n{} of kinds that this version does not know left out",
            count(unknown, "record")
        ));
    }
    if refused > 0 {
        words.push_str(&format!("\n{} not in it: tare conflict list", count(refused, "refused change")));
    }
    if args.file.is_some() {
        return app.done(&words, || {
            json!({ "kitroom": room.name, "file": place, "records": records, "left_out": unknown, "refused": refused })
        });
    }
    app.ui.say(&words);
    Ok(())
}

/// The text of an export, and how many records it has.
fn export(store: &Store, room: &Kitroom) -> Result<(String, i64)> {
    let (mut lines, mut records) = (String::new(), 0);
    for kind in KINDS.iter().filter(|kind| order::making(kind).is_some()) {
        let stored: Vec<Stored> = store.records(room.id, kind)?;
        let bodies: Vec<(Uuid, &Object)> = stored.iter().map(|record| (record.id, &record.body)).collect();
        for at in order::by_reference(kind, &bodies) {
            let mut line = json!({ "kind": kind.name, "record": stored[at].to_wire() });
            if stored[at].deleted {
                line["deleted"] = json!(true);
            }
            lines.push_str(&line.to_string());
            lines.push('\n');
            records += 1;
        }
    }
    let head: Value = json!({
        MARK: FORMAT,
        "kitroom": { "id": room.id, "name": room.name, "purpose": room.purpose.name() },
        "exported_at": store.env().now(),
        "records": records,
    });
    Ok((format!("{head}\n{lines}"), records))
}

/// Writes a file whole or not at all, readable only by its owner.
fn write(file: &Path, text: &str, force: bool) -> Result<()> {
    let failed = |error: std::io::Error| {
        Error::refused(format!("{} cannot be written", file.display())).because(error)
    };
    if file.exists() && !force {
        return Err(Error::refused(format!("{} is there already", file.display()))
            .hint("choose another name, or write over it with --force"));
    }
    let mut part = file.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let written = options.open(&part).and_then(|mut out| {
        out.write_all(text.as_bytes())?;
        out.sync_all()
    });
    written.and_then(|()| fs::rename(&part, file)).map_err(|error| {
        // What was begun is of no use.
        let _ = fs::remove_file(&part);
        failed(error)
    })
}
