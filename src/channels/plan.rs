//! Channel plans: what a plan holds, and finding one by its name.

use std::fmt;
use std::path::Path;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use super::file::{self, Parsed};
use super::{Standard, choice, shortened};
use crate::units::Hertz;

/// The embedded plans' short names and files, in the order in which they are listed.
const EMBEDDED: [(&str, &str); 8] = [
    ("us", include_str!("plans/us.toml")),
    ("canada-mexico", include_str!("plans/canada-mexico.toml")),
    ("europe", include_str!("plans/europe.toml")),
    ("uk", include_str!("plans/uk.toml")),
    ("australia", include_str!("plans/australia.toml")),
    ("new-zealand", include_str!("plans/new-zealand.toml")),
    ("japan", include_str!("plans/japan.toml")),
    ("brazil", include_str!("plans/brazil.toml")),
];

/// The embedded plans, parsed once. The files are part of the program, so a fault in one is a fault of ours; a test
/// parses them all.
static PARSED: LazyLock<Vec<Parsed>> = LazyLock::new(|| {
    EMBEDDED
        .iter()
        .map(|(name, text)| match file::parse(name, text) {
            Ok(parsed) => parsed,
            Err(problem) => panic!("the embedded plan {name} is faulty: {problem}"),
        })
        .collect()
});

/// How alike a mistyped name and a plan's name must be (Jaro–Winkler, 0 to 1) for the plan to be suggested. Chosen on
/// the names in the tests below.
const ALIKE: f64 = 0.85;

/// A channel's name: a number in most plans, now and then a number with a letter.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ChannelId {
    /// A plain number.
    Number(u16),
    /// Anything else, such as `9A`.
    Name(String),
}

impl From<&str> for ChannelId {
    /// Digits alone that stand for 0 to 65535 are a number; anything else is a name, kept as it is.
    fn from(text: &str) -> Self {
        match text.parse() {
            Ok(number) if text.bytes().all(|b| b.is_ascii_digit()) => ChannelId::Number(number),
            _ => ChannelId::Name(text.to_owned()),
        }
    }
}

impl ChannelId {
    /// Whether both name the same channel: `9a` is `9A`.
    pub fn matches(&self, other: &ChannelId) -> bool {
        match (self, other) {
            (ChannelId::Number(a), ChannelId::Number(b)) => a == b,
            (ChannelId::Name(a), ChannelId::Name(b)) => a.to_lowercase() == b.to_lowercase(),
            _ => false,
        }
    }
}

impl fmt::Display for ChannelId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ChannelId::Number(number) => f.pad(&number.to_string()),
            ChannelId::Name(name) => f.pad(name),
        }
    }
}

/// One channel of a plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Channel {
    /// Its name.
    pub id: ChannelId,
    /// Lower edge.
    pub low: Hertz,
    /// Upper edge.
    pub high: Hertz,
    /// Standards in use, the one to assume first.
    pub standards: Vec<Standard>,
    /// A remark, such as where it is not used.
    pub note: Option<String>,
}

impl Channel {
    /// From the lower edge to the upper.
    pub fn width(&self) -> Hertz {
        self.high - self.low
    }

    /// Half way between the edges. An ISDB-T block lies [`Standard::block_offset`] above it.
    pub fn centre(&self) -> Hertz {
        Hertz((self.low.0 + self.high.0) / 2.0)
    }
}

/// A channel plan: channels ascending by frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// Short name, as typed after `--plan`; of a plan in a user's file, the file's name without its folder.
    pub name: String,
    /// Name in words.
    pub title: String,
    /// Where its figures come from, and how far to trust them.
    pub source: String,
    /// The channels, ascending; they do not overlap.
    pub channels: Vec<Channel>,
}

/// What can be wrong with a channel plan or a choice of channels.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// A plan's file that can't be read, or holds no sound plan.
    #[error("{path}: {problem}")]
    Unreadable {
        /// The file.
        path: String,
        /// What is wrong.
        problem: String,
    },
    /// No such plan.
    #[error("no channel plan is called {name:?}{}: there are {known}; a file of your own must end in .toml",
        suggestion.as_ref().map(|plan| format!(" (did you mean {plan}?)")).unwrap_or_default())]
    Unknown {
        /// The name given, shortened where it is long.
        name: String,
        /// The embedded plan whose name is nearest, where one is near.
        suggestion: Option<String>,
        /// The names of the embedded plans.
        known: String,
    },
    /// A choice of channels that can't be understood, or names a channel that the plan hasn't.
    #[error("channels {text:?}: {problem}")]
    Choice {
        /// The text given, shortened where it is long.
        text: String,
        /// What is wrong.
        problem: String,
    },
}

impl Plan {
    /// The embedded plans, in the order in which they are listed.
    pub fn embedded() -> Vec<Plan> {
        PARSED.iter().map(|parsed| parsed.plan.clone()).collect()
    }

