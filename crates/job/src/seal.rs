//! The seal of a JSON file: by it a file is known that somebody else changed, a person by hand or a failing
//! disk. It proves nothing against malice, as whoever can write the file can seal it again.
//!
//! It is the last key, `checksum`: the SHA-256 of every byte before it. A file without one is as good as any.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, Read as _};
use std::path::Path;

use sha2::{Digest, Sha256};

const BEFORE: &[u8] = b",\n  \"checksum\": \"";
const AFTER: &[u8] = b"\"\n}\n";

/// Whether a file is as it was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Seal {
    /// It is.
    Whole,
    /// It was changed since.
    Broken,
    /// It has none: it was written by hand or by an older version.
    Missing,
}

/// The SHA-256 of these bytes, as 64 hexadecimal digits.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hexadecimal(Sha256::digest(bytes).as_slice())
}

/// The SHA-256 of a file, of whatever size.
///
/// # Errors
/// When it cannot be read, or is no file: a pipe would be waited for, and a device may have no end.
pub fn sha256_of_file(path: &Path) -> io::Result<String> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(io::Error::other("it is no file"));
    }
    let (mut file, mut hash, mut buffer) = (File::open(path)?, Sha256::new(), vec![0; 1 << 16]);
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(hexadecimal(hash.finalize().as_slice())),
            read => hash.update(&buffer[..read]),
        }
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A document of one object, as `json` renders it, with its seal.
pub(crate) fn sealed(mut document: Vec<u8>) -> Vec<u8> {
    let Some(body) = document.strip_suffix(b"\n}\n").map(<[u8]>::len) else { return document };
    document.truncate(body);
    let digits = sha256(&document);
    document.extend_from_slice(BEFORE);
    document.extend_from_slice(digits.as_bytes());
    document.extend_from_slice(AFTER);
    document
}

/// A document without its seal, and what the seal says.
pub(crate) fn opened(bytes: &[u8]) -> (Cow<'_, [u8]>, Seal) {
    let Some(at) = bytes.windows(BEFORE.len()).rposition(|window| window == BEFORE) else {
        return (Cow::Borrowed(bytes), Seal::Missing);
    };
    let (body, rest) = (&bytes[..at], &bytes[at + BEFORE.len()..]);
    let is_whole = rest.strip_suffix(AFTER).is_some_and(|digits| digits == sha256(body).as_bytes());
    // Whatever else follows is read, too, so that nothing that was added is passed over.
    let end = rest.iter().position(|byte| *byte == b'"').map_or(rest.len(), |quote| quote + 1);
    let document = [body, &rest[end..]].concat();
    (Cow::Owned(document), if is_whole { Seal::Whole } else { Seal::Broken })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_changed_bit_is_noticed() {
        let plain = b"{\n  \"format\": \"x\",\n  \"gain_db\": -4.5\n}\n".to_vec();
        let whole = sealed(plain.clone());
        assert_eq!(opened(&whole), (Cow::Borrowed(plain.as_slice()), Seal::Whole));
        assert_eq!(opened(&plain).1, Seal::Missing);
        for bit in 0..8 * whole.len() {
            let mut changed = whole.clone();
            changed[bit / 8] ^= 1 << (bit % 8);
            let (document, seal) = opened(&changed);
            // One in the key itself leaves a key that nobody knows.
            let unread = String::from_utf8_lossy(&document).contains("e3b0c4") || seal == Seal::Missing;
            assert!(seal == Seal::Broken || unread, "bit {bit}");
        }
    }

    #[test]
    fn a_file_has_the_hash_of_its_bytes() {
        // Source: FIPS 180-4, the example "abc" of NIST's SHA-256 test vectors.
        let wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256(b"abc"), wanted);
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "abc").unwrap();
        assert_eq!(sha256_of_file(file.path()).unwrap(), wanted);
    }
}
