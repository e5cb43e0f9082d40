//! The kinds of items in words.

pub use crate::wire::item::ItemKind;

impl ItemKind {
    /// The kind in a sentence, such as "head lamp".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            ItemKind::ShellJacket => "shell jacket",
            ItemKind::ShellTrousers => "shell trousers",
            ItemKind::WindJacket => "wind jacket",
            ItemKind::MidLayer => "mid layer",
            ItemKind::BaseTop => "base layer top",
            ItemKind::BaseBottom => "base layer bottom",
            ItemKind::NeckTube => "neck tube",
            ItemKind::OverMitts => "over-mitts",
            ItemKind::DryBag => "dry bag",
            ItemKind::SoftFlask => "soft flask",
            ItemKind::HeadLamp => "head lamp",
            ItemKind::SpareCell => "spare cell",
            ItemKind::RearLight => "rear light",
            ItemKind::FoilBlanket => "foil blanket",
            ItemKind::BivvyBag => "bivvy bag",
            ItemKind::FirstAid => "first aid",
            ItemKind::GpsDevice => "GPS device",
            ItemKind::PhoneCase => "phone case",
            ItemKind::PowerBank => "power bank",
            ItemKind::DrinkMix => "drink mix",
            ItemKind::AntiChafe => "anti-chafe",
            ItemKind::ToiletKit => "toilet kit",
            ItemKind::IdCard => "ID card",
            // The others are one word, the same in a sentence as on the wire.
            one_word => one_word.name(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_no_kind_reads_like_the_wire() {
        assert!(ItemKind::ALL.iter().all(|kind| !kind.words().contains('_')));
    }
}
