//! The colours and the type of every picture, in one place for papers and pages.
//!
//! Warm paper and ink, one deep accent, one colour that asks for a hand. State is told by shape and
//! words first; colour only repeats it.

/// One colour token: its name and its values on light and on dark ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Token {
    /// Name, used as `--name` in stylesheets.
    pub name: &'static str,
    /// Value on light ground.
    pub light: &'static str,
    /// Value on dark ground.
    pub dark: &'static str,
}

const fn token(name: &'static str, light: &'static str, dark: &'static str) -> Token {
    Token { name, light, dark }
}

/// The tokens. The order is that of the fields of [`Palette`].
pub const TOKENS: [Token; 10] = [
    token("paper", "#f8f4ec", "#191713"),
    token("card", "#fffdf8", "#221f1a"),
    token("ink", "#27221b", "#f0e9dc"),
    token("soft", "#71685a", "#b3a896"),
    token("rule", "#d3c9b8", "#453e33"),
    token("steel", "#e6dfd2", "#3a352c"),
    token("water", "#f0ede4", "#24221e"),
    token("accent", "#0f4c50", "#7fc4c1"),
    token("tint", "#dbe6e2", "#1f3a3b"),
    token("alert", "#9a3a16", "#f0935f"),
];

/// The colours a picture is drawn with, as SVG paint values, and its type family.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Palette {
    /// Ground of the page.
    pub paper: String,
    /// Ground of a picture.
    pub card: String,
    /// Lines and words.
    pub ink: String,
    /// Secondary words and units.
    pub soft: String,
    /// Thin rules.
    pub rule: String,
    /// Steel.
    pub steel: String,
    /// Water.
    pub water: String,
    /// The one accent.
    pub accent: String,
    /// A light tint of the accent: accepted bands.
    pub tint: String,
    /// What asks for a hand.
    pub alert: String,
    /// Type family of the words in the picture.
    pub family: String,
}

impl Palette {
    fn from(value: impl Fn(&Token) -> String, family: &str) -> Self {
        let [paper, card, ink, soft, rule, steel, water, accent, tint, alert] =
            TOKENS.each_ref().map(value);
        Self {
            paper,
            card,
            ink,
            soft,
            rule,
            steel,
            water,
            accent,
            tint,
            alert,
            family: family.to_owned(),
        }
    }

    /// Fixed light colours and the family embedded in the papers.
    #[must_use]
    pub fn paper() -> Self {
        Self::from(|t| t.light.to_owned(), "Libertinus Serif")
    }

    /// Colours taken from the page's stylesheet ([`stylesheet`]), so that a picture follows the
    /// light or dark form; the light value is the fallback. The type family is the page's.
    #[must_use]
    pub fn page() -> Self {
        Self::from(|t| format!("var(--{}, {})", t.name, t.light), "inherit")
    }
}

impl Default for Palette {
    fn default() -> Self {
        Self::paper()
    }
}

/// The tokens as CSS: light by default, dark where the system asks for it or where an ancestor
/// carries `data-form="dark"`; `data-form="light"` keeps light against the system.
#[must_use]
pub fn stylesheet() -> String {
    let list = |pick: fn(&Token) -> &'static str| {
        TOKENS.iter().map(|t| format!("--{}:{};", t.name, pick(t))).collect::<String>()
    };
    let (light, dark) = (list(|t| t.light), list(|t| t.dark));
    format!(
        ":root,[data-form=light]{{color-scheme:light;{light}}}\n\
         @media (prefers-color-scheme:dark){{:root:not([data-form=light]){{color-scheme:dark;{dark}}}}}\n\
         [data-form=dark]{{color-scheme:dark;{dark}}}\n"
    )
}
