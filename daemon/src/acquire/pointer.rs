//! The written form of JSON Pointers: RFC 6901, sections 3 and 4.

/// Most steps of a pointer.
pub const MOST_STEPS: usize = 32;

/// A text that is no JSON Pointer, or one of too many steps.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is not a JSON Pointer of at most {MOST_STEPS} steps (RFC 6901)")]
pub struct BadPointer(pub(super) String);

/// The steps of a pointer with `~1` and `~0` put back.
pub(super) fn steps(pointer: &str) -> Option<Vec<Box<str>>> {
    if pointer.is_empty() {
        return Some(Vec::new());
    }
    let steps: Vec<_> = pointer.strip_prefix('/')?.split('/').map(unescaped).collect::<Option<_>>()?;
    (steps.len() <= MOST_STEPS).then_some(steps)
}

fn unescaped(step: &str) -> Option<Box<str>> {
    let mut parts = step.split('~');
    let mut text = parts.next()?.to_owned();
    for part in parts {
        let (mark, rest) = part.split_at_checked(1)?;
        text.push(match mark {
            "0" => '~',
            "1" => '/',
            _ => return None,
        });
        text.push_str(rest);
    }
    Some(text.into())
}

/// Digits without a leading zero, as RFC 6901 section 4 has it.
pub(super) fn array_index(step: &str) -> Option<usize> {
    let plain = step == "0" || (!step.starts_with('0') && step.bytes().all(|byte| byte.is_ascii_digit()));
    if plain { step.parse().ok() } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_that_is_no_pointer_is_refused() {
        for text in ["foo", "/a~", "/a~2b", "/a~~0", &"/x".repeat(33)] {
            assert_eq!(steps(text), None, "{text:?}");
        }
    }

    #[test]
    fn escapes_are_put_back_in_one_go() {
        assert_eq!(steps("/~01/a~1b/"), Some(vec!["~1".into(), "a/b".into(), "".into()]));
    }

    #[test]
    fn an_index_has_no_leading_zero() {
        let all = ["0", "7", "10", "00", "01", "", "-", "+1", "1a"].map(array_index);
        assert_eq!(all, [Some(0), Some(7), Some(10), None, None, None, None, None, None]);
    }
}
