//! What a stranger needs to check a study, and what a second site needs to repeat it: packs, manifests, signatures.
//!
//! In:  files as bytes, by name.
//! Out: archives, manifests, signatures; or everything that is wrong with one (codes `V...`).
//!
//! | file        | what it holds                                                   |
//! |-------------|-----------------------------------------------------------------|
//! | `names`     | which names a pack can hold                                     |
//! | `archive`   | the files as one archive, and back                              |
//! | `manifest`  | what is in a pack, with roles and hashes                        |
//! | `metadata`  | the same by an open standard for research data                  |
//! | `origin`    | where a study at a second site comes from, and what it may not see yet |
//! | `people`    | a study without its people's codes                              |
//! | `signature` | who stands for a manifest                                       |
//! | `pack`      | a whole pack: from files, and back                              |
//! | `compare`   | two findings, or two versions of a protocol, in words           |
//! | `differ`    | where two things differ first, and by how much                   |
//! | `codes`     | the room's diagnostics                                          |
//!
//! Never here: files on a disk, the clock, entropy.

mod archive;
mod codes;
mod compare;
mod differ;
mod manifest;
mod metadata;
mod names;
mod origin;
mod pack;
mod people;
mod signature;

pub use archive::{Files, MOST_BYTES, MOST_FILES, read as read_archive, write as write_archive};
pub use codes::{CODES, meaning};
pub use compare::{Changes, findings as findings_changed, protocols};
pub use differ::{
    Difference, SMALLEST, TOLERANCE, bytes as bytes_differ, texts as texts_differ, values as values_differ,
};
pub use manifest::{Holds, LeftOut, Listed, MANIFEST, METADATA, Manifest, Original, SIGNATURE, listed, role};
pub use names::fault as name_fault;
pub use origin::Origin;
pub use pack::{Facts, Pack, check, licences, open, seal};
pub use people::without_people;
pub use signature::{keys, sign, verify};
