//! One rich day in each language: what it says, and that no language is mixed into another.

use super::rich_day::{rich, rich_until_its_log_ends};
use super::*;

const GERMAN: &str = "de";

/// Every page that this day can become in a language.
fn pages(language: &str) -> Vec<String> {
    let mut empty = rich(language);
    empty.figures.meters.clear();
    empty.figures.lines.clear();
    empty.figures.alarms.clear();
    empty.figures.waiting.clear();
    let days = [rich(language), rich_until_its_log_ends(language), empty];
    days.iter().flat_map(|day| [super::text(day), super::html(day)]).collect()
}

#[test]
fn a_rich_day_reads_in_german_as_it_does_in_english() {
    insta::with_settings!({ prepend_module_to_snapshot => false, snapshot_path => "texts" }, {
        insta::assert_snapshot!("rich-day.en", super::text(&rich("en")));
        insta::assert_snapshot!("rich-day.de", super::text(&rich(GERMAN)));
    });
}

/// What a person reads of a page: neither its style nor its marks.
fn read_of(page: &str) -> String {
    let body = page.split_once("</style>").map_or(page, |(_, body)| body);
    let mut read = String::new();
    for part in body.split('<') {
        // What is told by a mark itself is read out, so it is read too.
        let (mark, text) = part.split_once('>').unwrap_or(("", part));
        let label = mark.split_once("aria-label=\"").and_then(|(_, label)| label.split('"').next());
        for said in [label.unwrap_or_default(), text] {
            read.push_str(said);
            read.push(' ');
        }
    }
    // However its lines are broken.
    let read = read.replace("&quot;", "\"").replace("&amp;", "&");
    read.split_whitespace().collect::<Vec<&str>>().join(" ")
}

/// Words that every English sentence of a digest has one of, and no German one; names of the day have none of them.
const ENGLISH_WORDS: &str = "the of and at is to with from by for since until between not no it its are were than that there \
    this which day limit peak least mean measured phase high low urgent journal once times held \
    seen alarms meter feeder causes Proof Next share excursions amb closed open on off voltage \
    current across";

#[test]
fn no_english_is_left_in_a_german_page() {
    for page in pages(GERMAN) {
        let read = read_of(&page).replace("T2/T2 secondary/voltage_unbalance_percent/high 2#1", "");
        let words = read.split(|sign: char| !sign.is_alphanumeric() && sign != '_' && sign != '-');
        let left: Vec<&str> =
            words.filter(|word| ENGLISH_WORDS.split(' ').any(|known| known == *word)).collect();
        assert!(left.is_empty(), "{left:?} in {read}");
        for (key, english) in Speech::ENGLISH.sentences() {
            assert!(!read.contains(&english), "{key}: {english:?} in {read}");
        }
    }
}

/// What is looked for above is what English pages say: the list has the right words, and the rich day says most sentences.
#[test]
fn english_is_known_by_its_words_and_the_rich_day_says_most_of_what_can_be_said() {
    let pages = pages("en");
    let read: String = pages.iter().map(|page| read_of(page)).collect();
    for word in ENGLISH_WORDS.split(' ') {
        let mut words = read.split(|sign: char| !sign.is_alphanumeric());
        assert!(words.any(|said| said == word), "{word} is not said in English");
    }
    let all: Vec<(String, String)> = Speech::ENGLISH.sentences().collect();
    let said = all.iter().filter(|(_, english)| read.contains(english));
    assert!(said.clone().count() * 10 >= all.len() * 8, "{} of {}", said.count(), all.len());
}

#[test]
fn a_page_says_its_language_and_writes_numbers_and_dates_in_it() {
    let (german, english) = (super::html(&rich(GERMAN)), super::html(&rich("en")));
    assert!(german.contains("<html lang=\"de\">") && english.contains("<html lang=\"en\">"));
    assert!(german.contains("Tagesbericht vom Donnerstag, 01. Januar 1970"), "{german}");
    assert!(german.contains("<title>Larkspur Cannery: Tagesbericht vom 01.01.1970</title>"), "{german}");
    let read = read_of(&german);
    for said in ["4,1 %", "812,4 kWh", "1,4 GB", "180.000 h", "0,45 %"] {
        assert!(read.contains(said), "{said} in {read}");
    }
    // A point between digits is left only in the address of a version and in German thousands and dates.
    let points = read.split_whitespace().filter(|word| {
        let digits: Vec<&str> = word.split('.').collect();
        digits.len() == 2 && digits.iter().all(|part| part.chars().any(|sign| sign.is_ascii_digit()))
    });
    assert_eq!(points.collect::<Vec<_>>(), ["180.000"]);
    // Lines of a chart are drawn alike, whatever the words beside them.
    let lines = |page: &str| -> Vec<String> {
        page.split(" d=\"").skip(1).filter_map(|rest| rest.split('"').next()).map(str::to_owned).collect()
    };
    assert_eq!(lines(&german), lines(&english));
}

/// Whatever a language calls things, what stands under each other in the text begins in one column.
#[test]
fn columns_of_the_text_line_up_in_each_language() {
    for speech in Speech::all() {
        let day = rich(speech.language());
        let text = super::text(&day);
        let peak = speech.with("digest-peak", &[("value", "")]);
        let mut meter = Vec::new();
        for line in text.lines() {
            match line.find(&format!(" {}", peak.trim_end())) {
                Some(at) if line.starts_with("    ") && !line.starts_with("     ") => {
                    meter.push(line[..at].chars().count());
                }
                _ => {
                    assert!(meter.windows(2).all(|pair| pair[0] == pair[1]), "{meter:?} before {line}");
                    meter.clear();
                }
            }
        }
        let page = Page::of(&day);
        for priority in Priority::ALL {
            let rank = page.rank(priority).to_uppercase();
            let line = text.lines().find(|line| line.starts_with(&format!("  {rank} ")));
            assert!(line.is_some(), "{rank} is followed by a space: {text}");
        }
    }
}
