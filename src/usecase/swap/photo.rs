//! A picture of a swap: taken in by what its octets are, and never by what its name says.

use super::{Outcome, Refusal, swap};
use crate::domain::ids::SwapId;
use crate::domain::outlook::Present;
use crate::store::Store;

/// The largest picture, in octets: what a phone makes of a part, made smaller.
pub const MOST_OCTETS: usize = 4 * 1024 * 1024;

/// What kind of picture it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhotoKind {
    /// PNG.
    Png,
    /// JPEG.
    Jpeg,
    /// WebP.
    Webp,
}

impl PhotoKind {
    /// By the first octets: PNG by its signature (ISO/IEC 15948), JPEG by its start of image (ITU-T T.81), WebP by its
    /// RIFF header (RFC 9649).
    #[must_use]
    pub fn of(octets: &[u8]) -> Option<Self> {
        match octets {
            [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => Some(Self::Png),
            [0xff, 0xd8, 0xff, ..] => Some(Self::Jpeg),
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some(Self::Webp),
            _ => None,
        }
    }

    /// Its media type.
    #[must_use]
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Png => "image/png",
            Self::Jpeg => "image/jpeg",
            Self::Webp => "image/webp",
        }
    }
}

/// Keeps the picture of a swap, in the place of the one before; or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn put_photo(
    store: &Store,
    id: SwapId,
    octets: &[u8],
    who: &str,
    present: &Present,
) -> Outcome<()> {
    if who.trim().is_empty() {
        return Ok(Err(Refusal::NoName));
    }
    let kind = match PhotoKind::of(octets) {
        _ if octets.len() > MOST_OCTETS => return Ok(Err(Refusal::TooLarge)),
        Some(kind) if octets.len() >= 12 => kind,
        _ => return Ok(Err(Refusal::NotAPicture)),
    };
    if swap(store, id).await?.is_none() {
        return Ok(Err(Refusal::NoSuchSwap));
    }
    let mut work = store.begin().await?;
    Store::put_photo(&mut work, id, (kind.media_type(), octets), (who.trim(), present.now)).await?;
    work.commit().await?;
    Ok(Ok(()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_known_by_its_octets() {
        assert_eq!(PhotoKind::of(b"\x89PNG\r\n\x1a\n0000"), Some(PhotoKind::Png));
        assert_eq!(PhotoKind::of(b"\xff\xd8\xff\xe000000000"), Some(PhotoKind::Jpeg));
        assert_eq!(PhotoKind::of(b"RIFF\x10\0\0\0WEBPVP8 "), Some(PhotoKind::Webp));
        for other in [&b""[..], b"<svg xmlns=", b"GIF89a000000", b"RIFF\x10\0\0\0WAVEfmt ", b"\x89PNG"] {
            assert_eq!(PhotoKind::of(other), None, "{other:?}");
        }
    }
}
