//! Samples made by independent writers (libavformat 8 through PyAV, Pillow), shortened.

use super::*;
use proptest::prelude::*;

fn hex(text: &str) -> Vec<u8> {
    (0..text.len() / 2)
        .map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).unwrap())
        .collect()
}

/// Serves a file and counts the reads.
fn read(kind: HeaderKind, file: &[u8]) -> (Option<HeaderDate>, usize) {
    let mut reader = HeaderReader::new(kind, file.len() as u64);
    let mut next = reader.begin();
    let mut reads = 0;
    loop {
        match next {
            Next::Found(date) => return (date, reads),
            Next::Read { offset, len } => {
                reads += 1;
                assert!(reads <= READS);
                let from = (offset as usize).min(file.len());
                next = reader.feed(&file[from..(from + len).min(file.len())]);
            }
        }
    }
}

fn at(text: &str) -> Moment {
    Moment::parse_rfc3339(text).unwrap()
}

/// Written by libavformat with creation_time 2018-06-07T08:09:10Z; cut after the times of `mvhd`.
const MOV: &str = "000000146674797071742020000002007174202000000008776964650000002\
26d646174000001b3001007000001b6106051823db7ef000001b650f0237f000003246d6f6f760000006c6d7668640000\
0000d73e98a6d73e98a6000003e8";

#[test]
fn the_creation_time_of_a_clip_is_found() {
    let mut file = hex(MOV);
    file.resize(866, 0);
    let (date, reads) = read(HeaderKind::IsoMedia, &file);
    let date = date.unwrap();
    assert_eq!(date.at, at("2018-06-07T08:09:10Z"));
    assert!(!date.corrected && !date.local);
    assert_eq!(reads, 1);
}

#[test]
fn a_large_clip_with_its_index_at_the_end_takes_two_reads() {
    let mut file = b"\0\0\0\x14ftypqt  \0\0\0\0qt  ".to_vec();
    let media = 300_000u32;
    file.extend((media + 8).to_be_bytes());
    file.extend(b"mdat");
    file.resize(file.len() + media as usize, 0xaa);
    let whole = hex(MOV);
    let moov = whole.windows(4).position(|w| w == b"moov").unwrap() - 4;
    file.extend(&whole[moov..]);
    file.resize(file.len() + 900, 0);
    let (date, reads) = read(HeaderKind::IsoMedia, &file);
    assert_eq!(date.unwrap().at, at("2018-06-07T08:09:10Z"));
    assert_eq!(reads, 2);
}

/// Hazard D4: 2012 shown as 1946, exactly 66 years.
#[test]
fn a_date_counted_from_1970_is_put_right() {
    let meant = at("2012-05-06T07:08:09Z");
    let date = iso::from_1904(meant.seconds as u64).unwrap();
    assert_eq!(date.at, meant);
    assert!(date.corrected);
    assert_eq!(iso::from_1904(0), None);
    let right = iso::from_1904((meant.seconds + iso::EPOCHS) as u64).unwrap();
    assert_eq!((right.at, right.corrected), (meant, false));
}

/// Written by Pillow with DateTimeOriginal 2019:03:04 10:15:00 and DateTime 2021:01:02 03:04:05.
#[test]
fn the_original_date_of_a_picture_is_found_not_that_of_its_last_save() {
    let mut file = hex(
        "ffd8ffe000104a46494600010100000100010000ffe100884578696600004d4d002a000000080002013200020000001400000026\
8769000400000001000000\
3a00000000323032313a30313a30322030333a30343a3035000002900300020000001400000058900400020000001400\
00006c00000000323031393a30333a30342031303a31353a303000323031393a30333a30342031303a31353a303100ffdb",
    );
    file.resize(768, 0);
    let (date, _) = read(HeaderKind::Jpeg, &file);
    let date = date.unwrap();
    assert_eq!(date.at, at("2019-03-04T10:15:00Z"));
    assert!(date.local);
    // The same structure stands by itself in a TIFF.
    let tiff = file.split_off(0x1e);
    assert_eq!(read(HeaderKind::Tiff, &tiff).0, Some(date));
}

/// The head was written by libavformat with write_bext; fields by EBU Tech 3285.
#[test]
fn the_origination_date_of_a_wave_is_found() {
    let mut file = hex(
        "52494646e802000057415645666d74201000000001000100401f0000803e00000200100062657874\
5a020000",
    );
    file.resize(file.len() + 320, 0);
    file.extend(b"2017-11-1213:14:15");
    file.resize(752, 0);
    let (date, _) = read(HeaderKind::Wave, &file);
    assert_eq!(date.unwrap().at, at("2017-11-12T13:14:15Z"));
}

#[test]
fn a_wave_whose_chunk_is_behind_the_sound_is_found_with_one_more_read() {
    let mut file = b"RIFF\0\0\0\0WAVEdata".to_vec();
    file.extend(100_001u32.to_le_bytes());
    file.resize(file.len() + 100_002, 1);
    file.extend(b"bext");
    file.extend(602u32.to_le_bytes());
    file.resize(file.len() + 320, 0);
    file.extend(b"2017_11_12xxxxxxxx");
    let (date, reads) = read(HeaderKind::Wave, &file);
    assert_eq!(date.unwrap().at, at("2017-11-12T00:00:00Z"));
    assert_eq!(reads, 2);
}

#[test]
fn a_file_cut_short_has_no_date() {
    let file = hex(MOV);
    for length in 0..file.len() - 8 {
        assert_eq!(read(HeaderKind::IsoMedia, &file[..length]).0, None, "{length}");
    }
}

fn kinds() -> impl Strategy<Value = HeaderKind> {
    prop::sample::select(vec![
        HeaderKind::IsoMedia,
        HeaderKind::Jpeg,
        HeaderKind::Tiff,
        HeaderKind::Wave,
    ])
}

proptest! {
    #[test]
    fn hostile_bytes_end_without_a_panic(kind in kinds(), mut bytes in prop::collection::vec(any::<u8>(), 0..600), head in 0usize..5) {
        let heads: [&[u8]; 5] = [b"", b"\xff\xd8\xff\xe1\0\x40Exif\0\0II\x2a\0", b"II\x2a\0", b"RIFF\0\0\0\0WAVE", b"\0\0\0\x08ftyp"];
        bytes.splice(0..0, heads[head].iter().copied());
        read(kind, &bytes);
    }

    #[test]
    fn a_damaged_sample_never_asks_for_bytes_past_its_end(flips in prop::collection::vec((0usize..90, any::<u8>()), 1..6), size in any::<u64>()) {
        let mut file = hex(MOV);
        for (place, byte) in flips {
            file[place] = byte;
        }
        let mut reader = HeaderReader::new(HeaderKind::IsoMedia, size);
        let mut next = reader.begin();
        while let Next::Read { offset, len } = next {
            prop_assert!(offset + len as u64 <= size);
            let from = (offset as usize).min(file.len());
            next = reader.feed(&file[from..(from.saturating_add(len)).min(file.len())]);
        }
    }
}
