//! Chassis files of invented dialects, and logs in them; each is a function of its number.

use std::fmt::Write as _;

use super::random::Random;

const SYLLABLES: [&str; 12] = ["ka", "mi", "to", "ser", "lun", "pad", "key", "adc", "osd", "pan", "ir", "vo"];

/// One invented dialect.
pub(crate) struct Dialect {
    pub(crate) name: String,
    tag: String,
    screen: String,
    field: String,
    between: &'static str,
    stamp: usize,
    hex: bool,
}

impl Dialect {
    pub(crate) fn new(number: u64) -> Self {
        let mut random = Random(number.wrapping_mul(0x5851_f42d_4c95_7f2d) ^ 1187);
        let mut word = |syllables: usize| -> String {
            (0..syllables).map(|_| SYLLABLES[random.below(SYLLABLES.len())]).collect()
        };
        let (tag, screen, field) = (word(3), word(3), word(2));
        Self {
            name: format!("dialect-{number}"),
            tag,
            screen,
            field,
            between: [": ", " > ", " - ", "/ "][random.below(4)],
            stamp: random.below(3),
            hex: random.below(2) == 0,
        }
    }

    /// The chassis file.
    pub(crate) fn file(&self) -> String {
        let Self { name, tag, screen, field, between, .. } = self;
        let prefix = ["[{uptime:seconds}] ", "<{uptime:integer}> ", "{uptime:seconds} "][self.stamp];
        let counts = if self.hex { "0x{counts:hex}" } else { "{counts:integer}" };
        // At rest, so that the reading is the only event.
        let line = self.line(12.5, 1_020);
        format!(
            "[chassis]\nname = \"{name}\"\nversion = 1\nabout = \"invented\"\nsource = \"invented\"\n\n\
             [text]\nprefixes = [\"{prefix}\"]\n\n[clock]\nunit = \"ms\"\n\n\
             [[record]]\nshape = \"{tag}{between}{{line:word}} {field}={counts}\"\nevent = \"reading\"\n\n\
             [[record]]\nshape = \"{screen}{between}{{item:word}} = {{value:text}}\"\nevent = \"change\"\n\n\
             [[record]]\nshape = \"{screen}{between}hidden\"\nevent = \"ignore\"\n\n\
             [[line]]\nname = \"K1\"\nfull_scale = 1023\nsupply_volts = 3.3\npull_up_ohm = 10000\n\
             key = [{{ name = \"KEY_MENU\", to_ground_ohm = 1000 }}, {{ name = \"KEY_OK\", to_ground_ohm = 4700 }}]\n\n\
             [[example]]\ninput = \"{line}\"\nevents = [{{ path = \"keypad\", kind = \"reading\", counts = 1020 }}]\n"
        )
    }

    fn line(&self, seconds: f64, counts: u32) -> String {
        let stamp = match self.stamp {
            0 => format!("[{seconds:.3}] "),
            1 => format!("<{:.0}> ", seconds * 1e3),
            _ => format!("{seconds:.3} "),
        };
        let Self { tag, field, between, .. } = self;
        let counts = if self.hex { format!("0x{counts:x}") } else { counts.to_string() };
        format!("{stamp}{tag}{between}K1 {field}={counts}")
    }

    /// A log of at least `bytes` bytes: readings, and chatter of the set's software between them.
    pub(crate) fn log(&self, bytes: usize) -> String {
        let mut text = String::with_capacity(bytes + 100);
        let mut random = Random(self.tag.len() as u64);
        for i in 0.. {
            let counts = 1_000 + random.below(24) as u32;
            let _ = writeln!(text, "{}", self.line(f64::from(i) * 0.05, counts));
            if i % 5 == 0 {
                let _ = writeln!(text, "net: link {} is up after {} ms", i % 3, random.below(900));
            }
            if text.len() >= bytes {
                break;
            }
        }
        text
    }
}
