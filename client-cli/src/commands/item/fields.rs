//! The fields of an item as flags. What a value may be is left to the item's own rules, which name the field.

use clap::Args;
use domain::wire::shape::Object;
use serde_json::{Value, json};

use crate::commands::scale::typed_mass;
use crate::error::{Error, Result};

/// What an item has.
#[derive(Debug, Clone, Default, Args)]
pub struct ItemFields {
    /// What sort of thing it is, as in shell_jacket.
    #[arg(long)]
    pub kind: Option<String>,
    /// Who made it.
    #[arg(long)]
    pub maker: Option<String>,
    /// The maker's name for it.
    #[arg(long)]
    pub model: Option<String>,
    /// Its size, as the label says it.
    #[arg(long)]
    pub size: Option<String>,
    /// A mark on the thing itself.
    #[arg(long)]
    pub tag: Option<String>,
    /// Since when it is owned, as in 2026-03-01.
    #[arg(long, value_name = "DATE")]
    pub acquired_on: Option<String>,
    /// A kind of like units (gels, plasters): its mass is that of one.
    #[arg(long)]
    pub per_unit: bool,
    /// The mass that the label claims; grams without a unit.
    #[arg(long, value_name = "MASS")]
    pub label_mass: Option<String>,
    /// Its packed, pressed volume.
    #[arg(long, value_name = "ML")]
    pub volume_ml: Option<f64>,
    /// How much it holds.
    #[arg(long, value_name = "ML")]
    pub capacity_ml: Option<f64>,
    /// The hydrostatic head claimed for it.
    #[arg(long, value_name = "MM")]
    pub head_mm: Option<f64>,
    /// Who claims that head: label, certificate or declared.
    #[arg(long, value_name = "WHO")]
    pub head_basis: Option<String>,
    /// Whether all seams are taped.
    #[arg(long, value_name = "true|false")]
    pub seams_taped: Option<bool>,
    /// Whether it has a hood that cannot be taken off.
    #[arg(long, value_name = "true|false")]
    pub hood: Option<bool>,
    /// A lamp's output.
    #[arg(long, value_name = "LM")]
    pub lumens: Option<f64>,
    /// How long a lamp burns on one cell.
    #[arg(long, value_name = "HOURS")]
    pub burn_h: Option<f64>,
    /// Food energy.
    #[arg(long, value_name = "KCAL")]
    pub energy_kcal: Option<f64>,
    /// The last day on which it counts, as in 2027-06-30.
    #[arg(long, value_name = "DATE")]
    pub expires_on: Option<String>,
    /// How quickly it must be in the hand: moving, at_stop or vest_off.
    #[arg(long, value_name = "REACH")]
    pub reach_needed: Option<String>,
    /// Another kind that it may serve as; may be given again.
    #[arg(long, value_name = "KIND")]
    pub also_serves: Vec<String>,
    /// Free text.
    #[arg(long)]
    pub notes: Option<String>,
    /// Anything else that rules may test, as in --set denier=40; may be given again.
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
}

impl ItemFields {
    /// The fields that were given, as they are stored.
    ///
    /// # Errors
    /// When the label's mass is no mass, or an attribute has no value.
    pub fn to_object(&self) -> Result<Object> {
        let mut object = Object::new();
        let mut put = |name: &str, value: Option<Value>| {
            if let Some(value) = value {
                object.insert(name.to_owned(), value);
            }
        };
        let text = |value: &Option<String>| value.as_ref().map(|text| json!(text));
        let number = |value: Option<f64>| value.map(|number| json!(number));
        put("kind", text(&self.kind));
        put("maker", text(&self.maker));
        put("model", text(&self.model));
        put("size", text(&self.size));
        put("tag", text(&self.tag));
        put("acquired_on", text(&self.acquired_on));
        put("per_unit", self.per_unit.then_some(json!(true)));
        let label =
            self.label_mass.as_deref().map(|text| typed_mass("the label's mass", text)).transpose()?;
        put("label_mass_g", label.map(|mass| json!(mass)));
        put("volume_ml", number(self.volume_ml));
        put("capacity_ml", number(self.capacity_ml));
        put("head_mm", number(self.head_mm));
        put("head_basis", text(&self.head_basis));
        put("seams_taped", self.seams_taped.map(|value| json!(value)));
        put("hood", self.hood.map(|value| json!(value)));
        put("lumens", number(self.lumens));
        put("burn_h", number(self.burn_h));
        put("energy_kcal", number(self.energy_kcal));
        put("expires_on", text(&self.expires_on));
        put("reach_needed", text(&self.reach_needed));
        put("also_serves", (!self.also_serves.is_empty()).then(|| json!(self.also_serves)));
        put("notes", text(&self.notes));
        let attributes = self.set.iter().map(|text| attribute(text)).collect::<Result<Object>>()?;
        put("attributes", (!attributes.is_empty()).then_some(Value::Object(attributes)));
        // NaN and infinity have no JSON; serde writes null, which would read as "take the field away".
        if let Some((name, _)) = object.iter().find(|(_, value)| value.is_null()) {
            return Err(Error::usage(format!("{name} must be a finite number")));
        }
        Ok(object)
    }
}

/// `denier=40`: true, false and numbers as such, anything else as words.
fn attribute(text: &str) -> Result<(String, Value)> {
    let (name, value) = text
        .split_once('=')
        .ok_or_else(|| Error::usage(format!("{text} has no value")).hint("write it as in --set denier=40"))?;
    let value = match serde_json::from_str::<Value>(value) {
        Ok(value @ (Value::Bool(_) | Value::Number(_))) => value,
        _ => json!(value),
    };
    Ok((name.trim().to_owned(), value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn to_object_only_what_was_given_and_typed_as_it_is() {
        let fields = ItemFields {
            label_mass: Some("14.5 oz".to_owned()),
            set: vec!["denier=40".to_owned(), "colour=red".to_owned(), "stretch=true".to_owned()],
            ..ItemFields::default()
        };
        let object = fields.to_object().unwrap();
        assert_eq!(
            Value::Object(object),
            json!({ "label_mass_g": 411.068, "attributes": { "denier": 40, "colour": "red", "stretch": true } })
        );
        let nan = ItemFields { burn_h: Some(f64::NAN), ..ItemFields::default() };
        assert_eq!(nan.to_object().unwrap_err().kind, crate::error::Kind::Usage);
    }
}
