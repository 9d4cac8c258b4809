//! JSON Pointers (RFC 6901) compiled into one tree and followed in one walk over a document, without building it.
//!
//! A value is handed over as the text that it is written with, so a number that no `f64` can hold spoils only itself.

use super::pointer::{BadPointer, MOST_STEPS, array_index, steps};
use serde::de::{Deserialize, DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue;
use std::cell::Cell;
use std::fmt;

/// Largest document in bytes; a meter's values take a few hundred.
pub const MOST_BYTES: usize = 256 * 1024;
/// Deepest nesting of a document.
pub const MOST_DEPTH: usize = MOST_STEPS;

/// Why a document was refused as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Malformed {
    /// More than [`MOST_BYTES`].
    TooLarge,
    /// Nested deeper than [`MOST_DEPTH`].
    TooDeep,
    /// Not JSON.
    NotJson,
}

/// Pointers compiled into a tree.
#[derive(Debug, Clone)]
pub struct Pointers {
    nodes: Vec<Node>,
}

/// A place in documents.
#[derive(Debug, Clone, Default)]
struct Node {
    /// Numbers of the pointers that end here.
    wanted_by: Vec<usize>,
    children: Vec<Child>,
}

#[derive(Debug, Clone)]
struct Child {
    name: Box<str>,
    /// What the name means in an array.
    index: Option<usize>,
    node: usize,
}

impl Pointers {
    /// Compiles pointers; they are numbered as given.
    ///
    /// # Errors
    /// The first text that is no pointer or has too many steps.
    pub fn new<'a>(pointers: impl IntoIterator<Item = &'a str>) -> Result<Self, BadPointer> {
        let mut tree = Self { nodes: vec![Node::default()] };
        for (number, pointer) in pointers.into_iter().enumerate() {
            let steps = steps(pointer).ok_or_else(|| BadPointer(pointer.to_owned()))?;
            let end = steps.into_iter().fold(0, |at, step| tree.child(at, step));
            tree.nodes[end].wanted_by.push(number);
        }
        Ok(tree)
    }

    fn child(&mut self, at: usize, name: Box<str>) -> usize {
        if let Some(known) = self.nodes[at].children.iter().find(|child| child.name == name) {
            return known.node;
        }
        let (node, index) = (self.nodes.len(), array_index(&name));
        self.nodes.push(Node::default());
        self.nodes[at].children.push(Child { name, index, node });
        node
    }

    /// Walks over `document` once and gives `take` the number of each pointer whose place there is, with the text
    /// of its value. If a name is given twice in one object, the later one counts.
    ///
    /// # Errors
    /// A document that is refused as a whole. What was taken until then must not be used.
    pub fn read<'de>(
        &self,
        document: &'de [u8],
        mut take: impl FnMut(usize, &'de str),
    ) -> Result<(), Malformed> {
        if document.len() > MOST_BYTES {
            return Err(Malformed::TooLarge);
        }
        let document = std::str::from_utf8(document).map_err(|_| Malformed::NotJson)?;
        let too_deep = Cell::new(false);
        let mut json = serde_json::Deserializer::from_str(document);
        let place = Place { tree: self, node: Some(0), depth: 0, too_deep: &too_deep, take: &mut take };
        match place.deserialize(&mut json).and_then(|()| json.end()) {
            Ok(()) => Ok(()),
            Err(_) if too_deep.get() => Err(Malformed::TooDeep),
            Err(_) => Err(Malformed::NotJson),
        }
    }
}

/// The value at `pointer` as written in `document`; `None` if there is none or either is malformed.
///
/// ```
/// use kvarden::acquire::json::resolve;
/// assert_eq!(resolve(r#"{"a/b": [5, "x"]}"#, "/a~1b/1"), Some("\"x\""));
/// ```
pub fn resolve<'a>(document: &'a str, pointer: &str) -> Option<&'a str> {
    let mut found = None;
    Pointers::new([pointer]).ok()?.read(document.as_bytes(), |_, text| found = Some(text)).ok()?;
    found
}

/// The elements of an array as they are written, at most one more than `most`; `None` if `text` is no array.
pub fn elements(text: &str, most: usize) -> Option<Vec<&str>> {
    struct All(usize);

    impl<'de> Visitor<'de> for All {
        type Value = Vec<&'de str>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("an array")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
            let mut all = Vec::new();
            while let Some(element) = seq.next_element::<&RawValue>()? {
                if all.len() <= self.0 {
                    all.push(element.get());
                }
            }
            Ok(all)
        }
    }

    serde_json::Deserializer::from_str(text).deserialize_seq(All(most)).ok()
}

