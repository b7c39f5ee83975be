//! What a file is, by the ending of its name. The table is the trade's common practice, no source.

use crate::survey::Kind;
use std::collections::HashMap;
use std::sync::OnceLock;

/// The longest ending the table knows, in bytes.
const LONGEST: usize = 12;

/// Kinds and their endings, lower case without the dot.
const TABLE: [(Kind, &str); 7] = [
    (
        Kind::Video,
        "mov mp4 m4v mxf avi mkv webm mpg mpeg mts m2ts m2t ts vob wmv flv 3gp 3g2 dv r3d braw ari arx \
         crm rmf insv lrv mod tod ogv cine y4m h264 h265 hevc m2v f4v rsv",
    ),
    (
        Kind::Audio,
        "wav bwf rf64 w64 aif aiff aifc caf mp3 m4a aac flac ogg oga opus wma ac3 eac3 dts amr mid midi alac",
    ),
    (
        Kind::Picture,
        "jpg jpeg jpe png tif tiff gif bmp heic heif webp avif jxl jp2 dng cr2 cr3 crw nef nrw arw srf sr2 \
         raf rw2 orf pef srw x3f 3fr iiq mos dcr kdc erf mef mrw psd psb exr dpx cin hdr tga svg ai eps ico xcf",
    ),
    (
        Kind::Edit,
        "prproj aep aepx drp dra avp avb avs bin2 fcp fcpxml xml edl aaf omf otio ptx ptf pts logic logicx als \
         cpr rpp aup aup3 blend c4d ma mb max hip hiplc nk nuke veg kdenlive mlt sesx mogrt cube lut 3dl \
         srt vtt stl ass sub xmp thm bim cpi mpl smi",
    ),
    (
        Kind::Document,
        "txt md rtf pdf doc docx odt pages xls xlsx ods numbers csv tsv ppt pptx odp key html htm tex epub \
         json yaml yml toml ini log eml msg fdx fountain celtx indd idml md5 sha1 sha256 mhl",
    ),
    (
        Kind::Archive,
        "zip tar gz tgz bz2 tbz xz txz zst 7z rar dmg iso img sparseimage sparsebundle vmdk vdi vhd vhdx qcow2 \
         lz4 cab pkg jar bak tib",
    ),
    (
        Kind::Cache,
        "pek cfa mpgindex ims pkf peak reapeaks asd sfk sfl sfap0 aecache render rnd bc tmp temp cache ds_store \
         part crdownload partial swp",
    ),
];

/// Folders that hold what a program can make again, whatever the endings inside. Compared in lower
/// case. Common practice, no source.
const CACHE_FOLDERS: [&[u8]; 12] = [
    b"cache",
    b"caches",
    b"media cache",
    b"media cache files",
    b"peak files",
    b"render files",
    b"renders cache",
    b"preview files",
    b"previews",
    b"thumbnails",
    b"analysis files",
    b"proxy media cache",
];

/// Endings of files that a camera or recorder writes, rather than an export.
const ORIGINALS: &str = "mov mp4 m4v mxf avi mts m2ts m2t dv r3d braw ari arx crm rmf insv mod tod 3gp wav bwf \
     rf64 w64 jpg jpeg tif tiff heic heif dng cr2 cr3 crw nef nrw arw srf sr2 raf rw2 orf pef srw x3f 3fr iiq";

struct Endings {
    kinds: HashMap<&'static [u8], (Kind, bool)>,
}

fn endings() -> &'static Endings {
    static ENDINGS: OnceLock<Endings> = OnceLock::new();
    ENDINGS.get_or_init(|| {
        let mut kinds = HashMap::new();
        for (kind, words) in TABLE {
            for word in words.split_whitespace() {
                kinds.entry(word.as_bytes()).or_insert((kind, false));
            }
        }
        for word in ORIGINALS.split_whitespace() {
            if let Some(known) = kinds.get_mut(word.as_bytes()) {
                known.1 = true;
            }
        }
        Endings { kinds }
    })
}

/// All kinds, in the order of their table.
pub const ALL: [Kind; 8] = [
    Kind::Video,
    Kind::Audio,
    Kind::Picture,
    Kind::Edit,
    Kind::Document,
    Kind::Archive,
    Kind::Cache,
    Kind::Other,
];

impl Kind {
    /// The word for it, as in JSON and settings: `video`.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Video => "video",
            Kind::Audio => "audio",
            Kind::Picture => "picture",
            Kind::Edit => "edit",
            Kind::Document => "document",
            Kind::Archive => "archive",
            Kind::Cache => "cache",
            Kind::Other => "other",
        }
    }

    /// The kind of that word.
    pub fn from_word(word: &str) -> Option<Kind> {
        ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// The ending of a name after its last dot, as it is; `None` for a leading dot alone.
pub fn ending(name: &[u8]) -> Option<&[u8]> {
    let dot = name.iter().rposition(|b| *b == b'.')?;
    (dot > 0 && dot + 1 < name.len()).then(|| &name[dot + 1..])
}

/// What a file is, and whether a camera or recorder writes such files.
pub fn kind_of(name: &[u8]) -> (Kind, bool) {
    // A partner file that carries the fork of another is neither.
    if name.starts_with(b"._") {
        return (Kind::Other, false);
    }
    let word = match ending(name) {
        Some(word) if word.len() <= LONGEST => word,
        _ if name == b".DS_Store" => return (Kind::Cache, false),
        _ => return (Kind::Other, false),
    };
    let mut lower = [0u8; LONGEST];
    for (to, from) in lower.iter_mut().zip(word) {
        *to = from.to_ascii_lowercase();
    }
    let key = lower.get(..word.len()).unwrap_or(&[]);
    endings().kinds.get(key).copied().unwrap_or((Kind::Other, false))
}

/// Edit files that hold no path to media: subtitles, colour tables, what a camera writes beside its
/// clips; and `xml`, which is mostly something else.
const SIDECARS: &str = "xml srt vtt stl ass sub xmp thm bim cpi mpl smi cube lut 3dl";

/// Whether a file of [`Kind::Edit`] is a project or exchange file, which find media by their paths.
pub fn is_edit_project(name: &[u8]) -> bool {
    let of = |ending: &[u8]| {
        SIDECARS
            .split(' ')
            .any(|known| ending.eq_ignore_ascii_case(known.as_bytes()))
    };
    ending(name).is_some_and(|ending| !of(ending))
}

/// Whether a folder of this name holds what a program can make again.
pub fn is_cache_folder(name: &[u8]) -> bool {
    CACHE_FOLDERS.iter().any(|known| name.eq_ignore_ascii_case(known))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn endings_are_read_without_regard_to_case() {
        assert_eq!(kind_of(b"A001.MOV"), (Kind::Video, true));
        assert_eq!(kind_of(b"cut.v2.PrProj"), (Kind::Edit, false));
        assert_eq!(kind_of(b"._A001.MOV"), (Kind::Other, false));
        assert_eq!(kind_of(b".mov"), (Kind::Other, false));
        assert_eq!(kind_of(b"name."), (Kind::Other, false));
        assert_eq!(kind_of(b"x.averyveryverylongending"), (Kind::Other, false));
    }

    #[test]
    fn every_original_is_a_kind_of_media_and_words_go_back() {
        for word in ORIGINALS.split_whitespace() {
            let (kind, original) = kind_of(format!("a.{word}").as_bytes());
            assert!(original, "{word}");
            assert!(
                matches!(kind, Kind::Video | Kind::Audio | Kind::Picture),
                "{word}"
            );
        }
        for kind in ALL {
            assert_eq!(Kind::from_word(kind.word()), Some(kind));
        }
    }
}
