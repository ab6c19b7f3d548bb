use super::*;

fn hex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap()).collect()
}

// RFC 3414 section A.3.1 and A.3.2: password "maplesyrup", engine 00 00 00 00 00 00 00 00 00 00 00 02.
#[test]
fn keys_are_those_of_the_standard() {
    let engine = hex("000000000000000000000002");
    assert_eq!(Auth::Md5.password_key("maplesyrup"), hex("9faf3283884e92834ebc9847d8edd963"));
    assert_eq!(Auth::Md5.localized_key("maplesyrup", &engine), hex("526f5eed9fcce26f8964c2930787d82b"));
    assert_eq!(Auth::Sha1.password_key("maplesyrup"), hex("9fb5cc0381497b3793528939ff788d5d79145211"));
    assert_eq!(
        Auth::Sha1.localized_key("maplesyrup", &engine),
        hex("6695febc9288e36282235fc7151f128497b38f3f")
    );
}

// RFC 2202 section 2 and 3, RFC 4231 section 4.3: test case 2 of each hash, cut to the length that RFC 3414
// and RFC 7860 send.
#[test]
fn signatures_are_those_of_the_standards() {
    let data = b"what do ya want for nothing?";
    for (auth, mac) in [
        (Auth::Md5, "750c783e6ab0b503eaa86e31"),
        (Auth::Sha1, "effcdf6ae5eb2fa2d27416d5"),
        (Auth::Sha224, "a30e01098bc6dbbf45690f3a7e9e6d0f"),
        (Auth::Sha256, "5bdcc146bf60754e6a042426089575c75a003f089d273983"),
        (Auth::Sha384, "af45d2e376484031617f78d2b58a6b1b9c7ef464f5a01b47e42ec3736322445e"),
        (
            Auth::Sha512,
            "164b7a7bfcf819e2e395fbe73b56e0a387bd64222e831fd610270cd7ea2505549758bf75c05a994a6d034f65f8f0e6fd",
        ),
    ] {
        assert_eq!(auth.sign(b"Jefe", data), hex(mac), "{auth:?}");
    }
}

#[test]
fn what_is_encrypted_comes_back() {
    let engine = hex("80001f8804");
    for privacy in [Privacy::Des, Privacy::Aes128, Privacy::Aes192, Privacy::Aes256] {
        for auth in [Auth::Md5, Auth::Sha1, Auth::Sha256, Auth::Sha512] {
            let key = privacy.localized_key(auth, "footlight-row", &engine);
            let plain = b"twenty-one bytes long".to_vec();
            let (data, salt) = privacy.encrypt(&key, 7, 1000, 99, &plain);
            assert_ne!(data[..21], plain[..]);
            let back = privacy.decrypt(&key, 7, 1000, &salt, &data).unwrap();
            assert_eq!(back[..21], plain[..]);
            assert_eq!(privacy.decrypt(&key, 7, 1000, &salt[..7], &data), None);
        }
    }
    assert_eq!(Privacy::Des.decrypt(&[0; 16], 1, 1, &[0; 8], &[0; 9]), None, "no whole block");
}
