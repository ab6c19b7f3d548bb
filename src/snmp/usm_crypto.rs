//! Hashes and ciphers of the user-based security model (RFC 3414, RFC 3826, RFC 7860), with their keys.
//!
//! Signing keys are kept as hash states that the key has gone through already, and ciphers with their key
//! schedules, so that a message costs no more than its octets.

use aes::cipher::block_padding::NoPadding;
use aes::cipher::consts::U16;
use aes::cipher::{BlockDecryptMut, BlockEncrypt, BlockEncryptMut, BlockSizeUser, KeyInit, KeyIvInit};
use aes::{Aes128Enc, Aes192Enc, Aes256Enc};
use des::Des;
use hmac::{Hmac, Mac};
use md5::Md5;
use sha1::Sha1;
use sha2::{Digest, Sha224, Sha256, Sha384, Sha512};

use super::credential::{AuthProtocol, Extension, PrivacyProtocol};

/// A password is repeated until it is this long (RFC 3414 §A.2).
const STRETCHED: usize = 1 << 20;
/// A privacy salt's octets.
pub(super) const SALT: usize = 8;

/// Does the same with the hash of any protocol.
macro_rules! with_hash {
    ($protocol:expr, $hash:ident => $body:expr) => {
        match $protocol {
            AuthProtocol::Md5 => {
                type $hash = Md5;
                $body
            }
            AuthProtocol::Sha1 => {
                type $hash = Sha1;
                $body
            }
            AuthProtocol::Sha224 => {
                type $hash = Sha224;
                $body
            }
            AuthProtocol::Sha256 => {
                type $hash = Sha256;
                $body
            }
            AuthProtocol::Sha384 => {
                type $hash = Sha384;
                $body
            }
            AuthProtocol::Sha512 => {
                type $hash = Sha512;
                $body
            }
        }
    };
}

pub(super) fn hash(protocol: AuthProtocol, parts: &[&[u8]]) -> Vec<u8> {
    with_hash!(protocol, H => {
        let mut hash = H::new();
        parts.iter().for_each(|part| hash.update(part));
        hash.finalize().to_vec()
    })
}

/// RFC 3414 §A.2: the hash of a password that is repeated to a mebibyte.
pub(super) fn stretch(protocol: AuthProtocol, password: &[u8]) -> Vec<u8> {
    if password.is_empty() {
        // No credential has one, and there is nothing to repeat.
        return hash(protocol, &[]);
    }
    let block = password.repeat(4_096_usize.div_ceil(password.len()));
    with_hash!(protocol, H => {
        let mut hash = H::new();
        let mut left = STRETCHED;
        while left > 0 {
            let now = left.min(block.len());
            hash.update(&block[..now]);
            left -= now;
        }
        hash.finalize().to_vec()
    })
}

/// RFC 3414 §2.6.
pub(super) fn localize(protocol: AuthProtocol, master: &[u8], engine_id: &[u8]) -> Vec<u8> {
    hash(protocol, &[master, engine_id, master])
}

/// Makes a key as long as its cipher needs.
pub(super) fn extend(
    auth: AuthProtocol,
    privacy: PrivacyProtocol,
    mut key: Vec<u8>,
    engine_id: &[u8],
) -> Vec<u8> {
    let (wanted, extension) = privacy.key();
    let mut last = key.clone();
    while key.len() < wanted {
        last = match extension {
            // draft-blumenthal-aes-usm §3.1.2.1: the hash of all there is.
            Extension::Blumenthal => hash(auth, &[&key]),
            // draft-reeder-snmpv3-usm-3desede §2.1: the last part, taken for a password.
            Extension::Reeder => localize(auth, &stretch(auth, &last), engine_id),
        };
        key.extend_from_slice(&last);
    }
    key.truncate(wanted);
    key
}

/// A hash that a signing key has gone through.
pub(super) enum Signer {
    Md5(Hmac<Md5>),
    Sha1(Hmac<Sha1>),
    Sha224(Hmac<Sha224>),
    Sha256(Hmac<Sha256>),
    Sha384(Hmac<Sha384>),
    Sha512(Hmac<Sha512>),
}

/// Does the same with any signer's hash.
macro_rules! with_signer {
    ($signer:expr, $mac:ident => $body:expr) => {
        match $signer {
            Signer::Md5($mac) => $body,
            Signer::Sha1($mac) => $body,
            Signer::Sha224($mac) => $body,
            Signer::Sha256($mac) => $body,
            Signer::Sha384($mac) => $body,
            Signer::Sha512($mac) => $body,
        }
    };
}

impl Signer {
    pub(super) fn new(protocol: AuthProtocol, key: &[u8]) -> Self {
        /// A hash that this key has gone through. Keys are digests, which no hash's block is shorter than.
        fn keyed<M: Mac + KeyInit>(key: &[u8]) -> M {
            <M as Mac>::new_from_slice(key).unwrap_or_else(|_| <M as Mac>::new(&Default::default()))
        }
        match protocol {
            AuthProtocol::Md5 => Self::Md5(keyed(key)),
            AuthProtocol::Sha1 => Self::Sha1(keyed(key)),
            AuthProtocol::Sha224 => Self::Sha224(keyed(key)),
            AuthProtocol::Sha256 => Self::Sha256(keyed(key)),
            AuthProtocol::Sha384 => Self::Sha384(keyed(key)),
            AuthProtocol::Sha512 => Self::Sha512(keyed(key)),
        }
    }

