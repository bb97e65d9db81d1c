//! Bytes of a sheet to text: what spreadsheets write when asked for CSV.
//!
//! In:  the bytes of a file.
//! Out: its text, or a sentence that says what the file seems to be.
//!
//! UTF-8 goes through (a byte-order mark stays, the table skips it). UTF-16 with a byte-order mark, or with the zeros
//! that plain text leaves in it, is converted. Anything else that is text is taken for Windows-1252, the common superset
//! of Latin-1, so that a degree sign written by an old spreadsheet arrives. Lone CR line ends become LF.

/// The text of a sheet.
///
/// # Errors
///
/// A sentence: what the file seems to be, and what to do.
pub fn decode(bytes: &[u8]) -> Result<String, String> {
    if let Some(kind) = binary_kind(bytes) {
        return Err(format!("this is {kind}, not a CSV text; open it and save it as CSV (UTF-8)"));
    }
    let text = match bytes {
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes)?,
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes)?,
        _ if bytes.contains(&0) => match zeros(bytes) {
            (0, _) => utf16(bytes, u16::from_le_bytes)?,
            (_, 0) => utf16(bytes, u16::from_be_bytes)?,
            _ => return Err("the file holds zero bytes, so it is not a text; save the sheet as CSV (UTF-8)".to_owned()),
        },
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(error) => windows_1252(bytes, error.valid_up_to())?,
        },
    };
    if text.contains('\r') && !text.contains('\n') {
        return Ok(text.replace('\r', "\n"));
    }
    Ok(text)
}

/// What a file that is no text is, by its first bytes.
fn binary_kind(bytes: &[u8]) -> Option<&'static str> {
    const KINDS: [(&[u8], &str); 7] = [
        (b"PK\x03\x04", "a spreadsheet workbook or another archive"),
        (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook"),
        (b"%PDF", "a PDF"),
        (b"\x1f\x8b", "a compressed file"),
        (b"\x89PNG", "a picture"),
        (b"\xff\xd8\xff", "a picture"),
        (b"{\\rtf", "a word processor's file"),
    ];
    KINDS
        .iter()
        .find(|(start, _)| bytes.starts_with(start))
        .map(|(_, kind)| *kind)
}

/// Zero bytes at even and at odd offsets.
fn zeros(bytes: &[u8]) -> (usize, usize) {
    bytes.chunks(2).fold((0, 0), |(even, odd), pair| {
        (
            even + usize::from(pair.first() == Some(&0)),
            odd + usize::from(pair.get(1) == Some(&0)),
        )
    })
}

fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Result<String, String> {
    let (pairs, rest) = bytes.as_chunks::<2>();
    let fault = || "the file looks like UTF-16 but is cut or damaged; save the sheet as CSV (UTF-8)".to_owned();
    if !rest.is_empty() {
        return Err(fault());
    }
    char::decode_utf16(pairs.iter().map(|pair| unit(*pair)))
        .collect::<Result<String, _>>()
        .map_err(|_| fault())
}

/// Windows-1252, 0x80 to 0x9F; a zero stands for a byte without a meaning.
const HIGH: [u16; 32] = [
    0x20ac, 0, 0x201a, 0x0192, 0x201e, 0x2026, 0x2020, 0x2021, 0x02c6, 0x2030, 0x0160, 0x2039, 0x0152, 0, 0x017d, 0, 0,
    0x2018, 0x2019, 0x201c, 0x201d, 0x2022, 0x2013, 0x2014, 0x02dc, 0x2122, 0x0161, 0x203a, 0x0153, 0, 0x017e, 0x0178,
];

fn windows_1252(bytes: &[u8], valid: usize) -> Result<String, String> {
    let line = |at: usize| bytes.iter().take(at).filter(|b| **b == b'\n').count() + 1;
    // Good UTF-8 beyond ASCII before the bad byte: two character sets in one file.
    if bytes.iter().take(valid).any(|b| !b.is_ascii()) {
        return Err(format!(
            "the file mixes two character sets (line {}); save the sheet as CSV (UTF-8)",
            line(valid)
        ));
    }
    let mut text = String::with_capacity(bytes.len() + 16);
    for (at, &byte) in bytes.iter().enumerate() {
        let c = match byte {
            0x80..=0x9f => match HIGH.get(usize::from(byte - 0x80)).copied().unwrap_or(0) {
                0 => None,
                code => char::from_u32(u32::from(code)),
            },
            b'\t' | b'\n' | b'\r' => Some(char::from(byte)),
            0..=0x1f | 0x7f => None,
            _ => Some(char::from(byte)),
        };
        match c {
            Some(c) => text.push(c),
            None => {
                return Err(format!(
                    "line {} holds a byte that is not text in any usual character set; save the sheet as CSV (UTF-8)",
                    line(at)
                ));
            }
        }
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::decode;

    /// Class: closed form (the encodings' definitions).
    #[test]
    fn what_spreadsheets_write_arrives() {
        assert_eq!(decode("run,21 °C\n".as_bytes()).as_deref(), Ok("run,21 °C\n"));
        assert_eq!(decode(b"21 \xb0C \x80\n").as_deref(), Ok("21 °C €\n"));
        let little: Vec<u8> = "a;°\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
        let big: Vec<u8> = "a;b\n".encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!(decode(&[&[0xff, 0xfe], little.as_slice()].concat()).as_deref(), Ok("a;°\n"));
        assert_eq!(decode(&little).as_deref(), Ok("a;°\n"));
        assert_eq!(decode(&big).as_deref(), Ok("a;b\n"));
        assert_eq!(decode(b"a\rb\r").as_deref(), Ok("a\nb\n"));
    }

    /// Class: closed form.
    #[test]
    fn what_is_no_text_is_named() {
        for (bytes, word) in [
            (&b"PK\x03\x04rest"[..], "workbook"),
            (b"%PDF-1.7", "PDF"),
            (b"\xc2\xb0 and \xb0\n", "two character sets"),
            (b"a\x81b", "line 1"),
            (b"a\0bcd\0", "zero bytes"),
            (b"\xff\xfea", "UTF-16"),
        ] {
            assert!(decode(bytes).unwrap_err().contains(word), "{word}");
        }
    }
}
