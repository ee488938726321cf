//! The layout of a frame by letters, and the checks between its fields.
//!
//! A layout is written in air order, one character a bit: a letter belongs to the field of that letter, `0`
//! and `1` are constant, round brackets mark bits of double width, `|` separates the two parts of a format
//! that sends its frame in two parts; blanks are for the eye. The bits of one letter stand together.

/// The bits of a frame; the first bit on air is the most significant.
pub(crate) type Word = u64;

/// One field: where its bits stand in the frame's word, whose first bit on air is the most significant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Field {
    pub(crate) letter: char,
    first: u8,
    width: u8,
}

/// A layout, compiled.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    /// Bits on air, all parts.
    pub(crate) bits: u8,
    /// Bits of the first part; equal to `bits` when there is one part only.
    pub(crate) first_part: u8,
    /// Bits of double width; bit `n` of the mask is the `n`-th bit on air.
    pub(crate) double: u64,
    pub(crate) fields: Vec<Field>,
    constant_mask: u64,
    constant: u64,
    lsb_first: bool,
}

impl Layout {
    /// Compiles a layout.
    ///
    /// # Errors
    /// What is wrong and at which byte of `text`.
    pub(crate) fn parse(text: &str, lsb_first: bool) -> Result<Self, (usize, String)> {
        let mut layout = Self {
            bits: 0,
            first_part: 0,
            double: 0,
            fields: Vec::new(),
            constant_mask: 0,
            constant: 0,
            lsb_first,
        };
        let mut double = false;
        let mut parts = 1;
        for (at, c) in text.char_indices() {
            match c {
                ' ' => continue,
                '(' => double = true,
                ')' => double = false,
                '|' if parts == 1 && layout.bits > 0 => {
                    parts = 2;
                    layout.first_part = layout.bits;
                }
                '|' => return Err((at, "a layout has one part or two".to_owned())),
                _ if layout.bits == 64 => return Err((at, "a layout has 64 bits at most".to_owned())),
                '0' | '1' | 'a'..='z' | 'A'..='Z' => layout.add(at, c, double)?,
                _ => {
                    return Err((at, format!("'{}' means nothing in a layout", c.escape_default())));
                }
            }
        }
        if layout.bits == 0 || layout.first_part == layout.bits {
            return Err((0, "the layout has an empty part".to_owned()));
        }
        if parts == 1 {
            layout.first_part = layout.bits;
        }
        Ok(layout)
    }

    fn add(&mut self, at: usize, c: char, double: bool) -> Result<(), (usize, String)> {
        self.constant_mask <<= 1;
        self.constant <<= 1;
        match c {
            '0' | '1' => {
                self.constant_mask |= 1;
                self.constant |= u64::from(c == '1');
            }
            letter => {
                let bits = self.bits;
                let joins = |last: &Field| last.letter == letter && last.first + last.width == bits;
                if let Some(last) = self.fields.last_mut().filter(|last| joins(last)) {
                    last.width += 1;
                } else if self.field(letter).is_some() {
                    return Err((at, format!("the bits of {letter} do not stand together")));
                } else {
                    self.fields.push(Field { letter, first: bits, width: 1 });
                }
            }
        }
        if double {
            self.double |= 1 << self.bits;
        }
        self.bits += 1;
        Ok(())
    }

    /// Index of the field with this letter.
    pub(crate) fn field(&self, letter: char) -> Option<usize> {
        self.fields.iter().position(|field| field.letter == letter)
    }

    /// Value of a field in the frame's word.
    pub(crate) fn value(&self, word: Word, field: usize) -> u64 {
        let Some(field) = self.fields.get(field) else { return 0 };
        let shift = u32::from(self.bits - field.first - field.width);
        let value = (word >> shift) & ones(field.width);
        if self.lsb_first { value.reverse_bits() >> (64 - u32::from(field.width)) } else { value }
    }

    /// The word with a field set to a value.
    pub(crate) fn with(&self, word: Word, field: usize, value: u64) -> Word {
        let Some(field) = self.fields.get(field) else { return word };
        let shift = u32::from(self.bits - field.first - field.width);
        let mask = ones(field.width);
        let value = value & mask;
        let value =
            if self.lsb_first { value.reverse_bits() >> (64 - u32::from(field.width)) } else { value };
        (word & !(mask << shift)) | (value << shift)
    }

    /// The frame's word with nothing but its constant bits.
    pub(crate) fn blank(&self) -> Word {
        self.constant
    }

