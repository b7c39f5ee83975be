//! Reads single values and says of each that cannot be: where it stands, what is wrong, the mend.

use super::place::place;
use super::raw::{Number, Text};
use crate::names::{RelPath, nearest};
use crate::trouble::Trouble;
use crate::units::{Rate, UnitError};
use std::ops::RangeInclusive;
use toml::Spanned;

pub(super) struct Reader<'a> {
    /// The whole file, for lines and columns.
    pub text: &'a str,
}

impl Reader<'_> {
    /// The refusal of the value at this place.
    pub fn wrong(&self, at: usize, key: &str, what: &str, mend: &str) -> Trouble {
        let (line, column) = place(self.text, at);
        Trouble::usage("settings", format!("move.toml:{line}:{column}: {key}: {what}")).mend(mend)
    }

    /// The refusal of this value.
    pub fn bad<T>(&self, value: &Spanned<T>, key: &str, what: &str, mend: &str) -> Trouble {
        self.wrong(value.span().start, key, what, mend)
    }

    /// A quantity.
    pub fn unit<T>(
        &self,
        key: &str,
        value: &Text,
        read: fn(&str) -> Result<T, UnitError>,
    ) -> Result<Option<T>, Trouble> {
        let Some(value) = value else { return Ok(None) };
        let wrong = |e: UnitError| self.bad(value, key, &e.to_string(), &sentence(e.mend));
        read(value.get_ref()).map(Some).map_err(wrong)
    }

    /// A rate at which something moves: with nothing moving, no forecast ever ends.
    pub fn rate(&self, key: &str, value: &Text, mend: &str) -> Result<Option<Rate>, Trouble> {
        let rate = self.unit(key, value, Rate::parse)?;
        match (rate, value) {
            (Some(Rate(0)), Some(value)) => {
                Err(self.bad(value, key, "nothing would move at this rate", mend))
            }
            _ => Ok(rate),
        }
    }

    /// A value that another part reads, with its place put before what it says.
    pub fn other<T>(
        &self,
        key: &str,
        value: &Spanned<String>,
        read: impl Fn(&str) -> Result<T, Trouble>,
    ) -> Result<T, Trouble> {
        read(value.get_ref()).map_err(|trouble| {
            let mend = trouble.mend.clone().unwrap_or_default();
            self.bad(value, key, &trouble.text, &mend)
        })
    }

    /// The same for a value that may be left out.
    pub fn maybe<T>(
        &self,
        key: &str,
        value: &Text,
        read: impl Fn(&str) -> Result<T, Trouble>,
    ) -> Result<Option<T>, Trouble> {
        let value = value.as_ref();
        value.map(|value| self.other(key, value, read)).transpose()
    }

    /// A whole number within a range.
    pub fn number(
        &self,
        key: &str,
        value: &Number,
        range: RangeInclusive<u32>,
    ) -> Result<Option<u32>, Trouble> {
        let Some(value) = value else { return Ok(None) };
        match u32::try_from(*value.get_ref()) {
            Ok(number) if range.contains(&number) => Ok(Some(number)),
            _ => {
                let (least, most) = (range.start(), range.end());
                let what = format!("{} is not {least} to {most}", value.get_ref());
                let mend = format!("Write a whole number from {least} to {most}.");
                Err(self.bad(value, key, &what, &mend))
            }
        }
    }

    /// One of a few words.
    pub fn word<T: Copy>(
        &self,
        key: &str,
        value: &Text,
        words: &[(&str, T)],
        usual: T,
    ) -> Result<T, Trouble> {
        let Some(value) = value else { return Ok(usual) };
        if let Some((_, found)) = words.iter().find(|(word, _)| word == value.get_ref()) {
            return Ok(*found);
        }
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let what = format!("{:?} is none of {}", value.get_ref(), known.join(", "));
        let near = nearest(value.get_ref(), known.iter().copied(), 1).join("");
        Err(self.bad(value, key, &what, &format!("Did you mean {near:?}?")))
    }

    /// A path below a root.
    pub fn path(&self, key: &str, value: &Spanned<String>) -> Result<RelPath, Trouble> {
        RelPath::new(value.get_ref().as_bytes()).map_err(|e| {
            let mend = "Write a path below the source, like \"clients/2019\".";
            self.bad(value, key, &e.to_string(), mend)
        })
    }

    /// A text that says something, where one is given.
    pub fn filled(&self, key: &str, value: &Text) -> Result<Option<String>, Trouble> {
        let Some(value) = value else { return Ok(None) };
        if value.get_ref().trim().is_empty() {
            return Err(self.bad(
                value,
                key,
                "it is empty",
                "Write something, or leave the key out.",
            ));
        }
        Ok(Some(value.get_ref().clone()))
    }
}

fn sentence(mend: &str) -> String {
    let mut letters = mend.chars();
    let first: String = letters
        .next()
        .map(|c| c.to_uppercase().collect())
        .unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}
