//! Numbers that stand in some bits of a captured one, treated as placeholders behind those of the shape.

use crate::base::Result;
use crate::decode::chassis::Bits;
use crate::decode::chassis::compile::Compiler;
use crate::decode::protocol::{Meaning, Record};
use crate::decode::shape::{Form, MOST_PLACEHOLDERS, Part, Placeholder, Shape};

impl Compiler<'_> {
    /// Whether the file has records that later ones complete.
    pub(super) fn has_parts(&self) -> bool {
        let records = self.file.record.iter().map(|record| &record.event);
        let mut all = records.chain(self.file.packet.iter().map(|packet| &packet.event));
        all.any(|event| *event.get_ref() == Meaning::Part)
    }

    /// The shape with a placeholder more for each of the record's `bits`, and where these are found.
    ///
    /// # Errors
    /// `Input`, pointing at bits of what is no captured number, or beyond it.
    pub(super) fn with_bits(&self, record: &Record, shape: &Shape) -> Result<(Shape, Vec<Bits>)> {
        let mut named = shape.clone();
        let mut found = Vec::new();
        let count = shape.placeholders().count();
        for (name, declared) in &record.bits {
            let bits = declared.get_ref();
            let wrong = |what: &str, expected: &str| Err(self.mistake(declared.span(), what, expected));
            let numbers = || shape.placeholders().filter(|p| matches!(p.form, Form::Integer | Form::Hex));
            let of = shape.placeholders().position(|p| p.name == bits.of);
            let Some((of, form)) = of.zip(numbers().find(|p| p.name == bits.of).map(|p| p.form)) else {
                let names: Vec<&str> = numbers().map(|p| p.name.as_str()).collect();
                let expected = format!(
                    "expected a placeholder of the shape that is an integer or hex: {}",
                    names.join(", ")
                );
                return wrong(&format!("the shape captures no number `{}`", bits.of), &expected);
            };
            if bits.bits == 0 || u32::from(bits.bit) + u32::from(bits.bits) > 63 {
                return wrong("bits beyond a number", "expected bits = 1 to 63, and bit + bits at most 63");
            }
            if shape.placeholders().any(|p| p.name == *name) {
                return wrong(&format!("`{name}` stands in the shape too"), "expected each name once");
            }
            if count + found.len() >= MOST_PLACEHOLDERS {
                let expected = format!("expected at most {MOST_PLACEHOLDERS}, bits among them");
                return wrong("too many placeholders", &expected);
            }
            let span = 0..0;
            named.parts.push(Part::Placeholder(Placeholder {
                name: name.clone(),
                form,
                width: None,
                stop: None,
                span,
            }));
            found.push(Bits { of, shift: bits.bit, mask: (1 << bits.bits) - 1 });
        }
        Ok((named, found))
    }
}