/// The value that comes next in the walk. `node` is `None` where no pointer leads.
struct Place<'t, F> {
    tree: &'t Pointers,
    node: Option<usize>,
    depth: usize,
    too_deep: &'t Cell<bool>,
    take: &'t mut F,
}

impl<'t, 'de, F: FnMut(usize, &'de str)> Place<'t, F> {
    fn node(&self) -> Option<&'t Node> {
        self.node.map(|node| &self.tree.nodes[node])
    }

    fn inner(&mut self, node: Option<usize>) -> Place<'_, F> {
        Place { tree: self.tree, node, depth: self.depth + 1, too_deep: self.too_deep, take: self.take }
    }

    /// A value that is taken or passed over as a text.
    fn whole<E: serde::de::Error>(self, text: &'de str) -> Result<(), E> {
        if nests_deeper(text, MOST_DEPTH - self.depth) {
            self.too_deep.set(true);
            return Err(E::custom("nested too deep"));
        }
        let Some(node) = self.node() else { return Ok(()) };
        for &number in &node.wanted_by {
            (self.take)(number, text);
        }
        if !node.children.is_empty() && text.starts_with(['{', '[']) {
            let mut json = serde_json::Deserializer::from_str(text);
            json.deserialize_any(Inside(self)).map_err(E::custom)?;
        }
        Ok(())
    }
}

impl<'de, F: FnMut(usize, &'de str)> DeserializeSeed<'de> for Place<'_, F> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        match self.node() {
            Some(node) if node.wanted_by.is_empty() => deserializer.deserialize_any(Inside(self)),
            _ => self.whole(<&RawValue>::deserialize(deserializer)?.get()),
        }
    }
}

/// Goes into an object or array on the way to wanted places.
struct Inside<P>(P);

impl<'de, F: FnMut(usize, &'de str)> Visitor<'de> for Inside<Place<'_, F>> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut map: A) -> Result<(), A::Error> {
        while let Some(node) = map.next_key_seed(Name(self.0.node()))? {
            map.next_value_seed(self.0.inner(node))?;
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut seq: A) -> Result<(), A::Error> {
        for index in 0.. {
            let child =
                self.0.node().and_then(|node| node.children.iter().find(|child| child.index == Some(index)));
            let node = child.map(|child| child.node);
            if seq.next_element_seed(self.0.inner(node))?.is_none() {
                break;
            }
        }
        Ok(())
    }

    fn visit_bool<E>(self, _: bool) -> Result<(), E> {
        Ok(())
    }

    fn visit_i64<E>(self, _: i64) -> Result<(), E> {
        Ok(())
    }

    fn visit_u64<E>(self, _: u64) -> Result<(), E> {
        Ok(())
    }

    fn visit_f64<E>(self, _: f64) -> Result<(), E> {
        Ok(())
    }

    fn visit_str<E>(self, _: &str) -> Result<(), E> {
        Ok(())
    }

    fn visit_unit<E>(self) -> Result<(), E> {
        Ok(())
    }
}

/// A name in an object; gives where it leads.
struct Name<'t>(Option<&'t Node>);

impl<'de> DeserializeSeed<'de> for Name<'_> {
    type Value = Option<usize>;

    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Option<usize>, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for Name<'_> {
    type Value = Option<usize>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a name")
    }

    fn visit_str<E>(self, name: &str) -> Result<Option<usize>, E> {
        let child = self.0.and_then(|node| node.children.iter().find(|child| *child.name == *name));
        Ok(child.map(|child| child.node))
    }
}

