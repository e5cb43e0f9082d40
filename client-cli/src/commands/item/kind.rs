//! What sort of thing an item is, from its name.

use domain::wire::item::ItemKind;

/// The kind whose name stands in the item's name, the longest if several do; `other` if none does. "shell jacket A" is
/// a `shell_jacket`.
#[must_use]
pub fn guess(name: &str) -> ItemKind {
    let words = spaced(name);
    let named = ItemKind::ALL.iter().copied().filter(|kind| *kind != ItemKind::Other).filter(|kind| {
        let kind = spaced(kind.name());
        // Also without a plural's ending: "glove" and "sock" are said as well.
        let singular = kind.trim_end().strip_suffix('s').map(|stem| format!("{stem} "));
        words.contains(&kind) || singular.is_some_and(|stem| words.contains(&stem))
    });
    let whole = named.max_by_key(|kind| kind.name().len());
    let short = || SHORT.iter().find(|(word, _)| words.contains(&spaced(word))).map(|(_, kind)| *kind);
    whole.or_else(short).unwrap_or(ItemKind::Other)
}

/// What a thing is called for short; common practice, no source. The first that fits counts.
const SHORT: &[(&str, ItemKind)] = &[
    ("over-trousers", ItemKind::ShellTrousers),
    ("waterproof trousers", ItemKind::ShellTrousers),
    ("shell", ItemKind::ShellJacket),
    ("waterproof", ItemKind::ShellJacket),
    ("windshirt", ItemKind::WindJacket),
    ("fleece", ItemKind::MidLayer),
    ("base layer", ItemKind::BaseTop),
    ("tights", ItemKind::BaseBottom),
    ("beanie", ItemKind::Hat),
    ("cap", ItemKind::Hat),
    ("mitts", ItemKind::OverMitts),
    ("mittens", ItemKind::OverMitts),
    ("flask", ItemKind::SoftFlask),
    ("lamp", ItemKind::HeadLamp),
    ("torch", ItemKind::HeadLamp),
    ("battery", ItemKind::SpareCell),
    ("cell", ItemKind::SpareCell),
    ("blanket", ItemKind::FoilBlanket),
    ("bivvy", ItemKind::BivvyBag),
    ("plasters", ItemKind::FirstAid),
    ("pack", ItemKind::Vest),
    ("gel", ItemKind::Food),
    ("gels", ItemKind::Food),
    ("bar", ItemKind::Food),
    ("gps", ItemKind::GpsDevice),
    ("watch", ItemKind::GpsDevice),
    ("pole", ItemKind::Poles),
];

/// Lower-case words, each with a blank before and after it.
fn spaced(text: &str) -> String {
    let mut words = String::from(" ");
    for word in text.to_lowercase().split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()) {
        words.push_str(word);
        words.push(' ');
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn guess_whole_words_only_and_the_longest_wins() {
        assert_eq!(guess("Shell jacket A"), ItemKind::ShellJacket);
        assert_eq!(guess("head lamp, old"), ItemKind::HeadLamp);
        assert_eq!(guess("phone case"), ItemKind::PhoneCase);
        assert_eq!(guess("left glove"), ItemKind::Gloves);
        assert_eq!(guess("blue shell"), ItemKind::ShellJacket);
        assert_eq!(guess("shell trousers, thin"), ItemKind::ShellTrousers);
        assert_eq!(guess("over-trousers"), ItemKind::ShellTrousers);
        assert_eq!(guess("hatchet"), ItemKind::Other);
        assert_eq!(guess(""), ItemKind::Other);
    }
}
