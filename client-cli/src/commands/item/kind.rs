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
    named.max_by_key(|kind| kind.name().len()).unwrap_or(ItemKind::Other)
}

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
        assert_eq!(guess("hatchet"), ItemKind::Other);
        assert_eq!(guess(""), ItemKind::Other);
    }
}
