//! Lines of equal shape to groups: a tree of fixed depth, and a memory for signatures.
//!
//! # Source
//! The tree of fixed depth with a similarity threshold in its leaves is that of He, Zhu, Zheng and Lyu (2017),
//! "Drain: an online log parsing approach with fixed depth tree", ICWS. Ours differs: the first level is the row
//! of marks and blanks instead of the number of words, numbers are recognised before and never compared, and the
//! answer for a signature is remembered, so that most lines cost one pass over their bytes and one look-up.

use std::collections::{BTreeMap, HashMap};

use crate::learn::token::{self, Class, Signature, Token};

/// Groups at most; later lines of yet another shape are counted and not grouped.
const MOST_GROUPS: usize = 8_192;
/// Groups in one leaf at most; beyond, the nearest takes the line.
const MOST_IN_LEAF: usize = 48;
/// Places of the memory for signatures, a power of two.
const REMEMBERED: usize = 1 << 15;
/// Longest word that is compared, bytes; a longer one counts as varying.
const LONGEST_WORD: usize = 64;
/// Groups that differ in one word become one from this many on, where two words stand beside it …
const VARIANTS: usize = 3;
/// … and from this many on, where one does. Ours, tuned on no outside data.
const VARIANTS_ALONE: usize = 5;

/// Number of a group as it was when the line came; see [`Miner::settled`].
pub type GroupId = u32;

/// What stands at one place of a group's lines.
#[derive(Clone, Debug)]
pub enum Piece {
    /// The same in all lines.
    Fixed(Box<[u8]>),
    /// Something that differs.
    Varying(Varying),
}

/// Groups whose lines may be of closer ones too: `(group, closer)`. When lines are decoded, the closer shape takes them.
pub(super) fn nested(groups: &[Group]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    for (general, group) in groups.iter().enumerate() {
        let closer = groups.iter().enumerate().filter(|(_, closer)| {
            closer.skeleton == group.skeleton && closer.lines > 1 && closer.is_within(group)
        });
        found.extend(closer.map(|(closer, _)| (general, closer)));
    }
    found
}

/// What is known of a place that differs from line to line.
#[derive(Clone, Debug, Default)]
pub struct Varying {
    /// Bit set of the classes that were met.
    classes: u16,
    /// All texts were rows of hexadecimal digits.
    hex_only: bool,
    signed: bool,
    /// The texts that were compared were all of two characters.
    pairs: bool,
}

impl Varying {
    fn of(class: Class, text: &[u8]) -> Self {
        let mut varying = Self { hex_only: true, pairs: true, ..Self::default() };
        varying.take(class, text);
        varying
    }

    fn take(&mut self, class: Class, text: &[u8]) {
        self.classes |= 1 << class as u16;
        self.hex_only &= token::is_hex(text);
        self.pairs &= text.len() == 2;
        self.signed |= text.first().is_some_and(|b| matches!(b, b'+' | b'-'));
    }

    fn join(&mut self, other: &Self) {
        self.classes |= other.classes;
        self.hex_only &= other.hex_only;
        self.signed |= other.signed;
        self.pairs &= other.pairs;
    }

    /// Whether a class was met here.
    pub fn has(&self, class: Class) -> bool {
        self.classes & (1 << class as u16) != 0
    }

    /// Whether no other class was met here.
    pub fn only(&self, classes: &[Class]) -> bool {
        let mask = classes.iter().fold(0, |mask, class| mask | 1u16 << *class as u16);
        self.classes & !mask == 0
    }

    /// Whether all texts were rows of hexadecimal digits.
    pub fn is_hex(&self) -> bool {
        self.hex_only
    }

    /// Whether a sign stood before a number.
    pub fn is_signed(&self) -> bool {
        self.signed
    }
}

/// Lines of one shape.
#[derive(Clone, Debug)]
pub struct Group {
    /// What stands at each place, and whether a blank stands before it.
    pub pieces: Vec<(bool, Piece)>,
    /// How many lines.
    pub lines: u64,
    /// One of its lines, the first.
    pub example: Box<[u8]>,
    skeleton: u64,
}

