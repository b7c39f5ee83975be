//! Layouts as people write them: `VDEVS x WIDTH LEVEL`, spares behind a plus.

use crate::names::nearest;
use crate::trouble::Trouble;
use std::fmt;

/// The redundancy of one vdev.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// One disk, no redundancy.
    Stripe,
    /// Every disk holds everything.
    Mirror,
    /// One disk's worth of parity.
    Raidz1,
    /// Two disks' worth of parity.
    Raidz2,
    /// Three disks' worth of parity.
    Raidz3,
}

/// Equal vdevs and hot spares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Layout {
    vdevs: u32,
    width: u32,
    level: Level,
    spares: u32,
}

/// More disks in one vdev than OpenZFS takes in a raidz (`VDEV_RAIDZ_MAXCHILDREN`,
/// include/sys/vdev_raidz.h; from memory). Held for mirrors too, where nobody comes near it.
const WIDTH_MAX: u32 = 255;

/// More vdevs or spares than any chassis holds; a larger number is a slip of the keyboard.
const VDEVS_MAX: u32 = 10_000;

const LEVELS: [(&str, Level); 5] = [
    ("stripe", Level::Stripe),
    ("mirror", Level::Mirror),
    ("raidz1", Level::Raidz1),
    ("raidz2", Level::Raidz2),
    ("raidz3", Level::Raidz3),
];

/// What people write who come from other systems, and the level that survives as much.
const COUSINS: [(&str, Level); 9] = [
    ("raidz", Level::Raidz1),
    ("raid0", Level::Stripe),
    ("single", Level::Stripe),
    ("raid1", Level::Mirror),
    ("raid10", Level::Mirror),
    ("raid5", Level::Raidz1),
    ("raid50", Level::Raidz1),
    ("raid6", Level::Raidz2),
    ("raid60", Level::Raidz2),
];

impl Level {
    /// Parity disks of a raidz; 0 for stripes and mirrors.
    pub fn parity(self) -> u32 {
        match self {
            Level::Stripe | Level::Mirror => 0,
            Level::Raidz1 => 1,
            Level::Raidz2 => 2,
            Level::Raidz3 => 3,
        }
    }

    /// Whether blocks are spread over the disks with parity.
    pub fn is_raidz(self) -> bool {
        self.parity() > 0
    }

    /// The smallest and the largest width of a vdev. OpenZFS takes a raidz of parity + 1 disks,
    /// wasteful as it is (zpoolconcepts(7): at least P + 1).
    pub fn widths(self) -> (u32, u32) {
        match self {
            Level::Stripe => (1, 1),
            Level::Mirror => (2, WIDTH_MAX),
            _ => (self.parity() + 1, WIDTH_MAX),
        }
    }

