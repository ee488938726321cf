//! What the simulated set does with a key: volume, channel, an info banner, a list of sources, a small menu; what is
//! shown closes by itself.

use crate::base::{Key, Nanoseconds};

/// A menu item took a value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// `power`, `screen` (what is shown over the picture), `entry` (the chosen line of it), or the item that took a value.
    pub item: &'static str,
    /// Its value.
    pub value: String,
}

/// The entries of the picture menu with their first values.
const ENTRIES: [(&str, i32); 2] = [("brightness", 50), ("contrast", 60)];
/// The inputs that the list of sources offers.
const SOURCES: [&str; 3] = ["tuner", "hdmi1", "hdmi2"];

/// What the set shows over the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Screen {
    /// The picture menu, with the chosen entry.
    Picture(usize),
    /// What is being watched.
    Banner,
    /// The list of sources.
    Sources,
}

impl Screen {
    fn name(self) -> &'static str {
        match self {
            Self::Picture(_) => "picture",
            Self::Banner => "banner",
            Self::Sources => "sources",
        }
    }

    /// It closes after this long without a key.
    fn time_out(self) -> Nanoseconds {
        match self {
            Self::Picture(_) => Nanoseconds(60_000_000_000),
            Self::Banner => Nanoseconds(4_000_000_000),
            Self::Sources => Nanoseconds(8_000_000_000),
        }
    }
}
/// Highest channel.
const CHANNELS: i32 = 40;

/// The state of the set's software.
#[derive(Clone, Debug)]
pub struct Menu {
    on: bool,
    volume: i32,
    channel: i32,
    source: usize,
    entries: [i32; 2],
    open: Option<Screen>,
    closes: Nanoseconds,
}

impl Default for Menu {
    fn default() -> Self {
        Self {
            on: true,
            volume: 12,
            channel: 7,
            source: 0,
            entries: ENTRIES.map(|(_, value)| value),
            open: None,
            closes: Nanoseconds::ZERO,
        }
    }
}

impl Menu {
    /// The effect of a key at `now`; `repeat` marks the firmware's own repeats. Nothing when the key has none.
    pub fn act(&mut self, now: Nanoseconds, key: Key, repeat: bool) -> Option<Change> {
        let name = key.name();
        if name == "KEY_POWER" {
            return (!repeat).then(|| {
                self.on = !self.on;
                self.open = None;
                change("power", if self.on { "on" } else { "standby" })
            });
        }
        if !self.on {
            return None;
        }
        if let Some(screen) = self.open {
            self.closes = now + screen.time_out();
        }
        let entry = match self.open {
            Some(Screen::Picture(entry)) => Some(entry),
            _ => None,
        };
        match (name, entry) {
            ("KEY_MENU", None) if !repeat => Some(self.show(now, Screen::Picture(0))),
            ("KEY_MENU", Some(_)) if !repeat => self.close(),
            ("KEY_INFO", None) if !repeat => match self.open {
                Some(Screen::Banner) => self.close(),
                _ => Some(self.show(now, Screen::Banner)),
            },
            ("KEY_CHANNELUP", Some(entry)) => Some(self.choose((entry + ENTRIES.len() - 1) % ENTRIES.len())),
            ("KEY_CHANNELDOWN", Some(entry)) => Some(self.choose((entry + 1) % ENTRIES.len())),
            ("KEY_VOLUMEUP", Some(entry)) => self.adjust(entry, 1),
            ("KEY_VOLUMEDOWN", Some(entry)) => self.adjust(entry, -1),
            // Volume runs while its key is held; a channel takes a press each.
            ("KEY_CHANNELUP" | "KEY_CHANNELDOWN", None) if repeat => None,
            ("KEY_CHANNELUP", None) => Some(self.tune(self.channel % CHANNELS + 1)),
            ("KEY_CHANNELDOWN", None) => Some(self.tune((self.channel + CHANNELS - 2) % CHANNELS + 1)),
            ("KEY_VOLUMEUP", None) => self.loudness(1),
            ("KEY_VOLUMEDOWN", None) => self.loudness(-1),
            ("KEY_VIDEO", None) if !repeat => match self.open {
                Some(Screen::Sources) => {
                    self.source = (self.source + 1) % SOURCES.len();
                    Some(change("input", SOURCES.get(self.source).copied().unwrap_or_default()))
                }
                _ => Some(self.show(now, Screen::Sources)),
            },
            _ => None,
        }
    }

    /// Closes what is shown when its time is up. Of the menu this is told; a banner and a list go as they came.
    pub fn tick(&mut self, now: Nanoseconds) -> Option<Change> {
        let screen = self.open.filter(|_| now >= self.closes)?;
        let told = self.close();
        told.filter(|_| matches!(screen, Screen::Picture(_)))
    }

    fn show(&mut self, now: Nanoseconds, screen: Screen) -> Change {
        self.open = Some(screen);
        self.closes = now + screen.time_out();
        change("screen", screen.name())
    }

    fn close(&mut self) -> Option<Change> {
        self.open = None;
        Some(change("screen", "hidden"))
    }

    fn choose(&mut self, entry: usize) -> Change {
        self.open = Some(Screen::Picture(entry));
        change("entry", ENTRIES.get(entry).map_or("", |(name, _)| name))
    }

    fn adjust(&mut self, entry: usize, by: i32) -> Option<Change> {
        let value = self.entries.get_mut(entry)?;
        let wanted = (*value + by).clamp(0, 100);
        (wanted != *value).then(|| {
            *value = wanted;
            change(ENTRIES.get(entry).map_or("", |(name, _)| name), &wanted.to_string())
        })
    }

    fn tune(&mut self, channel: i32) -> Change {
        self.channel = channel;
        change("channel", &channel.to_string())
    }

    fn loudness(&mut self, by: i32) -> Option<Change> {
        let wanted = (self.volume + by).clamp(0, 50);
        (wanted != self.volume).then(|| {
            self.volume = wanted;
            change("volume", &wanted.to_string())
        })
    }
}

fn change(item: &'static str, value: &str) -> Change {
    Change { item, value: value.to_owned() }
}
