//! The sorts of hazards with their words, effects and sentences.

use crate::survey::Effect;

macro_rules! sorts {
    ($($name:ident $kind:literal $effect:ident $words:literal)*) => {
        /// A sort of hazard.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Sort {
            $(#[doc = $kind] $name,)*
        }

        impl Sort {
            /// Every sort, in the table's order.
            pub const ALL: &'static [Sort] = &[$(Sort::$name,)*];

            /// Its fixed word.
            pub fn kind(self) -> &'static str {
                match self { $(Sort::$name => $kind,)* }
            }

            /// What it leads to.
            pub fn effect(self) -> Effect {
                match self { $(Sort::$name => Effect::$effect,)* }
            }

            /// What it means and what Poolward does, in one sentence.
            pub fn words(self) -> &'static str {
                match self { $(Sort::$name => $words,)* }
            }
        }
    };
}

sorts! {
    Unreadable "unreadable" Blocks
        "Could not be listed or examined, so nothing is known of what is inside: it is in no batch and stands at release until it can be read or is accepted."
    Boundary "boundary" Blocks
        "Another file system begins here and was not entered: name the folder in `cross` of the source to walk through it, or leave it out."
    NameTooLong "name-too-long" Blocks
        "The name is longer than the destination takes and its file will fail: write a [[rename]] for it."
    NameControl "name-control-character" Loses
        "The name holds a line feed or another control character: it is moved byte for byte and shown escaped, but many programs will stumble over it."
    NameNotUtf8 "name-not-utf8" Loses
        "The name is not UTF-8, so a share may hide it and a dataset made with utf8only refuses it: it is moved byte for byte."
    NamePrivateUse "name-private-use" Loses
        "A character that Windows forbids was stored as a private-use one and shows as a blank box elsewhere: the bytes are kept, and serving them the same way shows the old name."
    NameCase "name-case-collision" Loses
        "Names in one folder differ only in case, so a client that ignores case reaches only one of them: both are moved, and the dataset must be case-sensitive."
    NameNormalization "name-normalization-collision" Loses
        "Names in one folder look the same and differ only in how accents are encoded: both are moved byte for byte, and the dataset must not normalize."
    NameTwoSchemes "name-two-schemes" Loses
        "Characters that Windows forbids were stored by two schemes, so however the share is served one of them shows blank boxes: the bytes are kept, and the names of one scheme want a [[rename]]."
    NameHexTwin "name-hex-twin" Loses
        "Two names in one folder are the same once a colon and two hex digits are read as the character they stand for, as when an old service shows a folder twice: both are moved, so look whether they are one."
    EditPaths "edit-files-hold-paths" Loses
        "Projects of editing programs find their media by full path, which changes with the box: paths inside a project stay as they are, so serve the new share under the old name, or point each program to the new place once."
    SymlinkAbsolute "symlink-absolute" Loses
        "The link holds a full path that will mean something else on the new box: it is moved as it is, never followed."
    SymlinkOutside "symlink-leaves-tree" Loses
        "The link leads out of the source, to something that is not moved: it is kept as it is, never followed."
    HardLinkAcross "hard-link-across-projects" Loses
        "One file has names in several projects: within one dataset it stays one file, across datasets it becomes copies and takes its space again."
    Special "special" Loses
        "Pipes, sockets and devices hold no data: they are recorded and not moved."
    ForkHoldsData "fork-holds-data" Loses
        "The file is empty and its partner holds what there is, as with old fonts: both are moved, and only the pair is the file."
    ExcludedOriginals "excluded-holds-originals" Loses
        "Folders left out for the first character of their names hold video, camera or edit files: look at them before trusting the rule."
    BirthTime "birth-time" Loses
        "Creation times cannot be set on Linux: they are kept in the index and lost at the destination."
    HiddenByMount "cannot-be-known-through-this-mount" Loses
        "This mount cannot show everything the old box holds, so what it hides is neither counted nor moved."
    NameNearLimit "name-near-limit" Untidy
        "The name is over 240 bytes: it fits, but little can be added to it."
    NameGrows "name-too-long-normalized" Untidy
        "The name would pass the limit in another form of its accents, so a dataset that normalizes refuses it: Poolward's commands make datasets that do not, and it is moved byte for byte."
    NameEncrypted "longest-name-143" Untidy
        "No name is longer than 143 bytes, the limit of an encrypted share: nothing is written there, and names that grow on the new box would not fit if they were copied back."
    NameNotDataset "name-not-a-dataset" Untidy
        "A project's name holds what a dataset's name may not: a dataset of its own gets a plain name, and the folder keeps the real one."
    NameUtf16 "name-over-255-utf16" Untidy
        "The name has more than 255 UTF-16 units and cannot be opened from Windows: it is moved as it is."
    NameTrailing "name-trailing-dot-or-space" Untidy
        "The name ends in a dot or a blank and will not open from Windows: it is moved as it is."
    NameReserved "name-reserved" Untidy
        "The name is reserved for a device on Windows and will not open there: it is moved as it is."
    NameWindows "name-windows-character" Untidy
        "The name holds a character that Windows forbids and will be shown altered there: it is moved as it is."
    NameReplacement "name-replacement-character" Untidy
        "The name holds the mark for a character that could not be read, so the name on the old box may be another: it is moved as it is listed."
    NameMangled "name-mangled" Untidy
        "The name looks shortened to eight characters and three by the old box: it is moved as it is, and listing the folder over another protocol may show its true name."
    NameDash "name-leading-dash" Untidy
        "The name begins with a dash and can be mistaken for an option in a command line: it is moved as it is."
    NameHexEscape "name-hex-escape" Untidy
        "The name holds a character written as a colon and two hex digits by an old file service: it is moved as it is."
    NameInvisible "name-invisible-character" Untidy
        "The name holds an invisible character that can make it look like another: it is moved as it is and shown escaped."
    PathTooLong "path-too-long" Untidy
        "The path at the destination is longer than the 4,095 bytes most programs can open: it is moved all the same, folder by folder."
    PathWindows "path-over-260" Untidy
        "The path below the share, with its year and extra folder, is longer than the 260 characters that old Windows programs can open: it is moved as it is."
    SymlinkBroken "symlink-broken" Untidy
        "The link leads to nothing already now: it is moved as it is."
    SymlinkLoop "symlink-loop" Untidy
        "The link leads back to itself: it is moved as it is."
    SymlinkUnknown "symlink-not-followed-up" Untidy
        "There are so many links that not all were checked for their targets: they are moved as they are."
    HardLink "hard-link" Untidy
        "The file has several names: within one dataset they are joined again and take the space once."
    HardLinkOutside "hard-link-outside" Untidy
        "The file has more names than were found here, for instance in a snapshot or in what is left out: those found are moved."
    Sparse "sparse" Untidy
        "Less is stored than the file is long: zeros are written as holes again, and the plan counts the full length."
    NothingAllocated "nothing-allocated" Untidy
        "The mount reports no stored blocks for a file with content, so its holes cannot be trusted: every byte is read."
    ForkPartner "fork-partner" Untidy
        "Partner files carry labels and forks of the file they are named after: both are moved."
    ForkOrphan "fork-partner-orphan" Untidy
        "A partner file whose file is gone: it is moved as it is."
    MediaExecutable "media-executable" Untidy
        "Most media files are marked as programs, a leftover of the old share: the marks are kept unless [permissions] says otherwise."
    SetId "set-id" Untidy
        "The file runs with another user's rights: the mode is kept where the destination allows it."
    OwnerLocked "not-readable-by-owner" Untidy
        "The mode forbids the owner to read or enter it: it is kept, and copying needs an account that may read it."
    Owners "owners" Untidy
        "The files belong to several user and group numbers: they are kept, and must mean the same people on the new box."
    Bundle "bundle" Untidy
        "A folder that a desktop shows as one document: it lies inside one project and is never split."
    CameraCard "camera-card" Untidy
        "The folder of a camera card, whose names and links belong together: it lies inside one project and is never split or renamed."
    SplitClip "split-clip" Untidy
        "Clips cut at 4 GB by the camera's card, each with a time of its own: they lie inside one project and stay together."
    LooksInUse "looks-in-use" Untidy
        "Lock and autosave files show that something may be open: wait until it is closed, or remove them if they are left over."
    ProjectInUse "project-in-use" Untidy
        "Projects with files younger than the quiet days wait for the end."
    NetworkLeftover "network-leftover" Untidy
        "Files a server keeps of something deleted while open, or a download cut short: they are moved unless you leave them out, and one that vanishes is no error."
    DesktopMetadata "desktop-metadata" Untidy
        "Small files that desktops write; some hold comments: they are moved."
    CacheMedia "cache" Untidy
        "Files that a program can make again: they are moved unless you leave them out."
    HashList "hash-list" Untidy
        "Lists of hashes lie beside the files: `verify` holds what it reads back against the lists it can read, the only proof that the files are still what they were."
    TimeFuture "time-in-future" Untidy
        "The time lies more than two days ahead: it is kept and is no evidence for a year."
    TimeEpoch "time-implausible" Untidy
        "The time is older than 1990 or midnight of a new year, as clocks write that were never set: it is kept and is no evidence for a year."
    CopyDay "bulk-copy-day" Untidy
        "Many times lie within 48 hours in several projects, as after a copy that did not keep them: they are kept and are no evidence for a year."
    WholeSeconds "times-in-whole-seconds" Untidy
        "This mount tells times to the second only: they are compared to the second."
    TwoSeconds "times-in-two-seconds" Untidy
        "This mount tells times to two seconds only, as memory cards do: they are compared that coarsely."
    Racy "time-racy" Untidy
        "Changed so shortly before the scan that one more change could leave the same time and not be seen: its content is read again before its source may go."
    DateDisagrees "date-disagrees" Untidy
        "The sources of a project's date contradict each other or are weak: see the questions."
    DateAmbiguous "date-ambiguous" Untidy
        "The digits in a project's name can be read as several dates: none is believed by itself, and the questions list the readings."
    HeaderCorrected "header-date-corrected" Untidy
        "The dates in some media headers lie 66 years off, as when a count from 1904 is read as one from 1970: the corrected year is used, and the file is not touched."
    HeaderNewYear "header-date-near-new-year" Untidy
        "The dates in some media headers lie within a day of new year, where the clock's zone decides the year: see that the year is right."
    ProjectSpans "project-spans-years" Untidy
        "Camera files of a project lie in more than one year: it stays whole and is filed under one, by its name or the start of its shoot, unless a tag says otherwise."
    HugeFolder "huge-folder" Untidy
        "A folder with over 100,000 entries is slow to list over a network: it is listed once and never searched name by name."
    SmallFiles "many-small-files" Untidy
        "Most files are smaller than 1 MiB, so the number of files, not their bytes, sets the time: several are copied at once."
    SeenTwice "folder-seen-twice" Untidy
        "The same folder appears at two places, through a second mount or a service that shows it twice: it is moved twice unless you leave one out."
    DoubtfulProject "doubtful-project" Untidy
        "A folder at the top has a name that begins like the by-products of a box: it is moved as a project until you leave it out, see the questions."
}
