//! Where a transformer or feeder is, whom to call and what there is as a spare, as the nameplate says it.

use kvarden_core::output::Subject;
use kvarden_core::plant::{LugMarks, Plant};
use std::collections::HashMap;

/// By name; empty for a site that says nothing of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Whereabouts {
    transformers: HashMap<String, OfTransformer>,
    feeders: HashMap<String, String>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct OfTransformer {
    location: Option<String>,
    call: Option<String>,
    spare: Option<String>,
    feeds: Option<String>,
    lugs: Option<String>,
}

impl Whereabouts {
    /// What the plant says.
    pub fn of(plant: &Plant) -> Self {
        let transformers = plant.transformers.iter().map(|transformer| {
            let about = OfTransformer {
                location: transformer.location.clone(),
                call: transformer.records.call.clone(),
                spare: transformer.records.spare.clone(),
                feeds: transformer.records.feeds.clone(),
                lugs: marks(&transformer.records.lugs),
            };
            (transformer.name.clone(), about)
        });
        let feeders =
            plant.feeders.iter().filter_map(|feeder| Some((feeder.name.clone(), feeder.location.clone()?)));
        Self { transformers: transformers.collect(), feeders: feeders.collect() }
    }

    /// One transformer of which this is said, for tests.
    #[cfg(test)]
    pub(in crate::words) fn sample(
        name: &str,
        location: Option<String>,
        call: Option<String>,
        feeds: &str,
    ) -> Self {
        let lugs = Some("90 C, 6 AWG to 350 kcmil".to_owned());
        let about = OfTransformer { location, call, spare: None, feeds: Some(feeds.to_owned()), lugs };
        Self { transformers: [(name.to_owned(), about)].into(), feeders: HashMap::new() }
    }

    /// Where it is: the feeder's place, where that is known, else the transformer's.
    pub fn location(&self, subject: &Subject) -> Option<&str> {
        let feeder = subject.feeder.as_ref().and_then(|name| self.feeders.get(name));
        feeder.or_else(|| self.transformer(subject)?.location.as_ref()).map(String::as_str)
    }

    /// Whom to call about it.
    pub fn call(&self, subject: &Subject) -> Option<&str> {
        self.transformer(subject)?.call.as_deref()
    }

    /// What there is as a spare for its transformer.
    pub fn spare(&self, subject: &Subject) -> Option<&str> {
        self.transformer(subject)?.spare.as_deref()
    }

    /// What its transformer feeds, as the site says it.
    pub fn feeds(&self, subject: &Subject) -> Option<&str> {
        self.transformer(subject)?.feeds.as_deref()
    }

    /// What stands on its transformer's lugs: temperature and sizes.
    pub fn lugs(&self, subject: &Subject) -> Option<&str> {
        self.transformer(subject)?.lugs.as_deref()
    }

    fn transformer(&self, subject: &Subject) -> Option<&OfTransformer> {
        self.transformers.get(subject.transformer.as_ref()?)
    }
}

/// The marks in one line. Not what they say of how firmly they are fastened: nobody does that because of a message.
fn marks(lugs: &LugMarks) -> Option<String> {
    let rated = lugs.rated_c.map(|rated| format!("{rated:.0} C"));
    let marks: Vec<String> = rated.into_iter().chain(lugs.size.clone()).collect();
    (!marks.is_empty()).then(|| marks.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::message::message;
    use crate::words::tests::{about_meter, site};
    use kvarden_core::output::Rule;

    fn told(location: Option<&str>, feeder: bool) -> crate::words::Message {
        let about = OfTransformer {
            location: Some("Packing hall, east wall".to_owned()),
            call: Some("Ines, +1 555 0100".to_owned()),
            spare: None,
            feeds: Some("Packing lines 1 to 3".to_owned()),
            lugs: None,
        };
        let feeders = location.map(|location| ("MP-3".to_owned(), location.to_owned()));
        let whereabouts = Whereabouts {
            transformers: [("T2".to_owned(), about)].into(),
            feeders: feeders.into_iter().collect(),
        };
        let mut revision = about_meter(Rule::Frozen);
        revision.subject.feeder.take_if(|_| !feeder);
        message(&revision, &crate::words::Site { whereabouts, ..site() })
    }

    #[test]
    fn a_message_says_where_the_feeder_is_or_else_its_transformer_and_whom_to_call() {
        let said = told(Some("Column C4"), true);
        assert_eq!(said.location.as_deref(), Some("Column C4"));
        assert!(said.text.ends_with("; at: Column C4"), "{}", said.text);
        assert_eq!((said.call.as_deref(), said.spare), (Some("Ines, +1 555 0100"), None));
        assert_eq!(said.feeds.as_deref(), Some("Packing lines 1 to 3"));
        assert_eq!(told(None, true).location.as_deref(), Some("Packing hall, east wall"));
        assert_eq!(told(Some("Column C4"), false).location.as_deref(), Some("Packing hall, east wall"));
    }
}
