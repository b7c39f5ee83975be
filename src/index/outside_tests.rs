//! The exit from bincode: wincode, another implementation of the encoding, reads our blocks.

use crate::index::block::{self, Piece, RawBlock};
use crate::index::columns::RawColumn;
use crate::index::tests::{folder_of, rel, small_tree};
use std::sync::Arc;

/// The bytes of a block as an independent decoder of the same encoding reads them. Only the
/// layout is repeated here, no code of ours takes part.
mod outside {
    use wincode::SchemaRead;

    #[derive(SchemaRead)]
    pub struct Plane {
        pub form: u8,
        pub length: u64,
        pub bytes: Vec<u8>,
    }

    #[derive(SchemaRead)]
    pub struct Column {
        pub count: u64,
        pub planes: Vec<Plane>,
    }

    #[derive(SchemaRead)]
    pub struct Text {
        pub shared: Column,
        pub lengths: Column,
        pub rest: Plane,
    }

    #[derive(SchemaRead)]
    pub struct Block {
        pub folders: Text,
        pub counts: Column,
        pub names: Text,
        pub kinds: Column,
        pub sizes: Column,
        pub others: [Column; 14],
        pub extra_rows: Column,
        pub extra_forms: Column,
        pub targets: Text,
        pub errors: Text,
    }
}

#[test]
fn an_independent_decoder_reads_the_same_block() {
    let tree = small_tree();
    let mut folder = folder_of(&rel("acorn"), &tree[&rel("acorn")]);
    folder.sort();
    let rows = 0..folder.len();
    let bytes = block::encode(&[Piece {
        folder: Arc::new(folder),
        rows,
    }])
    .unwrap();
    let (ours, _): (RawBlock, usize) = bincode::decode_from_slice(&bytes, block::CODING).unwrap();
    let theirs: outside::Block = wincode::deserialize(&bytes).unwrap();
    assert_eq!(theirs.folders.rest.bytes, b"acorn");
    assert_eq!(theirs.names.rest.bytes, b"IMG_0001.JPG2.JPGsub");
    assert_eq!(theirs.sizes.count, 3);
    let planes = |column: &outside::Column| -> Vec<(u8, u64, Vec<u8>)> {
        column
            .planes
            .iter()
            .map(|p| (p.form, p.length, p.bytes.clone()))
            .collect()
    };
    let own = |column: &RawColumn| -> Vec<(u8, u64, Vec<u8>)> {
        column
            .planes
            .iter()
            .map(|p| (p.form, p.length, p.bytes.clone()))
            .collect()
    };
    assert_eq!(planes(&theirs.sizes), own(&ours.sizes));
    assert_eq!(planes(&theirs.kinds), own(&ours.kinds));
    assert_eq!(planes(&theirs.others[13]), own(&ours.gids));
    assert_eq!(planes(&theirs.counts), own(&ours.counts));
    assert_eq!((theirs.extra_rows.count, theirs.extra_forms.count), (0, 0));
    assert_eq!((theirs.targets.rest.length, theirs.errors.rest.length), (0, 0));
}
