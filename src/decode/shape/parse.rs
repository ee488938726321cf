//! Reads a shape from its text.

use std::ops::Range;

use nom::branch::alt;
use nom::bytes::complete::{tag, take_till, take_while1};
use nom::combinator::value;
use nom::sequence::delimited;
use nom::{IResult, Parser};

use crate::base::nearest;
use crate::decode::shape::{Form, MOST_PLACEHOLDERS, Part, Placeholder, Shape};

/// What is wrong with a shape, and where in its text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Bytes of the shape's text.
    pub span: Range<usize>,
    /// What is wrong.
    pub what: String,
    /// What was expected.
    pub expected: String,
}

/// One token of a shape.
#[derive(Clone, Copy)]
enum Token<'a> {
    Fixed(&'a str),
    Blank,
    Placeholder(&'a str),
}

fn token(input: &str) -> IResult<&str, Token<'_>> {
    alt((
        value(Token::Fixed("{"), tag("{{")),
        value(Token::Fixed("}"), tag("}}")),
        delimited(tag("{"), take_till(|c| c == '}' || c == '{'), tag("}")).map(Token::Placeholder),
        take_while1(|c| c == ' ' || c == '\t').map(|_| Token::Blank),
        take_while1(|c| !matches!(c, '{' | '}' | ' ' | '\t')).map(Token::Fixed),
    ))
    .parse(input)
}

/// Reads a shape that follows `prefix`; without one, a prefix, whose blank at the end counts.
///
/// # Errors
/// The first mistake, with its place in `text`.
pub fn parse(prefix: Option<&Shape>, text: &str) -> Result<Shape, Mistake> {
    let mut parts = prefix.map_or_else(Vec::new, |prefix| prefix.parts.clone());
    let prefix_parts = parts.len();
    let mut rest = text;
    while !rest.is_empty() {
        let at = text.len() - rest.len();
        let (after, token) = token(rest).map_err(|_| brace_mistake(rest, at))?;
        let span = at..text.len() - after.len();
        match token {
            Token::Fixed(fixed) => push_literal(&mut parts, prefix_parts, fixed, &span)?,
            Token::Blank if matches!(parts.last(), Some(Part::Blank)) => {}
            Token::Blank => parts.push(Part::Blank),
            Token::Placeholder(inside) => parts.push(Part::Placeholder(placeholder(inside, span)?)),
        }
        rest = after;
    }
    // Blanks at the ends of a line do not count.
    while matches!(parts.last(), Some(Part::Blank)) && prefix.is_some() {
        parts.pop();
    }
    if matches!(parts.first(), Some(Part::Blank)) {
        parts.remove(0);
    }
    find_stops(&mut parts, prefix_parts)?;
    check_names(&parts, prefix_parts)?;
    let text = prefix.map_or(String::new(), |prefix| prefix.text.clone()) + text;
    Ok(Shape { text, parts, prefix_parts })
}

fn push_literal(
    parts: &mut Vec<Part>,
    prefix_parts: usize,
    fixed: &str,
    span: &Range<usize>,
) -> Result<(), Mistake> {
    if fixed.bytes().any(|b| b.is_ascii_control()) {
        return Err(Mistake {
            span: span.clone(),
            what: "a shape holds no control characters".into(),
            expected: "expected printed text; line ends and escape sequences are taken away before".into(),
        });
    }
    if parts.len() > prefix_parts
        && let Some(Part::Literal(bytes)) = parts.last_mut()
    {
        bytes.extend_from_slice(fixed.as_bytes());
    } else {
        parts.push(Part::Literal(fixed.as_bytes().to_vec()));
    }
    Ok(())
}

fn brace_mistake(rest: &str, at: usize) -> Mistake {
    let (what, expected) = if rest.starts_with('{') {
        ("a placeholder is not closed", "expected `{name:form}`; a plain brace is written `{{`")
    } else {
        ("a closing brace without an opening one", "expected `}}` for a plain brace")
    };
    Mistake { span: at..at + 1, what: what.into(), expected: expected.into() }
}