impl Group {
    fn new(line: &[u8], tokens: &[Token], skeleton: u64) -> Self {
        let piece = |token: &Token| {
            let text = token.text(line);
            let piece = if token.class.is_number() || text.len() > LONGEST_WORD {
                Piece::Varying(Varying::of(token.class, text))
            } else {
                Piece::Fixed(text.into())
            };
            (token.blank, piece)
        };
        let cut = line.get(..1_024).unwrap_or(line);
        Self { pieces: tokens.iter().map(piece).collect(), lines: 0, example: cut.into(), skeleton }
    }

    /// Whether each line of this group could be one of the other, and more of it is fixed here.
    fn is_within(&self, other: &Self) -> bool {
        let mut closer = false;
        let pairs = || self.pieces.iter().zip(&other.pieces);
        let alike = pairs().all(|((blank, own), (other_blank, other))| {
            blank == other_blank
                && match (own, other) {
                    (Piece::Fixed(own), Piece::Fixed(other)) => own == other,
                    (Piece::Varying(_), Piece::Varying(_)) => true,
                    (Piece::Fixed(own), Piece::Varying(_)) => {
                        closer |= own.iter().any(u8::is_ascii_alphabetic);
                        true
                    }
                    (Piece::Varying(_), Piece::Fixed(_)) => false,
                }
        });
        alike && closer && self.pieces.len() == other.pieces.len()
    }

    /// Whether a line has this shape, its varying places of classes that were met there.
    pub(super) fn fits(&self, line: &[u8], tokens: &[Token]) -> bool {
        self.pieces.len() == tokens.len()
            && self.pieces.iter().zip(tokens).all(|((blank, piece), token)| {
                *blank == token.blank
                    && match piece {
                        Piece::Fixed(fixed) => **fixed == *token.text(line),
                        Piece::Varying(varying) => varying.has(token.class),
                    }
            })
    }

    /// How alike a line is: equal words over compared words; 1 where there is nothing to compare.
    #[allow(clippy::cast_precision_loss)]
    fn likeness(&self, line: &[u8], tokens: &[Token]) -> f64 {
        let (mut equal, mut compared) = (0u32, 0u32);
        for ((_, piece), token) in self.pieces.iter().zip(tokens) {
            let text = token.text(line);
            match piece {
                Piece::Varying(_) => {}
                Piece::Fixed(fixed) if **fixed == *text => {
                    let word = token.class != Class::Mark;
                    equal += u32::from(word);
                    compared += u32::from(word);
                }
                // Two words with digits differ as numbers do.
                Piece::Fixed(fixed) if token::has_digit(fixed) && token::has_digit(text) => {}
                Piece::Fixed(_) => compared += 1,
            }
        }
        if compared == 0 { 1.0 } else { f64::from(equal) / f64::from(compared) }
    }

    fn take(&mut self, line: &[u8], tokens: &[Token]) {
        for ((_, piece), token) in self.pieces.iter_mut().zip(tokens) {
            let text = token.text(line);
            match piece {
                Piece::Varying(varying) => varying.take(token.class, text),
                Piece::Fixed(fixed) if **fixed == *text => {}
                Piece::Fixed(fixed) => {
                    let mut varying = Varying::of(Class::Word, fixed);
                    varying.take(token.class, text);
                    *piece = Piece::Varying(varying);
                }
            }
        }
    }

    fn join(&mut self, other: &Self) {
        self.lines += other.lines;
        for ((_, mine), (_, theirs)) in self.pieces.iter_mut().zip(&other.pieces) {
            let taken = match (&*mine, theirs) {
                (Piece::Fixed(a), Piece::Fixed(b)) if a == b => continue,
                (Piece::Fixed(a), Piece::Fixed(b)) => {
                    let mut varying = Varying::of(Class::Word, a);
                    varying.take(Class::Word, b);
                    varying
                }
                (Piece::Fixed(a), Piece::Varying(b)) => {
                    let mut varying = Varying::of(Class::Word, a);
                    varying.join(b);
                    varying
                }
                (Piece::Varying(a), Piece::Fixed(b)) => {
                    let mut varying = a.clone();
                    varying.take(Class::Word, b);
                    varying
                }
                (Piece::Varying(a), Piece::Varying(b)) => {
                    let mut varying = a.clone();
                    varying.join(b);
                    varying
                }
            };
            *mine = Piece::Varying(taken);
        }
    }