    /// The word: `raidz2`.
    pub fn word(self) -> &'static str {
        match self {
            Level::Stripe => "stripe",
            Level::Mirror => "mirror",
            Level::Raidz1 => "raidz1",
            Level::Raidz2 => "raidz2",
            Level::Raidz3 => "raidz3",
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl Layout {
    /// Checks the numbers.
    ///
    /// # Errors
    /// `layout` with the nearest sensible layout as its mend.
    pub fn new(vdevs: u32, width: u32, level: Level, spares: u32) -> Result<Layout, Trouble> {
        let wanted = Layout {
            vdevs,
            width,
            level,
            spares,
        };
        let (least, most) = level.widths();
        let why = if vdevs == 0 || width == 0 {
            "it has no disks".to_string()
        } else if vdevs > VDEVS_MAX || spares > VDEVS_MAX {
            format!("no pool has more than {VDEVS_MAX} vdevs or spares")
        } else if width < least {
            format!("a {level} vdev takes at least {least} disks")
        } else if level == Level::Stripe && width > most {
            "a stripe vdev is one disk".to_string()
        } else if width > most {
            format!("a {level} vdev takes at most {most} disks")
        } else {
            return Ok(wanted);
        };
        let total = u64::from(vdevs) * u64::from(width);
        Err(
            Trouble::usage("layout", format!("the layout {wanted} does not add up: {why}")).mend(format!(
                "The nearest that does is {}.",
                near(total, level, spares)
            )),
        )
    }

    /// Reads `2 x 7 raidz2`, `7x2 mirror`, `4 x 1 stripe`, `2 x 7 raidz2 + 1`.
    ///
    /// # Errors
    /// `layout` with the nearest sensible layout as its mend; `layout-draid` for dRAID.
    pub fn parse(text: &str) -> Result<Layout, Trouble> {
        let lower = text.trim().to_ascii_lowercase().replace('×', "x");
        if lower.contains("draid") {
            return Err(Trouble::usage(
                "layout-draid",
                format!("dRAID is not supported (layout {text:?})"),
            )
            .mend("Its space follows other rules; write a raidz layout, for example 2 x 7 raidz2 + 1."));
        }
        let (body, spares) = match lower.split_once('+') {
            Some((body, spares)) => (body, spares.trim().to_string()),
            None => (lower.as_str(), "0".to_string()),
        };
        let unread = |why: String| {
            Trouble::usage("layout", format!("cannot read the layout {text:?}: {why}")).mend(
                "Write VDEVS x WIDTH LEVEL, for example 2 x 7 raidz2, 7 x 2 mirror or 2 x 7 raidz2 + 1.",
            )
        };
        let (vdevs, rest) = body
            .split_once('x')
            .ok_or_else(|| unread("there is no x between vdevs and width".into()))?;
        let rest = rest.trim_start();
        let end = rest
            .find(|c: char| !c.is_ascii_digit() && c != '-')
            .unwrap_or(rest.len());
        let (width, level) = rest.split_at(end);
        let number = |word: &str, what: &str| {
            let word = word.trim();
            word.parse::<u32>()
                .map_err(|_| unread(format!("{word:?} is no number of {what}")))
        };
        let (vdevs, width) = (number(vdevs, "vdevs")?, number(width, "disks in a vdev")?);
        let spares = number(&spares, "spares")?;
        let level = read_level(level.trim()).map_err(|found| match found {
            Some(level) => unread(format!("the level {:?} is unknown", level.0)).mend(format!(
                "The nearest sensible layout is {}.",
                near(u64::from(vdevs) * u64::from(width), level.1, spares)
            )),
            None => unread("the level is missing".into()),
        })?;
        Layout::new(vdevs, width, level, spares)
    }

    /// Top-level vdevs, 1 or more.
    pub fn vdevs(self) -> u32 {
        self.vdevs
    }

    /// Disks in each vdev, 1 to 255.
    pub fn width(self) -> u32 {
        self.width
    }

    /// The redundancy of each vdev.
    pub fn level(self) -> Level {
        self.level
    }

    /// Hot spares.
    pub fn spares(self) -> u32 {
        self.spares
    }

    /// Disks that hold data or parity.
    pub fn data_disks(self) -> u32 {
        self.vdevs * self.width
    }

    /// All disks, spares included.
    pub fn disks(self) -> u32 {
        self.data_disks() + self.spares
    }

    /// How many disks may fail at worst, all at once, without loss. A spare does not raise it: it
    /// only shortens the time to the next full redundancy.
    pub fn survives_any(self) -> u32 {
        match self.level {
            Level::Mirror => self.width - 1,
            level => level.parity(),
        }
    }

    /// Refuses a layout that needs more disks than there are.
    ///
    /// # Errors
    /// `layout-disks` with the nearest layout for the disks at hand.
    pub fn check_disks(self, at_hand: u32) -> Result<(), Trouble> {
        if at_hand == 0 {
            return Err(Trouble::usage("disks", "0 disks make no pool")
                .mend("Give the number of disks at hand, for example --disks 15."));
        }
        if self.disks() <= at_hand {
            return Ok(());
        }
        Err(Trouble::usage(
            "layout-disks",
            format!(
                "the layout {self} needs {} disks and {at_hand} are at hand",
                self.disks()
            ),
        )
        .mend(format!(
            "The nearest that fits is {}.",
            within(at_hand, self.level)
        )))
    }
}

impl fmt::Display for Layout {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = format!("{} x {} {}", self.vdevs, self.width, self.level);
        if self.spares > 0 {
            text.push_str(&format!(" + {}", self.spares));
        }
        f.pad(&text)
    }
}

/// The level a word means, or the level it comes nearest to.
fn read_level(word: &str) -> Result<Level, Option<(String, Level)>> {
    if let Some((_, level)) = LEVELS.iter().find(|(name, _)| *name == word) {
        return Ok(*level);
    }
    // The trade's short form of raidz1, as zpool-create(8) takes it.
    if word == "raidz" {
        return Ok(Level::Raidz1);
    }
    if word.is_empty() {
        return Err(None);
    }
    let shown: String = word.chars().take(24).collect();
    let known = LEVELS.iter().chain(COUSINS.iter());
    let names: Vec<&str> = known.clone().map(|(name, _)| *name).collect();
    let name = nearest(&shown, names, 1).first().copied().unwrap_or("raidz2");
    let level = known
        .clone()
        .find(|(other, _)| *other == name)
        .map_or(Level::Raidz2, |l| l.1);
    Err(Some((shown, level)))
}

/// A sensible layout of at most so many disks, one or more: with less redundancy where there are too
/// few for as much.
fn within(at_hand: u32, level: Level) -> Layout {
    let levels = [level, Level::Raidz2, Level::Raidz1, Level::Mirror];
    let lighter = levels.into_iter().filter(|other| *other <= level);
    let fits = |level: &Level| near(u64::from(at_hand), *level, 0).disks() <= at_hand;
    let level = lighter.into_iter().find(fits).unwrap_or(Level::Stripe);
    near(u64::from(at_hand), level, 0)
}

/// A sensible layout of about `total` disks that survives as much as `level` does, or as much as
/// so few disks allow.
fn near(total: u64, level: Level, spares: u32) -> Layout {
    let total = u32::try_from(total)
        .unwrap_or(u32::MAX)
        .clamp(1, VDEVS_MAX - VDEVS_MAX % 12);
    let spares = spares.min(total);
    let made = |vdevs, width, level| Layout {
        vdevs,
        width,
        level,
        spares,
    };
    match level {
        Level::Stripe => made(total, 1, level),
        Level::Mirror if total < 2 => made(1, 2, level),
        Level::Mirror => made(total / 2, 2, level),
        raidz => {
            let least = raidz.parity() + 2;
            if total < least {
                return made(1, least, raidz);
            }
            // Vdevs of at most twelve disks, as equal as can be.
            let vdevs = total.div_ceil(12).min(total / least).max(1);
            made(vdevs, total / vdevs, raidz)
        }
    }
}