    /// The embedded plan of this name (or one of its other names), or, where `name` ends in `.toml`, the plan in that
    /// file. Case doesn't matter in a name, and a space or an underscore counts as a hyphen.
    ///
    /// # Errors
    /// [`PlanError::Unknown`] or [`PlanError::Unreadable`].
    ///
    /// ```
    /// use gainsay::channels::Plan;
    ///
    /// assert_eq!(Plan::find("NZ")?.name, "new-zealand");
    /// let error = Plan::find("brasilia").unwrap_err().to_string();
    /// assert!(error.contains("did you mean brazil?"), "{error}");
    /// # Ok::<(), gainsay::channels::PlanError>(())
    /// ```
    pub fn find(name: &str) -> Result<Plan, PlanError> {
        let path = Path::new(name);
        if path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("toml"))
        {
            let text = file::read(path).map_err(|problem| unreadable(name, problem))?;
            return Plan::parse(name, &text);
        }
        let wanted = name.trim().to_lowercase().replace([' ', '_'], "-");
        if let Some(parsed) = PARSED
            .iter()
            .find(|parsed| parsed.names().any(|known| known == wanted))
        {
            return Ok(parsed.plan.clone());
        }
        // Jaro–Winkler takes time by the product of the lengths; no plan's name is nearly so long.
        let wanted = &wanted.chars().take(40).collect::<String>();
        let suggestion = PARSED
            .iter()
            .flat_map(|parsed| {
                parsed
                    .names()
                    .map(move |known| (strsim::jaro_winkler(wanted, known), parsed))
            })
            .filter(|(alike, _)| *alike >= ALIKE)
            .max_by(|(a, _), (b, _)| a.total_cmp(b))
            .map(|(_, parsed)| parsed.plan.name.clone());
        let known: Vec<&str> = EMBEDDED.iter().map(|(name, _)| *name).collect();
        Err(PlanError::Unknown {
            name: shortened(name, 60),
            suggestion,
            known: known.join(", "),
        })
    }

    /// The plan that the text of a user's file holds; `path` is the file, for the plan's name and for messages.
    ///
    /// # Errors
    /// [`PlanError::Unreadable`].
    ///
    /// ```
    /// use gainsay::channels::Plan;
    ///
    /// let plan = Plan::parse("plans/my.toml", r#"
    ///     [[band]]
    ///     first = 21
    ///     last = 22
    ///     low_mhz = 470
    ///     width_mhz = 8
    ///     standards = ["dvb-t"]
    /// "#)?;
    /// assert_eq!((plan.name.as_str(), plan.outline().as_str()), ("my.toml", "21-22"));
    /// # Ok::<(), gainsay::channels::PlanError>(())
    /// ```
    pub fn parse(path: &str, text: &str) -> Result<Plan, PlanError> {
        let name = Path::new(path)
            .file_name()
            .map_or(path.into(), |name| name.to_string_lossy());
        file::parse(&name, text)
            .map(|parsed| parsed.plan)
            .map_err(|problem| unreadable(path, problem))
    }

    /// The other names by which [`Plan::find`] knows an embedded plan; none for a plan of the user's own.
    pub fn aliases(&self) -> &'static [String] {
        PARSED
            .iter()
            .find(|parsed| parsed.plan.name == self.name)
            .map_or(&[], |parsed| &parsed.aliases)
    }

    /// The channels that `choice` names, ascending, each once: `14-36`, `7,9,20-23`, `9A`.
    ///
    /// Items are parted by commas or spaces; case doesn't matter. A range takes the channels that exist between its
    /// ends, which must exist themselves; its ends may stand in either order.
    ///
    /// # Errors
    /// [`PlanError::Choice`], also where nothing is chosen.
    ///
    /// ```
    /// use gainsay::channels::Plan;
    ///
    /// let plan = Plan::find("australia")?;
    /// let names: Vec<String> = plan.choose("28, 9-10")?.iter().map(|c| c.id.to_string()).collect();
    /// assert_eq!(names, ["9", "9A", "10", "28"]);
    /// # Ok::<(), gainsay::channels::PlanError>(())
    /// ```
    pub fn choose(&self, choice: &str) -> Result<Vec<Channel>, PlanError> {
        match choice::chosen(self, choice) {
            Ok(chosen) => Ok(self
                .channels
                .iter()
                .zip(chosen)
                .filter(|(_, chosen)| *chosen)
                .map(|(c, _)| c.clone())
                .collect()),
            Err(problem) => Err(PlanError::Choice {
                text: shortened(choice, 60),
                problem,
            }),
        }
    }

    /// The channels in short, by frequency: `6-9, 9A, 10-12, 28-51`.
    pub fn outline(&self) -> String {
        choice::outline(&self.channels)
    }
}

