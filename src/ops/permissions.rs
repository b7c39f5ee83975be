//! What the user sets instead of carrying it, with the names of users and groups looked up on the
//! machine that writes.

use super::settings::PermissionWords;
use crate::entry::Permissions;
use crate::trouble::Trouble;
use crate::world::Accounts;

/// The numbers behind the words of `move.toml`.
///
/// # Errors
/// `no-such-account` where nobody has a name.
pub fn permissions(words: &PermissionWords) -> Result<Permissions, Trouble> {
    let number = |of: Accounts, name: &Option<String>| match name {
        Some(name) => known(of, name).map(Some),
        None => Ok(None),
    };
    Ok(Permissions {
        uid: number(Accounts::Users, &words.user)?,
        gid: number(Accounts::Groups, &words.group)?,
        directories: words.directories,
        files: words.files,
    })
}

fn known(of: Accounts, name: &str) -> Result<u32, Trouble> {
    let what = match of {
        Accounts::Users => "user",
        Accounts::Groups => "group",
    };
    let refused = |why: String| {
        Trouble::usage(
            "no-such-account",
            format!("[permissions] owner names the {what} {name:?}: {why}"),
        )
        .mend(format!(
            "Write the name of a {what} of this machine, or its number as the pool should store it."
        ))
    };
    match of.number(name) {
        Ok(Some(number)) => Ok(number),
        Ok(None) => Err(refused("this machine knows none of that name".into())),
        Err(fault) => Err(refused(fault.words)),
    }
}
