//! Numbers of users and groups by their names, as this machine's own name service knows them.

use super::{Fault, FaultKind, Res};
use std::process::{Command, Stdio};

/// Which list a name stands in, as getent(1) calls it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Accounts {
    /// Users.
    Users,
    /// Groups.
    Groups,
}

impl Accounts {
    /// The number of a name; a text of digits is a number already. `None` where nobody is called so.
    /// getent(1) of the C library is asked and not /etc/passwd: users of a directory service have no
    /// line there.
    ///
    /// # Errors
    /// A [`Fault`] where nothing can be asked.
    pub fn number(self, name: &str) -> Res<Option<u32>> {
        if name.bytes().all(|b| b.is_ascii_digit()) {
            // The largest number means "leave it" to chown(2) and is nobody's.
            return Ok(name.parse().ok().filter(|number| *number != u32::MAX));
        }
        let list = match self {
            Accounts::Users => "passwd",
            Accounts::Groups => "group",
        };
        let asked = Command::new("getent")
            .args(["--", list, name])
            .stdin(Stdio::null())
            .output();
        let answer = asked.map_err(|e| {
            let words = format!("getent cannot be asked: {e}");
            Fault::ours("ask for", name.as_bytes(), FaultKind::Unsupported, &words)
        })?;
        Ok(numbered(&String::from_utf8_lossy(&answer.stdout), name))
    }
}

/// The third field of the line of that name: passwd(5), group(5).
fn numbered(lines: &str, name: &str) -> Option<u32> {
    lines.lines().find_map(|line| {
        let mut fields = line.split(':');
        (fields.next()? == name).then_some(())?;
        fields.nth(1)?.parse().ok()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_have_their_numbers_and_numbers_are_their_own() {
        // root is 0 on every Linux machine (common practice, no source).
        assert_eq!(Accounts::Users.number("root").unwrap(), Some(0));
        assert_eq!(Accounts::Groups.number("root").unwrap(), Some(0));
        assert_eq!(Accounts::Users.number("65533").unwrap(), Some(65533));
        assert_eq!(Accounts::Users.number("4294967295").unwrap(), None);
        assert_eq!(Accounts::Users.number("99999999999").unwrap(), None);
        assert_eq!(Accounts::Users.number("nobody-is-called-so").unwrap(), None);
        assert_eq!(Accounts::Groups.number("--help").unwrap(), None);
    }

    #[test]
    fn only_the_line_of_that_name_counts() {
        let lines = "editors:x:7:\neditor:x:1004:1005:E:/:/bin/sh\n";
        assert_eq!(numbered(lines, "editor"), Some(1004));
        assert_eq!(numbered("editor:x\n", "editor"), None);
        assert_eq!(numbered("", "editor"), None);
    }
}