    /// Which constant bits a word has wrong; zero when it fits.
    pub(crate) fn wrong_constants(&self, word: Word) -> u64 {
        (word ^ self.constant) & self.constant_mask
    }

    /// Whether a field stands in the first part.
    pub(crate) fn is_in_first_part(&self, field: usize) -> bool {
        self.fields.get(field).is_some_and(|field| field.first < self.first_part)
    }

    /// The first bit on air, where it is constant.
    pub(crate) fn first_bit(&self) -> Option<bool> {
        let top = 1u64 << (self.bits - 1);
        (self.constant_mask & top != 0).then_some(self.constant & top != 0)
    }

    /// How many bits are constant.
    pub(crate) fn constants(&self) -> u32 {
        self.constant_mask.count_ones()
    }

    /// Width of a field in bits.
    pub(crate) fn width(&self, field: usize) -> u32 {
        self.fields.get(field).map_or(0, |field| u32::from(field.width))
    }

    /// Place on air, counted from 1, of the field's bit with this significance.
    pub(crate) fn place(&self, field: usize, bit: u32) -> u32 {
        let Some(field) = self.fields.get(field) else { return 0 };
        let within = if self.lsb_first { bit } else { u32::from(field.width) - 1 - bit };
        u32::from(field.first) + within + 1
    }
}