    fn ends_in_bytes(&self) -> bool {
        matches!(self.pieces.last(), Some((_, Piece::Varying(varying))) if varying.has(Class::Bytes))
    }

    /// Whether this is a shorter line of `row`, whose bytes look like one number or two.
    fn is_short_of(&self, row: &Self) -> bool {
        let Some(same) = row.pieces.len().checked_sub(1) else { return false };
        let (Some(mine), Some(theirs)) = (self.pieces.get(..same), row.pieces.get(..same)) else {
            return false;
        };
        let tail = self.pieces.get(same..).unwrap_or_default();
        let equal = mine.iter().zip(theirs).all(|(a, b)| match (&a.1, &b.1) {
            (Piece::Fixed(a), Piece::Fixed(b)) => a == b,
            (Piece::Varying(_), Piece::Varying(_)) => true,
            _ => false,
        });
        let pairs = tail.iter().all(|(_, piece)| {
            matches!(piece, Piece::Varying(v) if v.pairs && v.only(&[Class::Integer, Class::Hex]))
        });
        equal && same > 0 && (1..=2).contains(&tail.len()) && pairs
    }

    /// Hash of everything but the word at `place`, and how many words stand beside it.
    fn without(&self, place: usize) -> (u64, usize) {
        let mut hash = self.skeleton ^ place as u64;
        let mut words = 0;
        for (i, (_, piece)) in self.pieces.iter().enumerate() {
            let value = match piece {
                _ if i == place => 1,
                Piece::Varying(varying) => {
                    words += usize::from(varying.has(Class::Word));
                    2
                }
                Piece::Fixed(fixed) => {
                    words += usize::from(fixed.first().is_some_and(u8::is_ascii_alphabetic));
                    token::hash(fixed)
                }
            };
            hash = hash.rotate_left(7).wrapping_mul(0x2545_f491_4f6c_dd1d) ^ value;
        }
        (hash, words)
    }
}

/// Groups lines by their shape as they come.
///
/// Memory is bounded: at most 8,192 groups of 96 places with 64 bytes each, and a fixed memory for signatures.
pub struct Miner {
    groups: Vec<Group>,
    leaves: HashMap<(u64, u64), Vec<GroupId>>,
    remembered: Vec<(u64, GroupId)>,
    tokens: Vec<Token>,
    ungrouped: u64,
}

impl Default for Miner {
    fn default() -> Self {
        Self::new()
    }
}

impl Miner {
    /// Without lines.
    pub fn new() -> Self {
        Self {
            groups: Vec::new(),
            leaves: HashMap::new(),
            remembered: vec![(0, GroupId::MAX); REMEMBERED],
            tokens: Vec::with_capacity(token::MOST_TOKENS),
            ungrouped: 0,
        }
    }

    /// Takes a line without its end; `None` when no more groups can be kept.
    pub fn push(&mut self, line: &[u8]) -> Option<GroupId> {
        self.tokens.clear();
        let signature = token::scan(line, &mut self.tokens);
        let place = (signature.exact ^ signature.exact >> 32) as usize & (REMEMBERED - 1);
        if let Some((exact, id)) = self.remembered.get(place)
            && *exact == signature.exact
            && let Some(group) = self.groups.get_mut(*id as usize)
        {
            group.lines += 1;
            return Some(*id);
        }
        let id = self.find(line, signature);
        match id.and_then(|id| self.groups.get_mut(id as usize)) {
            Some(group) => group.lines += 1,
            None => self.ungrouped += 1,
        }
        if let (Some(id), Some(memory)) = (id, self.remembered.get_mut(place)) {
            *memory = (signature.exact, id);
        }
        id
    }

