//! A signature of a manifest: whoever holds the key stands for what the manifest lists.
//!
//! In:  keys as PEM, a manifest's bytes, a signature's bytes.
//! Out: keys as PEM, a signature; or what is wrong (codes `V02x`).
//!
//! Method: Ed25519 (RFC 8032) of the manifest's very bytes; the signature file holds the 64 bytes and nothing else.
//! Keys are PEM after RFC 8410 (PKCS #8 for the secret one, `SubjectPublicKeyInfo` for the public one), so that other
//! programs can make and use them. Verification is the strict one: no weak keys, no second form of a signature.
//! Never here: entropy, files.

use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey, KeypairBytes};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use crate::diagnostic::{Diagnostic, Diagnostics};

/// A pair of keys from 32 bytes that nobody can guess: the secret one and the public one, both as PEM.
///
/// # Errors
///
/// `V022` if they cannot be written, which does not happen.
pub fn keys(entropy: &[u8; 32]) -> Result<(String, String), Diagnostics> {
    let key = SigningKey::from_bytes(entropy);
    let failed = || Diagnostic::error("V022", "the keys cannot be written");
    // The first version of the format, without the public half beside it: some programs read no other.
    let bytes = KeypairBytes {
        secret_key: *entropy,
        public_key: None,
    };
    let secret = bytes.to_pkcs8_pem(LineEnding::LF).map_err(|_| failed())?;
    let public = key
        .verifying_key()
        .to_public_key_pem(LineEnding::LF)
        .map_err(|_| failed())?;
    Ok((secret.as_str().to_owned(), public))
}

/// Signs a manifest.
///
/// # Errors
///
/// `V022` if the key cannot be read.
pub fn sign(manifest: &[u8], secret: &str) -> Result<Vec<u8>, Diagnostics> {
    let key = SigningKey::from_pkcs8_pem(secret).map_err(|_| {
        Diagnostic::error("V022", "this is not a secret key for signing")
            .help("make one with `wellrun key FILE`: a PEM file that begins with BEGIN PRIVATE KEY")
    })?;
    Ok(key.sign(manifest).to_bytes().to_vec())
}

/// Holds a signature against its manifest and the key of the one who is said to have signed.
///
/// # Errors
///
/// `V022` if the key cannot be read, `V021` if the signature is not of this manifest by this key.
pub fn verify(manifest: &[u8], signature: &[u8], public: &str) -> Result<(), Diagnostics> {
    let key = VerifyingKey::from_public_key_pem(public).map_err(|_| {
        Diagnostic::error("V022", "this is not a public key that signatures are checked by")
            .help("ask the signer for it: a PEM file that begins with BEGIN PUBLIC KEY")
    })?;
    Signature::from_slice(signature)
        .and_then(|signature| key.verify_strict(manifest, &signature))
        .map_err(|_| {
            Diagnostic::error("V021", "the signature is not of this manifest by this key")
                .help("the manifest was changed, or somebody else signed it; ask the signer for the pack and the key")
                .into()
        })
}