/// A number of low bits set.
pub(crate) fn ones(width: u8) -> u64 {
    if width >= 64 { u64::MAX } else { (1 << width) - 1 }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Piece {
    Field(usize),
    Constant(bool),
}

/// Fields and constant bits, joined; the first piece is the most significant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Operand(Vec<Piece>);

impl Operand {
    /// Letters and constant bits, for example `1C` or `BA`.
    pub(crate) fn parse(text: &str, layout: &Layout) -> Result<Self, String> {
        if text.is_empty() {
            return Err("a field is missing".to_owned());
        }
        let pieces = text.chars().map(|c| match c {
            '0' | '1' => Ok(Piece::Constant(c == '1')),
            letter => layout
                .field(letter)
                .map(Piece::Field)
                .ok_or_else(|| format!("the layout has no field '{}'", letter.escape_default())),
        });
        let operand = Self(pieces.collect::<Result<_, _>>()?);
        if operand.width(layout) > 32 { Err(format!("{text} has more than 32 bits")) } else { Ok(operand) }
    }

    pub(crate) fn width(&self, layout: &Layout) -> u32 {
        self.0
            .iter()
            .map(|piece| match piece {
                Piece::Field(field) => layout.width(*field),
                Piece::Constant(_) => 1,
            })
            .sum()
    }

    pub(crate) fn value(&self, layout: &Layout, word: Word) -> u64 {
        self.0.iter().fold(0, |value, piece| match piece {
            Piece::Field(field) => (value << layout.width(*field)) | layout.value(word, *field),
            Piece::Constant(bit) => (value << 1) | u64::from(*bit),
        })
    }

    /// Spreads a value over the fields; `None` when a constant bit says otherwise or the value is too large.
    pub(crate) fn assign(&self, layout: &Layout, word: Word, value: u64) -> Option<Word> {
        let mut rest = value;
        let mut word = word;
        for piece in self.0.iter().rev() {
            match piece {
                Piece::Field(field) => {
                    word = layout.with(word, *field, rest);
                    rest >>= layout.width(*field);
                }
                Piece::Constant(bit) => {
                    if (rest & 1 == 1) != *bit {
                        return None;
                    }
                    rest >>= 1;
                }
            }
        }
        (rest == 0).then_some(word)
    }

    /// Fields in it, as a mask of their indices.
    pub(crate) fn mask(&self) -> u64 {
        self.0.iter().fold(0, |mask, piece| match piece {
            Piece::Field(field) => mask | (1 << field),
            Piece::Constant(_) => mask,
        })
    }

    /// Places on air of the bits in which a value differs, counted from 1.
    fn places(&self, layout: &Layout, differing: u64) -> Vec<u32> {
        let mut places = Vec::new();
        let mut shift = 0;
        for piece in self.0.iter().rev() {
            match piece {
                Piece::Field(field) => {
                    let width = layout.width(*field);
                    for bit in 0..width {
                        if differing >> (shift + bit) & 1 == 1 {
                            places.push(layout.place(*field, bit));
                        }
                    }
                    shift += width;
                }
                Piece::Constant(_) => shift += 1,
            }
        }
        places.sort_unstable();
        places
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Right {
    Plain(Operand),
    Not(Operand),
    Xor(Vec<Operand>),
    Fold(Operand),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Relation {
    Equal,
    Differs,
    Near,
}

/// A relation between fields: `c = not C`, `B != not A`, `B ~ not A` (at most one bit differs),
/// `K = xor D S F`, `P = fold4 M` (exclusive or of the four-bit groups).
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Check {
    left: Operand,
    relation: Relation,
    right: Right,
    /// As it stands in the file.
    pub(crate) text: String,
}

impl Check {
    /// Compiles a check.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub(crate) fn parse(text: &str, layout: &Layout) -> Result<Self, String> {
        let mut words = text.split_whitespace();
        let left = Operand::parse(words.next().unwrap_or_default(), layout)?;
        let relation = match words.next() {
            Some("=") => Relation::Equal,
            Some("!=") => Relation::Differs,
            Some("~") => Relation::Near,
            _ => return Err("a check reads FIELD = FIELD, FIELD != … or FIELD ~ …".to_owned()),
        };
        let words: Vec<&str> = words.collect();
        let right = match words.as_slice() {
            ["not", operand] => Right::Not(Operand::parse(operand, layout)?),
            ["fold4", operand] => Right::Fold(Operand::parse(operand, layout)?),
            ["xor", operands @ ..] if operands.len() > 1 => {
                Right::Xor(operands.iter().map(|o| Operand::parse(o, layout)).collect::<Result<_, _>>()?)
            }
            [operand] => Right::Plain(Operand::parse(operand, layout)?),
            _ => {
                return Err("the right side is FIELD, not FIELD, xor FIELD FIELD … or fold4 FIELD".to_owned());
            }
        };
        Ok(Self { left, relation, right, text: text.to_owned() })
    }

    /// How many bits of redundancy it gives.
    pub(crate) fn strength(&self, layout: &Layout) -> u32 {
        if self.relation == Relation::Equal { self.left.width(layout) } else { 0 }
    }

    fn right_value(&self, layout: &Layout, word: Word) -> u64 {
        let value = match &self.right {
            Right::Plain(operand) => operand.value(layout, word),
            Right::Not(operand) => !operand.value(layout, word),
            Right::Xor(operands) => operands.iter().fold(0, |sum, o| sum ^ o.value(layout, word)),
            Right::Fold(operand) => {
                let mut rest = operand.value(layout, word);
                let mut sum = 0;
                while rest > 0 {
                    sum ^= rest & 0xf;
                    rest >>= 4;
                }
                sum
            }
        };
        // Operands hold 32 bits at most, so that the width is in range.
        value & ones(self.left.width(layout).min(64) as u8)
    }

    /// Whether the word meets it.
    pub(crate) fn holds(&self, layout: &Layout, word: Word) -> bool {
        let differing = self.left.value(layout, word) ^ self.right_value(layout, word);
        match self.relation {
            Relation::Equal => differing == 0,
            Relation::Differs => differing != 0,
            Relation::Near => differing.count_ones() <= 1,
        }
    }

    /// Places on air, counted from 1, of the bits on the left side that disagree with the right side.
    pub(crate) fn disagreeing(&self, layout: &Layout, word: Word) -> Vec<u32> {
        let differing = self.left.value(layout, word) ^ self.right_value(layout, word);
        self.left.places(layout, differing)
    }

    /// Computes the side that is unknown from the one that is known; returns the word and the mask of known
    /// fields. Backwards only where that is unique.
    pub(crate) fn complete(&self, layout: &Layout, word: Word, known: u64) -> Option<(Word, u64)> {
        let right = match &self.right {
            Right::Plain(operand) | Right::Not(operand) | Right::Fold(operand) => operand.mask(),
            Right::Xor(operands) => operands.iter().fold(0, |mask, operand| mask | operand.mask()),
        };
        if self.relation != Relation::Equal {
            return None;
        }
        if self.left.mask() & !known == 0 {
            let value = self.left.value(layout, word);
            let (operand, value) = match &self.right {
                Right::Plain(operand) if operand.mask() & known == 0 => (operand, value),
                Right::Not(operand) if operand.mask() & known == 0 => {
                    (operand, !value & ones(operand.width(layout).min(64) as u8))
                }
                _ => return None,
            };
            return Some((operand.assign(layout, word, value)?, known | operand.mask()));
        }
        // `KE = xor …` with E known would overwrite it: only a wholly unknown left side may be computed,
        // and a right side that leans on the left would be a circle.
        if right & !known != 0 || self.left.mask() & known != 0 {
            return None;
        }
        let word = self.left.assign(layout, word, self.right_value(layout, word))?;
        Some((word, known | self.left.mask()))
    }
}