/// Whether objects and arrays in a JSON text lie within each other more than `most` times.
fn nests_deeper(text: &str, most: usize) -> bool {
    // Each level takes two brackets, so most texts need no look.
    if text.len() < 2 * most || !text.starts_with(['{', '[']) {
        return false;
    }
    let (mut depth, mut in_string, mut escaped) = (0, false, false);
    for byte in text.bytes() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_string => escaped = true,
            b'"' => in_string = !in_string,
            b'{' | b'[' if !in_string => depth += 1,
            b'}' | b']' if !in_string => depth -= 1,
            _ => {}
        }
        if depth > most {
            return true;
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// RFC 6901 section 5.
    const RFC: &str =
        r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;

    #[test]
    fn the_examples_of_the_standard_are_found() {
        let examples = [
            ("", RFC),
            ("/foo", r#"["bar","baz"]"#),
            ("/foo/0", "\"bar\""),
            ("/", "0"),
            ("/a~1b", "1"),
            ("/c%d", "2"),
            ("/e^f", "3"),
            ("/g|h", "4"),
            ("/i\\j", "5"),
            ("/k\"l", "6"),
            ("/ ", "7"),
            ("/m~0n", "8"),
        ];
        for (pointer, value) in examples {
            assert_eq!(resolve(RFC, pointer), Some(value), "{pointer:?}");
        }
    }

    #[test]
    fn what_is_not_there_is_not_found() {
        for pointer in ["/fo", "/foo/2", "/foo/00", "/foo/-", "/foo/0/x", "/foo/+1", "//", "/a", "/a/b"] {
            assert_eq!(resolve(RFC, pointer), None, "{pointer:?}");
        }
    }

    #[test]
    fn an_object_and_a_value_inside_it_can_both_be_wanted() {
        let pointers = Pointers::new(["/v", "/v/a/1"]).unwrap();
        let mut found = Vec::new();
        pointers.read(br#"{"v": {"a": [1, 2]}}"#, |number, text| found.push((number, text))).unwrap();
        assert_eq!(found, [(0, r#"{"a": [1, 2]}"#), (1, "2")]);
    }

    #[test]
    fn garbage_is_refused_as_a_whole() {
        let pointers = Pointers::new(["/v"]).unwrap();
        let refused = |document: &[u8]| pointers.read(document, |_, _| {}).unwrap_err();
        for text in
            ["", "{", "{\"v\":1", "{\"v\":1}x", "{\"v\":NaN}", "{\"v\":1,}", "{\"v\":+1}", "[1", "{\"w\":01}"]
        {
            assert_eq!(refused(text.as_bytes()), Malformed::NotJson, "{text}");
        }
        assert_eq!(refused(b"{\"w\":\"\xff\xfe\"}"), Malformed::NotJson);
        assert_eq!(refused(&vec![b' '; MOST_BYTES + 1]), Malformed::TooLarge);
    }

    #[test]
    fn deep_nesting_is_refused_wherever_it_is() {
        let nested = |depth: usize| format!("{}{}", "[".repeat(depth), "]".repeat(depth));
        let pointers = Pointers::new(["/v/a"]).unwrap();
        let read = |text: String| pointers.read(text.as_bytes(), |_, _| {});
        assert_eq!(read(format!("{{\"w\":{}}}", nested(31))), Ok(()));
        assert_eq!(read(format!("{{\"w\":{}}}", nested(32))), Err(Malformed::TooDeep));
        assert_eq!(read(format!("{{\"v\":{{\"a\":{}}}}}", nested(31))), Err(Malformed::TooDeep));
        assert_eq!(read(format!("{{\"w\":{}}}", nested(100_000))), Err(Malformed::TooDeep));
        assert_eq!(
            read(format!("{{\"w\":[\"{}\"]}}", "[".repeat(99))),
            Ok(()),
            "brackets in a text are no nesting"
        );
    }

    #[test]
    fn a_number_that_is_too_large_spoils_only_itself() {
        assert_eq!(resolve(r#"{"a": 1e999, "b": 2, "c": 1e999}"#, "/b"), Some("2"));
        assert_eq!(resolve(r#"{"a": 1e999, "b": 2}"#, "/a"), Some("1e999"));
    }

    fn document() -> impl Strategy<Value = serde_json::Value> {
        let leaf = prop_oneof![
            any::<i32>().prop_map(serde_json::Value::from),
            "[a-c~/\"\\\\]{0,3}".prop_map(serde_json::Value::from)
        ];
        leaf.prop_recursive(4, 32, 4, |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..4).prop_map(serde_json::Value::from),
                prop::collection::btree_map("[a-c0-2~/]{0,2}", inner, 0..4)
                    .prop_map(|map| serde_json::Value::Object(map.into_iter().collect())),
            ]
        })
    }

    proptest! {
        #[test]
        fn the_walk_finds_what_a_search_in_the_built_document_finds(
            document in document(),
            pointers in prop::collection::vec("(/([a-c0-2]|~0|~1){0,2}){0,4}", 1..6),
        ) {
            let text = document.to_string();
            let compiled = Pointers::new(pointers.iter().map(String::as_str)).unwrap();
            let mut found = vec![None; pointers.len()];
            compiled.read(text.as_bytes(), |number, value| found[number] = Some(value)).unwrap();
            for (pointer, found) in pointers.iter().zip(found) {
                let found = found.map(|text| serde_json::from_str::<serde_json::Value>(text).unwrap());
                prop_assert_eq!(found.as_ref(), document.pointer(pointer), "{} in {}", pointer, text);
            }
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Pointers::new(["/v/a", "", "/0"]).unwrap().read(&bytes, |_, _| {});
        }
    }
}