    /// How many octets of the signature a message carries.
    pub(super) fn length(&self) -> usize {
        match self {
            Self::Md5(_) | Self::Sha1(_) => 12,
            Self::Sha224(_) => 16,
            Self::Sha256(_) => 24,
            Self::Sha384(_) => 32,
            Self::Sha512(_) => 48,
        }
    }

    /// Writes a message's signature to where it has [`Signer::length`] octets, all of them 0.
    pub(super) fn sign(&self, message: &mut [u8], place: std::ops::Range<usize>) {
        with_signer!(self, mac => {
            let mut mac = mac.clone();
            mac.update(message);
            if let Some(place) = message.get_mut(place) {
                let mac = mac.finalize().into_bytes();
                place.iter_mut().zip(mac).for_each(|(octet, mac)| *octet = mac);
            }
        });
    }

    pub(super) fn verify(&self, parts: &[&[u8]], signature: &[u8]) -> bool {
        with_signer!(self, mac => {
            let mut mac = mac.clone();
            parts.iter().for_each(|part| mac.update(part));
            mac.verify_truncated_left(signature).is_ok()
        })
    }
}

/// A cipher with its key. Cipher feedback uses AES in one direction only, whichever way a message goes.
pub(super) enum Cipher {
    /// The cipher's key, and what its salts are mixed with (RFC 3414 §8.1.1.1).
    Des([u8; 8], [u8; 8]),
    Aes128(Aes128Enc),
    Aes192(Aes192Enc),
    Aes256(Aes256Enc),
}

impl Cipher {
    /// `None` only for a key of another length than the cipher's.
    pub(super) fn new(protocol: PrivacyProtocol, key: &[u8]) -> Option<Self> {
        match protocol {
            PrivacyProtocol::Des => {
                let (first, second) = key.get(..16)?.split_at(8);
                Some(Self::Des(first.try_into().ok()?, second.try_into().ok()?))
            }
            PrivacyProtocol::Aes128 => Aes128Enc::new_from_slice(key).ok().map(Self::Aes128),
            PrivacyProtocol::Aes192 | PrivacyProtocol::Aes192Reeder => {
                Aes192Enc::new_from_slice(key).ok().map(Self::Aes192)
            }
            PrivacyProtocol::Aes256 | PrivacyProtocol::Aes256Reeder => {
                Aes256Enc::new_from_slice(key).ok().map(Self::Aes256)
            }
        }
    }

    /// Encrypts in place, padding where the cipher works in blocks, and gives back the salt.
    pub(super) fn encrypt(&self, boots: i64, time: i64, count: u64, data: &mut Vec<u8>) -> [u8; SALT] {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "32 bits of each are wanted"
        )]
        let salt = match self {
            Self::Des(..) => (u64::from(boots as u32) << 32 | (count & 0xffff_ffff)).to_be_bytes(),
            _ => count.to_be_bytes(),
        };
        let iv = aes_iv((boots, time), salt);
        match self {
            Self::Des(key, mix) => {
                data.resize(data.len().next_multiple_of(8), 0);
                let length = data.len();
                let cipher = cbc::Encryptor::<Des>::new(key.into(), &des_iv(*mix, salt).into());
                // Whole blocks need no padding, the only thing that could fail here.
                let _ = cipher.encrypt_padded_mut::<NoPadding>(data, length);
            }
            Self::Aes128(key) => encrypt_cfb(key, iv, data),
            Self::Aes192(key) => encrypt_cfb(key, iv, data),
            Self::Aes256(key) => encrypt_cfb(key, iv, data),
        }
        salt
    }

    /// Decrypts in place. `None` when salt or length cannot be right.
    pub(super) fn decrypt(&self, clock: (i64, i64), salt: &[u8], data: &mut [u8]) -> Option<()> {
        let salt: [u8; SALT] = salt.try_into().ok()?;
        let iv = aes_iv(clock, salt);
        match self {
            Self::Des(key, mix) => {
                let cipher = cbc::Decryptor::<Des>::new(key.into(), &des_iv(*mix, salt).into());
                cipher.decrypt_padded_mut::<NoPadding>(data).ok()?;
            }
            Self::Aes128(key) => decrypt_cfb(key, iv, data),
            Self::Aes192(key) => decrypt_cfb(key, iv, data),
            Self::Aes256(key) => decrypt_cfb(key, iv, data),
        }
        Some(())
    }
}

/// A block of AES, whatever the length of its key.
type Block = aes::cipher::Block<Aes128Enc>;

