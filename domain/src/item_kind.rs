//! What a thing is. The list is closed, so that a rule and an item mean the same by a word; `other` is told apart by
//! its attribute `thing`.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

macro_rules! kinds {
    ($($variant:ident $name:literal $words:literal),+ $(,)?) => {
        /// The kind of an item.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(rename_all = "snake_case")]
        pub enum ItemKind {
            $(#[doc = $words] $variant),+
        }

        impl ItemKind {
            /// Every kind, in the order in which lists show them.
            pub const ALL: &[ItemKind] = &[$(ItemKind::$variant),+];

            /// The word on the wire, such as `head_lamp`.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(ItemKind::$variant => $name),+ }
            }

            /// The word in a sentence, such as "head lamp".
            #[must_use]
            pub fn words(self) -> &'static str {
                match self { $(ItemKind::$variant => $words),+ }
            }
        }
    };
}

kinds! {
    ShellJacket "shell_jacket" "shell jacket", ShellTrousers "shell_trousers" "shell trousers",
    WindJacket "wind_jacket" "wind jacket", MidLayer "mid_layer" "mid layer", BaseTop "base_top" "base layer top",
    BaseBottom "base_bottom" "base layer bottom", Hat "hat" "hat", NeckTube "neck_tube" "neck tube",
    Gloves "gloves" "gloves", OverMitts "over_mitts" "over-mitts", Sleeves "sleeves" "sleeves",
    Socks "socks" "socks", Shoes "shoes" "shoes", Vest "vest" "vest", DryBag "dry_bag" "dry bag",
    SoftFlask "soft_flask" "soft flask", Bladder "bladder" "bladder", Cup "cup" "cup",
    HeadLamp "head_lamp" "head lamp", SpareCell "spare_cell" "spare cell", RearLight "rear_light" "rear light",
    FoilBlanket "foil_blanket" "foil blanket", BivvyBag "bivvy_bag" "bivvy bag",
    FirstAid "first_aid" "first aid", Whistle "whistle" "whistle", Compass "compass" "compass", Map "map" "map",
    GpsDevice "gps_device" "GPS device", Phone "phone" "phone", PhoneCase "phone_case" "phone case",
    PowerBank "power_bank" "power bank", Poles "poles" "poles", Spikes "spikes" "spikes", Food "food" "food",
    DrinkMix "drink_mix" "drink mix", AntiChafe "anti_chafe" "anti-chafe", ToiletKit "toilet_kit" "toilet kit",
    IdCard "id_card" "ID card", Cash "cash" "cash", Other "other" "other",
}

/// A word that names no kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no kind of item")]
pub struct UnknownKind(pub String);

impl FromStr for ItemKind {
    type Err = UnknownKind;
    fn from_str(text: &str) -> Result<Self, UnknownKind> {
        Self::ALL.iter().copied().find(|k| k.name() == text).ok_or_else(|| UnknownKind(text.to_owned()))
    }
}

impl fmt::Display for ItemKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn serialize_every_kind_as_its_name() {
        for kind in ItemKind::ALL {
            assert_eq!(serde_json::to_value(kind).unwrap(), kind.name());
            assert_eq!(kind.name().parse(), Ok(*kind));
        }
        assert_eq!(ItemKind::ALL.len(), 40);
        assert!("lamp".parse::<ItemKind>().is_err());
    }
}
