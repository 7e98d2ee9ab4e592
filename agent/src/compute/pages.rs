//! What is written about each function: finds the section of a name in the families' pages.
//!
//! The pages are text beside the code (`engine::physics::pages` and three of our own); a test runs their examples and
//! holds their names against the functions. Never panics.

use lapwing_engine::physics::pages::PAGES;

const OURS: [&str; 3] = [include_str!("registers.md"), include_str!("alarms.md"), include_str!("lists.md")];

/// What a page says about one function, or about several that belong together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Section {
    /// Their names, with commas.
    pub names: &'static str,
    /// All that is said, as text with Markdown's marks.
    pub text: &'static str,
    /// The whole page it stands on, which begins with what holds for the family, cautions included.
    pub page: &'static str,
}

/// Every section of every page.
pub fn sections() -> impl Iterator<Item = Section> {
    PAGES.into_iter().chain(OURS).flat_map(|page| {
        page.split("\n## ").skip(1).map(move |section| {
            let (names, text) = section.split_once('\n').unwrap_or((section, ""));
            Section { names: names.trim(), text: text.trim(), page }
        })
    })
}

/// The section about a function.
#[must_use]
pub fn about(function: &str) -> Option<Section> {
    sections().find(|section| section.functions().any(|name| name == function))
}

impl Section {
    /// The functions it is about.
    pub fn functions(&self) -> impl Iterator<Item = &'static str> {
        self.names.split(',').map(str::trim)
    }

    /// What holds for the whole family: the page up to its first section, without its title.
    #[must_use]
    pub fn family(&self) -> &'static str {
        let all = self.page.split("\n## ").next().unwrap_or_default();
        all.split_once('\n').map_or("", |(_, text)| text.trim())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn found_by_each_of_its_names() {
        let one = about("hum_ratio").expect("written");
        assert_eq!(Some(one), about("hum_ratio_sat"));
        assert!(one.text.contains("0.621945") && !one.text.contains("## "), "{}", one.text);
        assert!(one.family().contains("**Caution.**") && !one.family().starts_with('#'), "{}", one.family());
        assert_eq!(about("hum"), None);
    }
}
