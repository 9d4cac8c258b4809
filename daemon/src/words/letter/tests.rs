//! The letter as the person at two in the morning reads it.

use super::*;
use crate::words::alphabet::plain;
use crate::words::message::{Told, message};
use crate::words::plot::Plot;
use crate::words::tests::cause::{lug, told_with};
use crate::words::tests::{about_meter, about_part, revised, site, unbalance};
use crate::words::{Site, Whereabouts};
use kvarden_core::alarm::state::AlarmState;
use kvarden_core::input::Part as OfProgram;
use kvarden_core::output::{AlertRevision, Revised, Rule};
use kvarden_core::plant::{Bound, Priority};

const LINK: &str = "https://kvarden.larkspur.example/seen/abc";

fn larkspur() -> Site {
    let place = Some("Packing hall, column C4".to_owned());
    let call = Some("Ines, +1 555 0100".to_owned());
    Site { whereabouts: Whereabouts::sample("T2", place, call, "Packing lines 1 to 3"), ..site() }
}

fn told(revision: &AlertRevision, why: &str) -> Message {
    told_in(revision, why, Speech::ENGLISH)
}

fn told_in(revision: &AlertRevision, why: &str, speech: Speech) -> Message {
    let told = Told {
        why: why.to_owned(),
        next_reminder: Some("2026-11-24T13:35:00-07:00".to_owned()),
        person: Some("Ines".to_owned()),
        language: Some(speech.language().to_owned()),
    };
    Message { told: Some(told), ..message(revision, &larkspur().spoken(speech)) }
}

fn sheet_of(message: &Message) -> Sheet {
    let site = larkspur();
    let speech = speech_of(message);
    let reader = Reader { speech, zone: &site.zone, person: Some("Ines"), link: Some(LINK) };
    sheet(message, reader)
}

fn speech_of(message: &Message) -> Speech {
    Speech::of(message.told.as_ref().and_then(|told| told.language.as_deref()))
}

/// The loose lug of the project's example, explained ten minutes after it began.
fn explained() -> AlertRevision {
    let opened = unbalance();
    told_with(lug(), true, revised(&opened, Revised::Explained, AlarmState::Unacknowledged, "13:20"))
}

/// Every kind of word that a person may get, in every language.
fn all_kinds() -> Vec<Message> {
    let opened = unbalance();
    let hot = AlertRevision { priority: Priority::Urgent, ..explained() };
    let by = || "Tomas".to_owned();
    [
        opened.clone(),
        explained(),
        hot,
        revised(&explained(), Revised::CauseOver, AlarmState::LatchedUnacknowledged, "13:50"),
        revised(&opened, Revised::Worse, AlarmState::Unacknowledged, "13:20"),
        revised(&explained(), Revised::Returned, AlarmState::ReturnedUnacknowledged, "13:40"),
        revised(&explained(), Revised::Acknowledged { by: by() }, AlarmState::Acknowledged, "13:25"),
        revised(&opened, Revised::Closed, AlarmState::Normal, "14:00"),
        about_meter(Rule::Silent { level: 2 }),
        about_meter(Rule::Frozen),
        about_part(OfProgram::Store),
        about_part(OfProgram::Channel("mail".to_owned())),
    ]
    .iter()
    .flat_map(|revision| Speech::all().map(|speech| told_in(revision, "reminder", speech)))
    .collect()
}

