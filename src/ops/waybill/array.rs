//! A job-array script for a scheduler that is there already: one task of the array a waybill.
//!
//! `#SBATCH --array` and `SLURM_ARRAY_TASK_ID` are Slurm's own words (sbatch(1)). The script is plain
//! sh and runs without Slurm as well, with that one variable set.

use super::Written;
use crate::ops::manifest::put;
use crate::trouble::Trouble;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

/// Writes `array.sh` beside the waybills and answers where it lies.
///
/// # Errors
/// [`Trouble`] where it cannot be written.
pub fn write(folder: &Path, written: &[Written]) -> Result<PathBuf, Trouble> {
    let path = folder.join("array.sh");
    let names = written.iter().filter_map(|one| one.path.file_name());
    let names: Vec<&[u8]> = names.map(OsStrExt::as_bytes).collect();
    let here = std::path::absolute(folder).unwrap_or_else(|_| folder.to_path_buf());
    put(&path, &script(here.as_os_str().as_bytes(), &names))?;
    Ok(path)
}

/// The script, for waybills by their names in one folder.
fn script(folder: &[u8], names: &[&[u8]]) -> Vec<u8> {
    let mut text = format!(
        "#!/bin/sh\n\
         #SBATCH --job-name=poolward\n\
         #SBATCH --array=1-{}\n\
         # One task a waybill. SOURCE and DESTINATION name the two ends as the machine has them that\n\
         # runs a task; leave out the one that a task does not need. WAYBILLS names this folder where\n\
         # it lies elsewhere there, POOLWARD the program. A task that was stopped goes on where it was\n\
         # when it runs again. Then, at home: poolward absorb *.receipt\n\
         set -eu\n\
         waybills=${{WAYBILLS-",
        names.len()
    )
    .into_bytes();
    text.extend(quoted(folder));
    text.extend_from_slice(
        b"}\ncase ${SLURM_ARRAY_TASK_ID:?is set by the scheduler: the number of a waybill} in\n",
    );
    for (at, name) in names.iter().enumerate() {
        text.extend_from_slice(format!("{}) name=", at + 1).as_bytes());
        text.extend(quoted(name));
        text.extend_from_slice(b" ;;\n");
    }
    text.extend_from_slice(
        b"*) echo \"poolward: no waybill has the number $SLURM_ARRAY_TASK_ID\" >&2; exit 2 ;;\nesac\n\
          set -- carry \"$waybills/$name\"\n\
          [ -z \"${SOURCE-}\" ] || set -- \"$@\" --source \"$SOURCE\"\n\
          [ -z \"${DESTINATION-}\" ] || set -- \"$@\" --destination \"$DESTINATION\"\n\
          exec \"${POOLWARD-poolward}\" \"$@\"\n",
    );
    text
}

/// One word of sh, whatever bytes it has: between single quotes nothing means anything but the
/// closing one (POSIX, Shell Command Language, 2.2.2).
fn quoted(bytes: &[u8]) -> Vec<u8> {
    let mut out = vec![b'\''];
    for byte in bytes {
        match byte {
            b'\'' => out.extend_from_slice(b"'\\''"),
            other => out.push(*other),
        }
    }
    out.push(b'\'');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::process::Command;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// The shell itself says what a quoted word means.
        #[test]
        fn a_quoted_word_comes_out_of_sh_as_it_went_in(word in prop::collection::vec(1u8.., 0..40)) {
            use std::os::unix::ffi::OsStrExt;
            let mut line = b"printf %s ".to_vec();
            line.extend(quoted(&word));
            let out = Command::new("sh").arg("-c").arg(std::ffi::OsStr::from_bytes(&line)).output().unwrap();
            prop_assert!(out.status.success());
            prop_assert_eq!(out.stdout, word);
        }
    }

    #[test]
    fn every_waybill_has_its_number() {
        let text = String::from_utf8(script(b"/x y", &[b"a.copy.waybill", b"it's.copy.waybill"])).unwrap();
        for line in [
            "#SBATCH --array=1-2",
            "waybills=${WAYBILLS-'/x y'}",
            "1) name='a.copy.waybill' ;;",
        ] {
            assert!(text.lines().any(|found| found == line), "no {line} in {text}");
        }
        assert!(text.contains("2) name='it'\\''s.copy.waybill' ;;"), "{text}");
    }
}