/// RFC 3826 §3.1.3: each block is mixed with what the cipher makes of the encrypted block before it.
fn encrypt_cfb<C>(cipher: &C, iv: [u8; 16], data: &mut [u8])
where
    C: BlockEncrypt + BlockSizeUser<BlockSize = U16>,
{
    let mut mix: Block = iv.into();
    for block in data.chunks_mut(16) {
        cipher.encrypt_block(&mut mix);
        mix_in(block, &mix);
        if block.len() == 16 {
            mix.copy_from_slice(block);
        }
    }
}

/// RFC 3826 §3.1.4. What was encrypted is all here: so the cipher is given eight blocks together, which
/// costs it little more than one.
fn decrypt_cfb<C>(cipher: &C, iv: [u8; 16], data: &mut [u8])
where
    C: BlockEncrypt + BlockSizeUser<BlockSize = U16>,
{
    const TOGETHER: usize = 8;
    let mut before = iv;
    for part in data.chunks_mut(TOGETHER * 16) {
        let mut mix = [Block::default(); TOGETHER];
        mix[0].copy_from_slice(&before);
        for (mix, block) in mix[1..].iter_mut().zip(part.chunks_exact(16)) {
            mix.copy_from_slice(block);
        }
        if let Some(last) = part.chunks_exact(16).nth(TOGETHER - 1) {
            before.copy_from_slice(last);
        }
        cipher.encrypt_blocks(&mut mix);
        part.chunks_mut(16).zip(&mix).for_each(|(block, mix)| mix_in(block, mix));
    }
}

/// Whole blocks, which most are, take one instruction.
fn mix_in(block: &mut [u8], mix: &Block) {
    if let Ok(block) = <&mut [u8; 16]>::try_from(&mut *block) {
        let mixed = u128::from_ne_bytes(*block) ^ u128::from_ne_bytes((*mix).into());
        *block = mixed.to_ne_bytes();
    } else {
        block.iter_mut().zip(mix).for_each(|(octet, mix)| *octet ^= mix);
    }
}

/// RFC 3826 §3.1.2.1: boots, time and salt.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "both have 31 bits, checked before"
)]
fn aes_iv((boots, time): (i64, i64), salt: [u8; SALT]) -> [u8; 16] {
    let mut iv = [0; 16];
    iv[..4].copy_from_slice(&(boots as u32).to_be_bytes());
    iv[4..8].copy_from_slice(&(time as u32).to_be_bytes());
    iv[8..].copy_from_slice(&salt);
    iv
}

fn des_iv(mix: [u8; 8], salt: [u8; SALT]) -> [u8; 8] {
    (u64::from_be_bytes(mix) ^ u64::from_be_bytes(salt)).to_be_bytes()
}

#[cfg(test)]
mod tests {
    use cfb_mode::cipher::{AsyncStreamCipher, InnerIvInit};
    use proptest::prelude::*;

    use super::*;

    fn octets(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect()
    }

    /// NIST SP 800-38A, appendix F.3.13 (CFB128-AES128) and F.3.17 (CFB128-AES256): four blocks each, written
    /// down from memory; the property below holds the same code against a crate that was made by others.
    #[test]
    fn cipher_feedback_agrees_with_nist_sp_800_38a() {
        let plain = octets(
            "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e51\
             30c81c46a35ce411e5fbc1191a0a52eff69f2445df4f9b17ad2b417be66c3710",
        );
        let iv: [u8; 16] = octets("000102030405060708090a0b0c0d0e0f").try_into().unwrap();
        let key = Aes128Enc::new_from_slice(&octets("2b7e151628aed2a6abf7158809cf4f3c")).unwrap();
        let mut data = octets(
            "3b3fd92eb72dad20333449f8e83cfb4ac8a64537a0b3a93fcde3cdad9f1ce58b\
             26751f67a3cbb140b1808cf187a4f4dfc04b05357c5d1c0eeac4c66f9ff7f2e6",
        );
        let cipher_text = data.clone();
        decrypt_cfb(&key, iv, &mut data);
        assert_eq!(data, plain);
        encrypt_cfb(&key, iv, &mut data);
        assert_eq!(data, cipher_text);
        let key = octets("603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4");
        let mut data = octets(
            "dc7e84bfda79164b7ecd8486985d386039ffed143b28b1c832113c6331e5407b\
             df10132415e54b92a13ed0a8267ae2f975a385741ab9cef82031623d55b1e471",
        );
        decrypt_cfb(&Aes256Enc::new_from_slice(&key).unwrap(), iv, &mut data);
        assert_eq!(data, plain);
    }

    proptest! {
        /// Any number of octets, whole blocks or not, against a general crate, and back.
        #[test]
        fn cipher_feedback_agrees_with_a_general_crate(
            key: [u8; 24], iv: [u8; 16], data in prop::collection::vec(any::<u8>(), 0..700),
        ) {
            let cipher = Aes192Enc::new_from_slice(&key).unwrap();
            let (mut ours, mut theirs) = (data.clone(), data.clone());
            encrypt_cfb(&cipher, iv, &mut ours);
            cfb_mode::Encryptor::inner_iv_init(&cipher, &iv.into()).encrypt(&mut theirs);
            prop_assert_eq!(&ours, &theirs);
            decrypt_cfb(&cipher, iv, &mut ours);
            prop_assert_eq!(ours, data);
        }
    }
}