    fn find(&mut self, line: &[u8], signature: Signature) -> Option<GroupId> {
        let first = self.tokens.iter().find(|token| token.class != Class::Mark);
        let first = first.map_or(0, |token| match token.class {
            Class::Word if !token::has_digit(token.text(line)) => token::hash(token.text(line)),
            _ => 0,
        });
        let full = self.groups.len() >= MOST_GROUPS;
        if full && !self.leaves.contains_key(&(signature.skeleton, first)) {
            return None;
        }
        let leaf = self.leaves.entry((signature.skeleton, first)).or_default();
        let mut best: Option<(GroupId, f64)> = None;
        for id in leaf.iter() {
            let Some(group) = self.groups.get(*id as usize) else { continue };
            let likeness = group.likeness(line, &self.tokens);
            if best.is_none_or(|(_, most)| likeness > most) {
                best = Some((*id, likeness));
            }
        }
        let crowded = leaf.len() >= MOST_IN_LEAF;
        if let Some((id, _)) = best.filter(|(_, likeness)| *likeness > 0.5 || crowded) {
            if let Some(group) = self.groups.get_mut(id as usize) {
                group.take(line, &self.tokens);
            }
            return Some(id);
        }
        if full {
            return None;
        }
        let id = GroupId::try_from(self.groups.len()).ok()?;
        self.groups.push(Group::new(line, &self.tokens, signature.skeleton));
        leaf.push(id);
        Some(id)
    }

    /// Lines that came when no more groups could be kept.
    pub fn ungrouped(&self) -> u64 {
        self.ungrouped
    }

    /// The groups as they are after all lines: those that differ in one word only are one. Gives them, and the
    /// place in them of each [`GroupId`].
    pub fn settled(&self) -> (Vec<Group>, Vec<usize>) {
        let mut owner: Vec<usize> = (0..self.groups.len()).collect();
        let mut families: BTreeMap<(u64, usize), Vec<usize>> = BTreeMap::new();
        for (id, group) in self.groups.iter().enumerate() {
            for (place, (_, piece)) in group.pieces.iter().enumerate() {
                let word = |fixed: &[u8]| fixed.iter().any(|b| b.is_ascii_alphanumeric());
                if matches!(piece, Piece::Fixed(fixed) if word(fixed)) {
                    let (hash, words) = group.without(place);
                    families.entry((hash, words)).or_default().push(id);
                }
            }
        }
        let mut families: Vec<_> = families.into_iter().collect();
        families.sort_by_key(|(_, members)| (usize::MAX - members.len(), members.first().copied()));
        for ((_, words), members) in families {
            let least = if words >= 2 { VARIANTS } else { VARIANTS_ALONE };
            let free: Vec<usize> = members.into_iter().filter(|id| owner[*id] == *id).collect();
            if words == 0 || free.len() < least {
                continue;
            }
            if let Some((head, rest)) = free.split_first() {
                rest.iter().for_each(|id| owner[*id] = *head);
            }
        }
        for (id, head) in self.short_rows(&owner) {
            owner[id] = head;
        }
        let mut places = vec![usize::MAX; self.groups.len()];
        let mut settled: Vec<Group> = Vec::new();
        for (id, group) in self.groups.iter().enumerate().filter(|(id, _)| owner[*id] == *id) {
            places[id] = settled.len();
            settled.push(group.clone());
        }
        for (id, group) in self.groups.iter().enumerate().filter(|(id, _)| owner[*id] != *id) {
            let mut head = owner[id];
            while owner[head] != head {
                head = owner[head];
            }
            places[id] = places[head];
            if let Some(of_head) = settled.get_mut(places[head]) {
                of_head.join(group);
            }
        }
        (settled, places)
    }

    /// Groups that end in one or two bytes which look like numbers, each with the group that ends in a row of bytes
    /// behind the same words.
    fn short_rows(&self, owner: &[usize]) -> Vec<(usize, usize)> {
        let whole = |id: &usize| owner.get(*id) == Some(id);
        let rows: Vec<usize> =
            (0..self.groups.len()).filter(whole).filter(|id| self.groups[*id].ends_in_bytes()).collect();
        let shorts = (0..self.groups.len()).filter(whole).filter(|id| !self.groups[*id].ends_in_bytes());
        shorts
            .filter_map(|id| {
                let group = self.groups.get(id)?;
                let head = rows
                    .iter()
                    .find(|row| self.groups.get(**row).is_some_and(|row| group.is_short_of(row)))?;
                Some((id, *head))
            })
            .collect()
    }
}
