//! Text fields with a length limit, without control characters and without blank ends.

use std::fmt;

use serde::{Deserialize, Deserializer, Serialize};

/// Text of 1 to `MAX` characters. Blank space at either end is cut off; control characters other than a line break
/// or a tab are refused, because they garble a terminal.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Text<const MAX: usize>(String);

impl<const MAX: usize> Text<MAX> {
    /// Checks and trims.
    ///
    /// # Errors
    /// In words, when the text is empty, too long, or holds a control character.
    pub fn new(text: &str) -> Result<Self, String> {
        if let Some(c) = text.chars().find(|c| c.is_control() && *c != '\n' && *c != '\t') {
            return Err(format!("holds the control character U+{:04X}", u32::from(c)));
        }
        let text = text.trim();
        if text.is_empty() {
            return Err("must not be empty".into());
        }
        let length = text.chars().count();
        if length > MAX {
            return Err(format!("has {length} characters; at most {MAX} are allowed"));
        }
        Ok(Self(text.to_owned()))
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl<const MAX: usize> fmt::Display for Text<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<const MAX: usize> From<Text<MAX>> for String {
    fn from(text: Text<MAX>) -> String {
        text.0
    }
}

impl<'de, const MAX: usize> Deserialize<'de> for Text<MAX> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = <std::borrow::Cow<'_, str>>::deserialize(deserializer)?;
        Self::new(&text).map_err(serde::de::Error::custom)
    }
}

#[cfg(feature = "openapi")]
impl<const MAX: usize> utoipa::PartialSchema for Text<MAX> {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        crate::openapi::text(MAX)
    }
}

#[cfg(feature = "openapi")]
impl<const MAX: usize> utoipa::ToSchema for Text<MAX> {
    fn name() -> std::borrow::Cow<'static, str> {
        std::borrow::Cow::Owned(format!("Text{MAX}"))
    }
}

/// A name.
pub type Name = Text<120>;
/// A short mark: a size, a tag.
pub type Mark = Text<60>;
/// Free text.
pub type Note = Text<4000>;