#[test]
fn the_letter_says_first_what_decides_and_all_in_its_order() {
    let said = text(&sheet_of(&told(&explained(), "reminder")), Speech::of(None));
    insta::assert_snapshot!(said, @r"
    HIGH Larkspur Cannery T2, MP-3: voltage unbalance up to 4.1 %, 31 times since 13:10, 2-9 s each. Likely loose phase B connection; limit 3.0 %; told now because its cause is known; at: Packing hall, column C4

    Can it burn or hurt?
    Can burn: each break draws an arc. It gets worse by itself, and cool hours prove nothing. Go now at urgent, this shift at high.

    Go now?
    Not at once: in this shift.

    Since when?
    Since 13:10, for 10 min by now.
    31 times since 13:10, 2-9 s each, mostly 13-14 h.

    Where?
    Transformer T2, feeder MP-3, phase B.
    At: Packing hall, column C4.
    On the lugs stands: 90 C, 6 AWG to 350 kcmil.

    Why?
    Likely loose phase B connection.
    What shows it: heat of a connection phase B 38 W against 6 W.
    Ruled out: overload: load of the rating 62 % against 100 %.

    First
    Take load off this feeder by normal switching; motors and electronics there suffer from each break.

    What hangs on it, whom to call
    It feeds: Packing lines 1 to 3.
    Shares by feeder: MP-3 82 %, not metered 18 %.
    Call: Ines, +1 555 0100.

    Caution
    Qualified persons only. Keep the arc-flash boundary and wear the PPE on the label. Prove dead before touching. Never open a CT secondary under current. Local codes and the licensed electrician decide.

    I have seen it: https://kvarden.larkspur.example/seen/abc

    A reminder: nobody has said yet that he has seen it.
    Case FY30FS
    Next reminder 13:35, unless somebody has said by then that he has seen it.
    ");
}

#[test]
fn the_same_letter_in_german() {
    let german = Speech::of(Some("de"));
    let said = text(&sheet_of(&told_in(&explained(), "reminder", german)), german);
    insta::assert_snapshot!(said, @r"
    HOCH Larkspur Cannery T2, MP-3: Spannungsunsymmetrie bis 4,1 %, 31 Mal seit 13:10, je 2-9 s. Wohl lose Verbindung Phase B; Grenze 3,0 %; jetzt gemeldet, weil die Ursache bekannt ist; Ort: Packing hall, column C4

    Kann es brennen oder jemanden verletzen?
    Kann brennen: Jede Unterbrechung zieht einen Lichtbogen. Es wird von selbst schlimmer, kühle Stunden beweisen nichts. Bei DRINGEND jetzt hingehen, bei HOCH in dieser Schicht.

    Jetzt hingehen?
    Nicht sofort: in dieser Schicht.

    Seit wann?
    Seit 13:10, bisher 10 min lang.
    31 Mal seit 13:10, je 2-9 s, meist 13-14 Uhr.

    Wo?
    Transformator T2, Abgang MP-3, Phase B.
    Ort: Packing hall, column C4.
    Auf den Klemmen steht: 90 C, 6 AWG to 350 kcmil.

    Warum?
    Wahrscheinlich lose Verbindung Phase B.
    Was dafür spricht: Wärme einer Verbindung Phase B 38 W gegenüber 6 W.
    Ausgeschlossen: Überlast: Last zur Bemessungsleistung 62 % gegenüber 100 %.

    Zuerst
    Last dieses Abgangs betriebsmäßig wegschalten; Motoren und Elektronik dort leiden unter jeder Unterbrechung.

    Was daran hängt, wen anrufen
    Versorgt werden: Packing lines 1 to 3.
    Anteile der Abgänge: MP-3 82 %, nicht gemessen 18 %.
    Anrufen: Ines, +1 555 0100.

    Vorsicht
    Nur Elektrofachkräfte. Abstand zum Störlichtbogen halten, PSA nach Schild tragen. Vor dem Berühren Spannungsfreiheit feststellen. Nie einen Stromwandlerkreis unter Strom öffnen. Örtliche Vorschriften und die Elektrofachkraft entscheiden.

    Ich habe es gesehen: https://kvarden.larkspur.example/seen/abc

    Eine Erinnerung: Noch hat niemand gesagt, dass er es gesehen hat.
    Fall FY30FS
    Nächste Erinnerung 13:35, wenn bis dahin niemand gesagt hat, dass er es gesehen hat.
    ");
}

/// A phone that cuts a message after 140 characters still shows place, number, and whether to go, in every language.
#[test]
fn the_first_hundred_and_forty_say_priority_place_number_and_cause_in_every_language() {
    let words =
        [("HIGH", "4.1 %", "Likely loose phase B connection"), ("HOCH", "4,1 %", "lose Verbindung Phase B")];
    for (speech, (priority, number, cause)) in Speech::all().zip(words) {
        let said = short(&sheet_of(&told_in(&explained(), "cause", speech)), speech);
        let first: String = said.chars().take(140).collect();
        for word in [priority, "Larkspur Cannery", "T2", "MP-3", number, "31", cause] {
            assert!(first.contains(word), "{word} is missing: {first}");
        }
    }
}

/// What the letter is asked to hold no word of.
#[test]
fn no_letter_holds_percentiles_clauses_confidence_utc_or_raw_names() {
    for message in all_kinds() {
        let (sheet, speech) = (sheet_of(&message), speech_of(&message));
        for laid_out in [text(&sheet, speech), html(&sheet, speech, None)] {
            for never in [
                "p95",
                "percentile",
                "Perzentil",
                "Quantil",
                "onfidence",
                "Vertrauen",
                "UTC",
                "GMT",
                "Z\n",
                "IEEE",
                "IEC",
                "clause",
                "_percent",
                "0.87",
                "-07:00",
            ] {
                assert!(!laid_out.contains(never), "{never} stands in {laid_out}");
            }
        }
    }
}

#[test]
fn every_letter_says_whether_to_go_and_one_that_is_over_asks_for_nothing() {
    for message in all_kinds() {
        let (sheet, speech) = (sheet_of(&message), speech_of(&message));
        let heads: Vec<&str> = sheet.parts.iter().map(|part| part.head.as_str()).collect();
        let open = message.state == "open";
        assert_eq!(heads.contains(&speech.say("go-head").as_str()), open, "{heads:?}");
        assert_eq!(heads.contains(&speech.say("danger-head").as_str()), open, "{heads:?}");
        assert_eq!(
            heads.contains(&speech.say("first-head").as_str()),
            open && !message.check.is_empty(),
            "{heads:?}"
        );
        let asks = message.alarm_state.contains("unacknowledged") && open;
        assert_eq!(sheet.seen.is_some(), asks, "{}", message.text);
        assert_eq!(text(&sheet, speech).contains(" 13:35"), asks);
        assert!(sheet.parts.iter().all(|part| part.said.iter().all(|said| !said.trim().is_empty())));
    }
}

#[test]
fn without_links_the_letter_names_the_command() {
    let site = larkspur();
    let reader = Reader { speech: Speech::of(None), zone: &site.zone, person: Some("Ines"), link: None };
    let said = text(&sheet(&told(&explained(), "new"), reader), Speech::of(None));
    assert!(said.contains("kvarden acknowledge FY30FS --by Ines"), "{said}");
    assert!(!said.contains("A reminder"), "{said}");
}

/// Guard: the cut. The subject is the first of the line, in letters that any program shows.
#[test]
fn the_subject_is_the_first_of_the_line_within_a_hundred_and_forty_letters() {
    for message in all_kinds() {
        let sheet = sheet_of(&message);
        assert!(sheet.subject.chars().count() <= 140 && !sheet.subject.is_empty(), "{}", sheet.subject);
        assert!(message.text.starts_with(&sheet.subject), "{}", sheet.subject);
        assert_eq!(plain(&sheet.subject), sheet.subject);
    }
    assert_eq!(subject("T2\r\nBcc: all@larkspur.example"), "T2  Bcc: all@larkspur.example");
    let long = format!("{} end", "word ".repeat(40));
    assert_eq!(subject(&long).len(), 139, "it ends where a word ends");
}

/// Guard: the alphabet. Source of the alphabet: `words::alphabet`.
#[test]
fn the_short_form_begins_with_the_line_and_is_readable_by_any_phone() {
    for message in all_kinds() {
        let said = short(&sheet_of(&message), speech_of(&message));
        let first: String = said.chars().take(140).collect();
        assert!(message.text.starts_with(first.lines().next().unwrap()), "{first}");
        for line in said.lines() {
            assert_eq!(plain(line), line);
        }
    }
}

#[test]
fn a_page_loads_nothing_from_outside_and_names_stay_names() {
    let mut message = told(&explained(), "new");
    message.text = "HIGH <script>alert(1)</script> & \"T2\"".to_owned();
    message.location = Some("<img src=x>".to_owned());
    let picture = Picture { png: Vec::new(), words: "T2 \" onerror=\"x".to_owned() };
    let page = html(&sheet_of(&message), Speech::of(None), Some(&picture));
    assert!(
        !page.contains("<script") && !page.contains("<img src=x") && !page.contains("\" onerror"),
        "{page}"
    );
    assert_eq!(page.matches("src=\"").count(), 1, "the picture alone: {page}");
    assert!(page.contains(&format!("src=\"cid:{PICTURE}\"")), "{page}");
    assert_eq!(page.matches("http").count(), 1, "the link alone: {page}");
    assert!(!html(&sheet_of(&message), Speech::of(None), None).contains("<img"));
}

fn plot(points: Vec<(EventTime, f64)>) -> Plot {
    let title = "MP-3: voltage unbalance (%), worst of each minute".to_owned();
    Plot { title, points, limit: Some(3.0), bound: Bound::High, decimals: 1 }
}

/// The eight bytes that begin a PNG, and where its width and height stand: ISO/IEC 15948, 5.2 and 11.2.2 (from memory).
#[test]
fn the_picture_is_a_png_with_words_for_those_who_do_not_see_it() {
    let site = larkspur();
    let begin = 1_764_000_000_000;
    let points = (0..360).filter(|minute| !(100..140).contains(minute));
    let points =
        points.map(|minute| (EventTime(begin + minute * 60_000), 1.0 + (minute % 7) as f64 / 2.0)).collect();
    let since = Some(EventTime(begin + 300 * 60_000));
    let drawn = picture(&plot(points), since, Speech::of(None), &site.zone).unwrap();
    assert_eq!(drawn.png[..8], [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a]);
    assert_eq!(drawn.png[16..24], [0, 0, 4, 176, 0, 0, 1, 244], "1200 by 500 dots");
    assert!(drawn.png.len() < 60_000, "{} bytes are much for one bar of signal", drawn.png.len());
    assert!(drawn.words.contains("1.0 to 4.0; limit 3.0"), "{}", drawn.words);
    for nothing in
        [vec![], vec![(EventTime(0), 1.0)], vec![(EventTime(0), f64::NAN), (EventTime(9), f64::NAN)]]
    {
        assert_eq!(picture(&plot(nothing), None, Speech::of(None), &site.zone), None);
    }
}

#[test]
fn the_last_hours_of_an_hour_that_comes_twice_have_a_picture_too() {
    let zone = larkspur().zone;
    let begin = "2026-11-01T06:00:00Z".parse::<Timestamp>().unwrap().as_millisecond();
    let points =
        (0..400).map(|minute| (EventTime(begin + minute * 60_000), f64::from(minute as i32))).collect();
    assert!(picture(&plot(points), None, Speech::of(None), &zone).is_some());
}
