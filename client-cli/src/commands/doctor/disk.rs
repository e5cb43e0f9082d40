//! The folder: who can read it, and whether there is room.

use super::Finding;
use crate::config::Env;

/// Less room than this is too little: a change, a page and SQLite's own files need some.
#[cfg(target_os = "linux")]
const LEAST_FREE: u64 = 64 * 1024 * 1024;

/// Privacy and room.
pub(super) fn findings(env: &Env) -> Vec<Finding> {
    let mut findings = privacy(env);
    findings.extend(room(env));
    findings
}

#[cfg(unix)]
fn privacy(env: &Env) -> Vec<Finding> {
    use std::os::unix::fs::PermissionsExt;
    let open = |path: &std::path::Path| {
        std::fs::metadata(path).is_ok_and(|data| data.permissions().mode() & 0o077 != 0)
    };
    let about = "privacy";
    if open(&env.home) {
        let words = format!("others can enter the folder; run: chmod 700 {}", env.home.display());
        return vec![Finding::new(about, false, words)];
    }
    let entries = std::fs::read_dir(&env.home).into_iter().flatten().flatten();
    let mut readable: Vec<String> = entries
        .filter(|entry| open(&entry.path()))
        .filter_map(|entry| entry.file_name().into_string().ok())
        .collect();
    readable.sort();
    if readable.is_empty() {
        return vec![Finding::new(about, true, "the folder and its files are yours alone")];
    }
    let words = format!(
        "others could read {} if they got into the folder; run: chmod 600 {}/*",
        readable.join(", "),
        env.home.display()
    );
    vec![Finding::new(about, false, words)]
}

#[cfg(not(unix))]
fn privacy(_: &Env) -> Vec<Finding> {
    Vec::new()
}

#[cfg(target_os = "linux")]
fn room(env: &Env) -> Vec<Finding> {
    let Ok(disk) = rustix::fs::statvfs(&env.home) else { return Vec::new() };
    let free = disk.f_bavail.saturating_mul(disk.f_frsize);
    let words =
        if free >= 1 << 30 { format!("{} GB free", free >> 30) } else { format!("{} MB free", free >> 20) };
    if free >= LEAST_FREE {
        return vec![Finding::new("room", true, words)];
    }
    vec![Finding::new("room", false, format!("{words}: too little to save changes; make room on this disk"))]
}

#[cfg(not(target_os = "linux"))]
fn room(_: &Env) -> Vec<Finding> {
    Vec::new()
}
