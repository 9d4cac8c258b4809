//! Bytes as a configuration: as the main file, as each kind of map, and as the file that says what columns mean.

use kvarden_config::{Configuration, Problem, parse, parse_columns, render};
use std::path::Path;

/// A small site with a meter of each source, whose maps are the bytes at hand.
const MAIN: &str = r#"
[site]
name = "Larkspur Cannery"
timezone = "America/Denver"
[[transformer]]
name = "T2"
kva = 75
primary = { volts = 480, form = "delta" }
secondary = { volts = 208, form = "wye" }
[broker]
address = "127.0.0.1:1883"
[[meter]]
name = "T2 secondary"
measures = { transformer = "T2" }
modbus = { address = "192.0.2.20:502", map = "registers.toml" }
[[meter]]
name = "T2 windings"
measures = { transformer = "T2" }
mqtt = { topic = "cannery/t2", map = "json.toml" }
"#;

/// Reads the bytes in each role. Every problem must have its words and lie in the file that it names; what is read
/// without a problem must be a plant that core can compile.
pub(super) fn run(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return }; // Such a file is refused before it is read.
    let same = |_: &Path| Ok(text.to_owned());
    check("kvarden.toml", text, text, parse("kvarden.toml", text, &same));
    check("kvarden.toml", MAIN, text, parse("kvarden.toml", MAIN, &same));
    let (configuration, _) = parse("kvarden.toml", MAIN, &|path| {
        let map = if path.ends_with("json.toml") { "pointer = \"\"" } else { "address = 0\nkind = \"u16\"" };
        Ok(format!("[[point]]\nmeasurand = \"ambient_c\"\n{map}\n"))
    });
    let plant = configuration.expect("the small site is good").plant;
    let (logs, problems) = parse_columns("columns.toml", text, &plant, &|_| true);
    assert_eq!(logs.is_none(), !problems.is_empty(), "logs and problems exclude each other");
    for problem in &problems {
        lies_in(problem, text);
    }
}

fn check(
    main: &str,
    text: &str,
    other: &str,
    (configuration, problems): (Option<Configuration>, Vec<Problem>),
) {
    assert_eq!(
        configuration.is_none(),
        !problems.is_empty(),
        "a configuration and problems exclude each other"
    );
    for problem in &problems {
        lies_in(problem, if problem.file() == main { text } else { other });
    }
    if let Some(configuration) = configuration {
        let plan =
            kvarden_core::plan::Plan::new(&configuration.plant).expect("a plant without problems compiles");
        assert!(!kvarden::check::page(&configuration, &plan).is_empty());
    }
}

fn lies_in(problem: &Problem, text: &str) {
    let at = problem.span();
    assert!(
        at.start <= at.end && at.end <= text.len(),
        "{at:?} is outside the {} bytes of its file",
        text.len()
    );
    assert!(text.is_char_boundary(at.start) && text.is_char_boundary(at.end), "{at:?} cuts a character");
    let before = &text[..at.start];
    assert_eq!(problem.line(), before.matches('\n').count() + 1);
    let seen = before.strip_prefix('\u{feff}').unwrap_or(before);
    assert_eq!(problem.column(), seen.rsplit('\n').next().unwrap_or_default().chars().count() + 1);
    assert!(!problem.to_string().is_empty() && !problem.mend().is_empty(), "{problem:?} lacks words");
    let words = render(std::slice::from_ref(problem));
    let place = format!("[{}:{}:{}]", problem.file(), problem.line(), problem.column());
    assert!(words.contains("help:") && words.contains(&place), "{place} is not rendered whole: {words}");
}