fn unreadable(path: &str, problem: String) -> PlanError {
    PlanError::Unreadable {
        path: path.to_owned(),
        problem,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_embedded_plan_parses_and_says_its_source_and_how_far_to_trust_it() {
        let plans = Plan::embedded();
        let names: Vec<&str> = plans.iter().map(|p| p.name.as_str()).collect();
        assert_eq!(
            names,
            [
                "us",
                "canada-mexico",
                "europe",
                "uk",
                "australia",
                "new-zealand",
                "japan",
                "brazil"
            ]
        );
        for plan in &plans {
            assert!(!plan.title.is_empty(), "{}", plan.name);
            let trust = ["confirmed", "recomputed", "from memory"];
            assert!(
                trust.iter().any(|word| plan.source.contains(word)),
                "{}: {}",
                plan.name,
                plan.source
            );
            assert!(
                plan.source.ends_with("Standards in use: from memory."),
                "{}: {}",
                plan.name,
                plan.source
            );
        }
    }

    #[test]
    fn a_plan_is_found_by_each_of_its_names_in_any_case() {
        for (typed, name) in [
            ("us", "us"),
            ("USA", "us"),
            (" Us ", "us"),
            ("ca", "canada-mexico"),
            ("Canada", "canada-mexico"),
            ("mx", "canada-mexico"),
            ("mexico", "canada-mexico"),
            ("eu", "europe"),
            ("gb", "uk"),
            ("United Kingdom", "uk"),
            ("au", "australia"),
            ("new zealand", "new-zealand"),
            ("New_Zealand", "new-zealand"),
            ("nz", "new-zealand"),
            ("jp", "japan"),
            ("BR", "brazil"),
        ] {
            assert_eq!(Plan::find(typed).expect(typed).name, name, "{typed}");
        }
    }

    #[test]
    fn no_two_plans_answer_to_one_name() {
        let mut names: Vec<&str> = PARSED.iter().flat_map(Parsed::names).collect();
        let before = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), before);
        // A name is looked up in lower case with hyphens: one written otherwise could never be found.
        assert!(
            names
                .iter()
                .all(|n| *n == n.to_lowercase().replace([' ', '_'], "-")),
            "{names:?}"
        );
        assert_eq!(
            Plan::find("us").unwrap().aliases(),
            ["usa", "united-states"]
        );
    }

    #[test]
    fn an_unknown_name_lists_the_plans_and_suggests_one_only_where_it_is_near() {
        for (typed, suggested) in [
            ("autralia", "australia"),
            ("brasilia", "brazil"),
            ("uss", "us"),
            ("new-zeland", "new-zealand"),
            ("mexicoo", "canada-mexico"),
            ("europa", "europe"),
        ] {
            let error = Plan::find(typed).unwrap_err().to_string();
            assert_eq!(
                error,
                format!(
                    "no channel plan is called {typed:?} (did you mean {suggested}?): there are us, canada-mexico, \
                     europe, uk, australia, new-zealand, japan, brazil; a file of your own must end in .toml"
                )
            );
        }
        for typed in ["xx", "germany", "", "toml", "7", "plans/my"] {
            let error = Plan::find(typed).unwrap_err().to_string();
            assert!(!error.contains("did you mean"), "{error}");
            assert!(error.contains("there are us, "), "{error}");
        }
        let error = Plan::find(&"u\n".repeat(100_000)).unwrap_err().to_string();
        assert!(error.len() < 400 && !error.contains('\n'), "{error}");
    }

    #[test]
    fn notes_stand_where_the_rule_has_an_exception() {
        let noted: Vec<(String, String)> = Plan::find("us")
            .unwrap()
            .channels
            .iter()
            .filter_map(|c| Some((c.id.to_string(), c.note.clone()?)))
            .collect();
        assert_eq!(noted.len(), 2);
        assert_eq!(
            noted[0],
            ("17".to_owned(), "not television in Hawaii".to_owned())
        );
        assert!(
            noted[1].0 == "36" && noted[1].1.contains("radio astronomy"),
            "{noted:?}"
        );
    }

    #[test]
    fn a_channels_name_is_a_number_only_where_it_is_digits_alone() {
        assert_eq!(ChannelId::from("20"), ChannelId::Number(20));
        assert_eq!(ChannelId::from("9A"), ChannelId::Name("9A".into()));
        assert_eq!(ChannelId::from("+20"), ChannelId::Name("+20".into()));
        assert_eq!(ChannelId::from("70000"), ChannelId::Name("70000".into()));
        assert_eq!(ChannelId::from(""), ChannelId::Name(String::new()));
        assert!(ChannelId::from("9a").matches(&ChannelId::from("9A")));
        assert!(!ChannelId::from("9A").matches(&ChannelId::from("9")));
    }
}
