//! Why a value or a reading was not used, in words.

use kvarden_core::output::{Quarantined, Refusal};

/// One short sentence.
pub fn refusal(refused: &Quarantined) -> String {
    let what = refused.quantity.map_or_else(|| "reading".to_owned(), |quantity| quantity.to_string());
    match refused.why {
        Refusal::OutOfRange => match refused.value {
            Some(value) => format!("{what}: {value} can't be real"),
            None => format!("{what}: a value that can't be real"),
        },
        Refusal::TooLate => format!("{what}: stamped earlier than what was already judged"),
        Refusal::OnlyHistory => format!("{what}: came too late to be judged, kept as history"),
        Refusal::Duplicate => format!("{what}: the same stamp twice"),
        Refusal::FromTheFuture => format!("{what}: stamped in the future; look at the meter's clock"),
        Refusal::WrongShape => format!("{what}: not as many values as the map says"),
        Refusal::TooMany => format!("{what}: more readings than can wait for their order"),
    }
}