fn placeholder(inside: &str, span: Range<usize>) -> Result<Placeholder, Mistake> {
    let mut pieces = inside.split(':');
    let name = pieces.next().unwrap_or_default().trim();
    let form = pieces.next().map(str::trim);
    let width = pieces.next().map(str::trim);
    let mistake = |what: String, expected: String| Mistake { span: span.clone(), what, expected };
    let words = || Form::ALL.map(|(word, _)| word).join(", ");
    if name.is_empty() || !name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_' || b == b'-') {
        return Err(mistake(
            format!("`{name}` is no name for a placeholder"),
            "expected letters, digits and `_`, as in `{line:word}`".into(),
        ));
    }
    let Some(form) = form else {
        return Err(mistake(
            format!("the placeholder `{name}` has no form"),
            format!("expected `{{{name}:form}}` with one of {}", words()),
        ));
    };
    let Some((_, found)) = Form::ALL.iter().find(|(word, _)| *word == form) else {
        let near = nearest(form, Form::ALL.iter().map(|(word, _)| *word));
        return Err(mistake(
            format!("no form is called `{form}`"),
            match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("expected one of {}", words()),
            },
        ));
    };
    let width = match width {
        None => None,
        Some(digits) => match digits.parse::<u8>() {
            Ok(width @ 1..=64) if matches!(found, Form::Integer | Form::Hex | Form::Word) => Some(width),
            _ => {
                return Err(mistake(
                    format!("`{digits}` is no width for a {form}"),
                    "expected 1 to 64, on integer, hex or word".into(),
                ));
            }
        },
    };
    Ok(Placeholder { name: name.to_owned(), form: *found, width, stop: None, span })
}

/// Gives word and text the byte that ends them, and refuses shapes whose placeholders end nowhere certain.
fn find_stops(parts: &mut [Part], prefix_parts: usize) -> Result<(), Mistake> {
    for i in 0..parts.len() {
        let next = parts.get(i + 1).cloned();
        let after_blank = match (&next, parts.get(i + 2)) {
            (Some(Part::Blank), after) => after.cloned(),
            _ => None,
        };
        let Some(Part::Placeholder(placeholder)) = parts.get_mut(i) else { continue };
        if placeholder.width.is_some() {
            continue;
        }
        let span = if i < prefix_parts { 0..0 } else { placeholder.span.clone() };
        let unsure = |expected: &str| Mistake {
            span: span.clone(),
            what: format!("where `{{{}:{}}}` ends is not certain", placeholder.name, placeholder.form.word()),
            expected: expected.into(),
        };
        match (placeholder.form, &next, &after_blank) {
            (_, Some(Part::Placeholder(_)), _) => {
                return Err(unsure("expected fixed text or a blank before the next placeholder"));
            }
            (Form::Text, Some(Part::Blank), Some(Part::Literal(bytes))) => {
                placeholder.stop = bytes.first().copied();
            }
            (Form::Text, Some(Part::Blank), Some(_)) => {
                return Err(unsure(
                    "expected fixed text behind a text, since a text may hold blanks; or a word",
                ));
            }
            (Form::Bytes, Some(Part::Blank), Some(after)) if !ends_bytes(after) => {
                return Err(unsure("expected a character that is no hexadecimal digit, blank or colon"));
            }
            (Form::Word | Form::Text, Some(Part::Literal(bytes)), _) => {
                placeholder.stop = bytes.first().copied();
            }
            (form, Some(Part::Literal(bytes)), _) if bytes.first().is_some_and(|b| form.holds(*b)) => {
                return Err(unsure("expected a character that cannot belong to the number; or give a width"));
            }
            _ => {}
        }
    }
    Ok(())
}

/// Whether a part behind a blank cannot be taken for one more byte.
fn ends_bytes(part: &Part) -> bool {
    matches!(part, Part::Literal(bytes) if bytes.first().is_some_and(|b| !Form::Bytes.holds(*b)))
}

fn check_names(parts: &[Part], prefix_parts: usize) -> Result<(), Mistake> {
    let placeholders = |parts: &[Part]| -> Vec<Placeholder> {
        parts
            .iter()
            .filter_map(|part| match part {
                Part::Placeholder(placeholder) => Some(placeholder.clone()),
                _ => None,
            })
            .collect()
    };
    let all = placeholders(parts);
    let own = placeholders(parts.get(prefix_parts..).unwrap_or_default());
    for (i, one) in all.iter().enumerate() {
        if !one.name.starts_with('_') && all.iter().skip(i + 1).any(|other| other.name == one.name) {
            let span = own.iter().rev().find(|p| p.name == one.name).map_or(0..0, |p| p.span.clone());
            return Err(Mistake {
                span,
                what: format!("the placeholder `{}` stands twice", one.name),
                expected: "expected each name once; what is not used may be called `_something`".into(),
            });
        }
    }
    if all.len() > MOST_PLACEHOLDERS {
        return Err(Mistake {
            span: 0..0,
            what: format!("{} placeholders in one shape", all.len()),
            expected: format!("expected at most {MOST_PLACEHOLDERS}"),
        });
    }
    Ok(())
}
