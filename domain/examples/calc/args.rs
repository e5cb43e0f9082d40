//! The arguments of a question, by name.

use domain::no_estimate::NoEstimate;
use serde_json::Value;

/// Why a question has no answer.
#[derive(Debug)]
pub enum Refusal {
    /// The computation refuses, which is an answer that the checks compare.
    NoEstimate(NoEstimate),
    /// The question itself is wrong.
    Question(String),
}

impl From<NoEstimate> for Refusal {
    fn from(reason: NoEstimate) -> Self {
        Self::NoEstimate(reason)
    }
}

/// Named arguments.
pub struct Args<'a>(&'a Value);

fn as_number(value: &Value) -> Option<f64> {
    if value.is_null() { Some(f64::NAN) } else { value.as_f64() }
}

impl<'a> Args<'a> {
    /// Over a JSON object.
    pub fn new(value: &'a Value) -> Self {
        Self(value)
    }

    fn get(&self, name: &str) -> Result<&'a Value, Refusal> {
        self.0.get(name).ok_or_else(|| Refusal::Question(format!("no argument {name}")))
    }

    /// A number; `null` is NaN.
    pub fn number(&self, name: &str) -> Result<f64, Refusal> {
        as_number(self.get(name)?).ok_or_else(|| Refusal::Question(format!("{name} is not a number")))
    }

    /// A whole number that is not negative.
    pub fn whole(&self, name: &str) -> Result<u64, Refusal> {
        self.get(name)?.as_u64().ok_or_else(|| Refusal::Question(format!("{name} is not a whole number")))
    }

    /// A list of numbers; `null` is NaN.
    pub fn numbers(&self, name: &str) -> Result<Vec<f64>, Refusal> {
        self.list(name)?
            .iter()
            .map(|v| as_number(v).ok_or_else(|| Refusal::Question(format!("{name} holds no number"))))
            .collect()
    }

    /// A list of lists of numbers.
    pub fn rows(&self, name: &str) -> Result<Vec<Vec<f64>>, Refusal> {
        self.list(name)?
            .iter()
            .map(|row| {
                row.as_array()
                    .and_then(|row| row.iter().map(as_number).collect::<Option<Vec<f64>>>())
                    .ok_or_else(|| Refusal::Question(format!("{name} is not a list of lists of numbers")))
            })
            .collect()
    }

    /// Any list.
    pub fn list(&self, name: &str) -> Result<&'a Vec<Value>, Refusal> {
        self.get(name)?.as_array().ok_or_else(|| Refusal::Question(format!("{name} is not a list")))
    }

    /// A text.
    pub fn text(&self, name: &str) -> Result<&'a str, Refusal> {
        self.get(name)?.as_str().ok_or_else(|| Refusal::Question(format!("{name} is not a text")))
    }
}
