//! `wellrun key`: a pair of keys to sign packs with.

use std::path::PathBuf;

use serde_json::json;

use super::console::Console;
use super::outside;
use super::{Answer, Done, help_end};
use crate::provenance;
use crate::study;

/// Make a pair of keys to sign packs with
///
/// Writes the secret key to FILE, which its owner alone may read, and the public key to FILE.pub, which goes to
/// everybody who is to check a signature. Both are PEM files of Ed25519 keys that other programs read too.
#[derive(Debug, clap::Args)]
#[command(after_help = help_end!("wellrun key lab.key"))]
pub struct Args {
    /// File of the secret key; must not exist
    file: PathBuf,
}

pub fn run(args: &Args, console: &Console) -> Done {
    let (secret, public) = provenance::keys(&outside::entropy()?)?;
    let mut name = args.file.clone().into_os_string();
    name.push(".pub");
    let public_file = PathBuf::from(name);
    for path in [&args.file, &public_file] {
        study::is_free(path)?;
    }
    study::write_file(&args.file, secret.as_bytes(), false, true)?;
    study::write_file(&public_file, public.as_bytes(), false, false)?;
    console.json(&json!({ "secret": args.file, "public": public_file }))?;
    console.say(&format!(
        "Wrote the secret key to {}: keep it where nobody else reads it, and out of every pack.\n\
         Wrote the public key to {}: hand it out, best in person.",
        args.file.display(),
        public_file.display(),
    ));
    Ok(Answer::Yes)
}
