//! What went wrong, why, and what to do next. The kind alone decides the exit code.

use std::fmt;

use domain::wire::problem::{ErrorCode, Problem};
use serde_json::json;

/// What sort of failure it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Understood, and refused.
    Refused,
    /// The command line or the input is not what the command takes.
    Usage,
    /// No answer from the service.
    Unreachable,
    /// Done, but something waits for a person.
    Waiting,
    /// A fault of the program or of the disk.
    Internal,
}

impl Kind {
    /// The exit code.
    #[must_use]
    pub fn exit_code(self) -> u8 {
        match self {
            Kind::Refused => 1,
            Kind::Usage => 2,
            Kind::Unreachable => 3,
            Kind::Waiting => 4,
            Kind::Internal => 70,
        }
    }

    /// The name in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Kind::Refused => "refused",
            Kind::Usage => "usage",
            Kind::Unreachable => "unreachable",
            Kind::Waiting => "waiting",
            Kind::Internal => "internal",
        }
    }
}

/// A failure as it is shown.
#[derive(Debug, Clone, PartialEq)]
pub struct Error {
    /// Its kind.
    pub kind: Kind,
    /// What happened.
    pub what: String,
    /// Why.
    pub why: Option<String>,
    /// What to do next.
    pub hint: Option<String>,
    /// The problem that it came from.
    pub problem: Option<Box<Problem>>,
}

/// Or a failure as it is shown.
pub type Result<T, E = Error> = std::result::Result<T, E>;

impl Error {
    fn new(kind: Kind, what: impl Into<String>) -> Self {
        Self { kind, what: what.into(), why: None, hint: None, problem: None }
    }

    /// Refused.
    pub fn refused(what: impl Into<String>) -> Self {
        Self::new(Kind::Refused, what)
    }

    /// Not what the command takes.
    pub fn usage(what: impl Into<String>) -> Self {
        Self::new(Kind::Usage, what)
    }

    /// No answer.
    pub fn unreachable(what: impl Into<String>) -> Self {
        Self::new(Kind::Unreachable, what)
    }

    /// A fault of the program or of the disk.
    pub fn internal(what: impl Into<String>) -> Self {
        Self::new(Kind::Internal, what)
    }

    /// With the cause.
    #[must_use]
    pub fn because(mut self, why: impl fmt::Display) -> Self {
        self.why = Some(why.to_string());
        self
    }

    /// With what to do next.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// A change that was refused by the rules of its kind.
    #[must_use]
    pub fn of_problem(what: impl Into<String>, problem: Problem) -> Self {
        let why = reasons(&problem);
        Self { why: Some(why), problem: Some(Box::new(problem)), ..Self::refused(what) }
    }

    /// The code of the problem behind it.
    #[must_use]
    pub fn code(&self) -> Option<ErrorCode> {
        self.problem.as_ref().and_then(|problem| problem.code())
    }

    /// As JSON, for scripts.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        json!({ "error": {
            "kind": self.kind.name(), "what": self.what, "why": self.why, "hint": self.hint, "problem": self.problem,
        }})
    }
}

/// A problem's reasons in words: each wrong field by its name, else the detail.
#[must_use]
pub fn reasons(problem: &Problem) -> String {
    if problem.errors.is_empty() {
        return problem.detail.clone().unwrap_or_else(|| problem.title.clone());
    }
    let named = problem.errors.iter().map(|error| {
        let field = error.pointer.trim_start_matches('/').replace('/', ".");
        if field.is_empty() { error.detail.clone() } else { format!("{field}: {}", error.detail) }
    });
    named.collect::<Vec<_>>().join("; ")
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)?;
        if let Some(why) = &self.why {
            write!(f, "\n  because: {why}")?;
        }
        if let Some(hint) = &self.hint {
            write!(f, "\n  next:    {hint}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}

impl From<rusqlite::Error> for Error {
    fn from(error: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Sqlite;
        let hint = match error.sqlite_error_code() {
            Some(Sqlite::DatabaseBusy | Sqlite::DatabaseLocked) => {
                "another tare is writing; try again when it is done"
            }
            Some(Sqlite::DiskFull) => {
                "make room on the disk and try again; what was confirmed before is safe"
            }
            Some(Sqlite::DatabaseCorrupt | Sqlite::NotADatabase) => {
                "copy the folder away before anything else, then run: tare doctor"
            }
            Some(Sqlite::ReadOnly | Sqlite::PermissionDenied | Sqlite::CannotOpen) => {
                "check that you may write to the folder that `tare doctor` names"
            }
            _ => "run: tare doctor",
        };
        Self::internal("the local store could not be read or written").because(error).hint(hint)
    }
}

impl From<std::io::Error> for Error {
    fn from(error: std::io::Error) -> Self {
        Self::internal("reading or writing failed").because(error)
    }
}

impl From<serde_json::Error> for Error {
    fn from(error: serde_json::Error) -> Self {
        Self::internal("what is stored cannot be read as JSON").because(error).hint("run: tare doctor")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::wire::problem::FieldError;

    #[test]
    fn display_has_what_why_and_what_next() {
        let error = Error::refused("not saved").because("5200 g is over 5000 g").hint("use another scale");
        assert_eq!(
            error.to_string(),
            "not saved\n  because: 5200 g is over 5000 g\n  next:    use another scale"
        );
    }

    #[test]
    fn reasons_every_wrong_field_is_named() {
        let problem = Problem::invalid(vec![
            FieldError::new("/reading_g", "out-of-range", "must be above 0 g"),
            FieldError::new("/attributes/Hood", "invalid", "no capitals"),
        ]);
        assert_eq!(reasons(&problem), "reading_g: must be above 0 g; attributes.Hood: no capitals");
    }

    #[test]
    fn exit_code_each_kind_has_the_documented_one() {
        let codes = [Kind::Refused, Kind::Usage, Kind::Unreachable, Kind::Waiting, Kind::Internal]
            .map(Kind::exit_code);
        assert_eq!(codes, [1, 2, 3, 4, 70]);
    }
}
