//! What can't run in parallel is told of, each with its own words.

use kvarden_config::Problem;

/// A site of these transformers; a module reads the tie.
fn problems(transformers: &str) -> Vec<String> {
    let text = format!(
        "[site]\nname = \"Larkspur Cannery\"\ntimezone = \"America/Denver\"\n{transformers}\n\
         [[meter]]\nname = \"Switchgear\"\nmeasures = {{ transformer = \"T2\" }}\n\
         [[state]]\nname = \"Tie\"\nmeter = \"Switchgear\"\nmeasurand = \"breaker_closed\"\n"
    );
    let nothing = |_: &std::path::Path| Err(std::io::Error::from(std::io::ErrorKind::NotFound));
    let (_, problems) = kvarden_config::parse("kvarden.toml", &text, &nothing);
    problems.iter().map(Problem::to_string).collect()
}

fn unit(name: &str, primary: &str, volts: u32, parallel_with: &str) -> String {
    format!(
        "[[transformer]]\nname = \"{name}\"\nkva = 75\nprimary = {{ volts = 480, form = \"{primary}\" }}\n\
         secondary = {{ volts = {volts}, form = \"wye\" }}\n{parallel_with}\n"
    )
}

fn told(other: &str, parallel_with: &str, words: &str) {
    let found = problems(&(unit("T2", "delta", 208, parallel_with) + other));
    assert!(found.len() == 1 && found[0].contains(words), "{words}: {found:?}");
}

#[test]
fn units_that_fit_are_taken_and_those_that_do_not_are_told_of() {
    let like = unit("T3", "delta", 208, "");
    for fits in [
        "parallel_with = [\"T3\"]",
        "parallel_with = [{ transformer = \"T3\", when = \"Tie closed\" }]",
        "parallel_with = []",
    ] {
        assert_eq!(problems(&(unit("T2", "delta", 208, fits) + &like)), Vec::<String>::new(), "{fits}");
    }
    told(&like, "parallel_with = [\"T9\"]", "no transformer is called so");
    told(&like, "parallel_with = [\"T2\"]", "in parallel with itself");
    told(&like, "parallel_with = [\"T3\", \"T3\"]", "names a transformer twice");
    told(&like, "parallel_with = \"T3\"", "is a text, but a list is needed");
    told(&like, "parallel_with = [{ transformer = \"T3\", when = \"Tie loose\" }]", "which it can't be");
    let unequal = unit("T3", "delta", 240, "");
    told(&unequal, "parallel_with = [\"T3\"]", "has 208 V on its load side, \"T3\" has 240 V");
    let turned = unit("T3", "wye", 208, "");
    told(&turned, "parallel_with = [\"T3\"]", "do not stand at the same angle");
    let otherwise =
        unit("T3", "delta", 208, "parallel_with = [{ transformer = \"T2\", when = \"Tie open\" }]");
    let found = problems(&(unit("T2", "delta", 208, "parallel_with = [\"T3\"]") + &otherwise));
    assert!(!found.is_empty() && found.iter().all(|one| one.contains("by different states")), "{found:?}");
}
