//! Signed commands: JSON Web Signature in compact form, Ed25519 only.
//!
//! Takes any bytes and says who claims to have signed what, then whether a key bears that out. `alg` is `EdDSA` (RFC 8037) or
//! `Ed25519` (RFC 9864), `kid` the person's name; a header with `crit` is refused, since no extension is known here (RFC 7515
//! §4.1.11). Base64url is strict: no padding, no loose bits (RFC 4648 §3.5). Public keys are read from PEM (RFC 8410) or JWK
//! (RFC 8037). It knows no person and no clock. Never panics.

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use ring::signature::{ED25519, UnparsedPublicKey};
use serde::Deserialize;

/// What stands before the 32 bytes of an Ed25519 key in its SubjectPublicKeyInfo (RFC 8410 §4, §10.1).
const SPKI: [u8; 12] = [0x30, 0x2a, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x03, 0x21, 0x00];

/// A public key.
pub type Key = [u8; 32];

/// A JWS as it came; nothing of it is proved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signed<'a> {
    /// Who claims to have signed it.
    pub name: String,
    /// What was signed.
    pub payload: Vec<u8>,
    input: &'a [u8],
    signature: [u8; 64],
}

/// Why something is no signed command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotSigned {
    /// Not three parts.
    #[error("it is no JWS in compact form: three parts of base64url with dots between")]
    Parts,
    /// Not base64url.
    #[error("a part of it is no base64url without padding (RFC 7515)")]
    Base64,
    /// The header is none.
    #[error("its header is no JSON object with alg and kid")]
    Header,
    /// Another algorithm.
    #[error("its alg is not EdDSA")]
    Algorithm,
    /// An extension that must be understood.
    #[error("its header has crit: no extension is known here")]
    Critical,
    /// The signature has another length.
    #[error("its signature does not have 64 bytes")]
    Length,
    /// The signature is wrong.
    #[error("its signature does not fit the key")]
    Signature,
}

#[derive(Deserialize)]
struct Header {
    alg: String,
    kid: String,
    #[serde(default)]
    crit: Option<serde_json::Value>,
    #[serde(default)]
    b64: Option<serde_json::Value>,
}

impl<'a> Signed<'a> {
    /// Takes it apart.
    ///
    /// # Errors
    /// When it is no such JWS.
    pub fn parse(bytes: &'a [u8]) -> Result<Self, NotSigned> {
        let mut parts = bytes.split(|byte| *byte == b'.');
        let (Some(header), Some(payload), Some(signature), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(NotSigned::Parts);
        };
        let input = bytes.get(..header.len() + 1 + payload.len()).ok_or(NotSigned::Parts)?;
        let decode = |part: &[u8]| URL_SAFE_NO_PAD.decode(part).map_err(|_| NotSigned::Base64);
        let header: Header = serde_json::from_slice(&decode(header)?).map_err(|_| NotSigned::Header)?;
        if header.crit.is_some() || header.b64.is_some() {
            return Err(NotSigned::Critical);
        }
        if header.alg != "EdDSA" && header.alg != "Ed25519" {
            return Err(NotSigned::Algorithm);
        }
        let payload = decode(payload)?;
        let signature = decode(signature)?.try_into().map_err(|_| NotSigned::Length)?;
        Ok(Self { name: header.kid, payload, input, signature })
    }

    /// Proves it by a key.
    ///
    /// # Errors
    /// When the signature is not that key's.
    pub fn verify(&self, key: &Key) -> Result<(), NotSigned> {
        UnparsedPublicKey::new(&ED25519, key).verify(self.input, &self.signature).map_err(|_| NotSigned::Signature)
    }
}

/// A key as it is kept: base64url.
#[must_use]
pub fn key_text(key: &Key) -> String {
    URL_SAFE_NO_PAD.encode(key)
}

/// A key of its kept form.
#[must_use]
pub fn key_from_text(text: &str) -> Option<Key> {
    URL_SAFE_NO_PAD.decode(text).ok()?.try_into().ok()
}

/// A public key of a file: PEM as `openssl pkey -pubout` writes it, or a JWK.
#[must_use]
pub fn key_from_file(text: &str) -> Option<Key> {
    #[derive(Deserialize)]
    struct Jwk {
        kty: String,
        crv: String,
        x: String,
    }
    if let Ok(jwk) = serde_json::from_str::<Jwk>(text) {
        return if jwk.kty == "OKP" && jwk.crv == "Ed25519" { key_from_text(&jwk.x) } else { None };
    }
    let inner = text.split_once("-----BEGIN PUBLIC KEY-----")?.1.split_once("-----END PUBLIC KEY-----")?.0;
    let plain: String = inner.chars().filter(|c| !c.is_ascii_whitespace()).collect();
    let der = STANDARD.decode(plain).ok()?;
    der.strip_prefix(&SPKI)?.try_into().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8037 appendix A: key (A.2), and JWS of "Example of Ed25519 signing" (A.4), whose header has no kid.
    const X: &str = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo";
    const SIGNATURE: &str = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";

    #[test]
    fn the_example_of_the_standard_is_borne_out() {
        let key = key_from_text(X).expect("32 bytes");
        assert_eq!(key_text(&key), X);
        let input = b"eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc";
        let signature = URL_SAFE_NO_PAD.decode(SIGNATURE).expect("base64url").try_into().expect("64 bytes");
        let signed = Signed { name: String::new(), payload: Vec::new(), input, signature };
        assert_eq!(signed.verify(&key), Ok(()));
        // Without kid nobody is named.
        let whole = format!("{}.{SIGNATURE}", String::from_utf8_lossy(input));
        assert_eq!(Signed::parse(whole.as_bytes()), Err(NotSigned::Header));
    }

    fn made(header: &str, payload: &str) -> (String, Key) {
        use ring::signature::KeyPair as _;
        let pair = ring::signature::Ed25519KeyPair::from_seed_unchecked(&[7; 32]).expect("a seed of 32 bytes");
        let input = format!("{}.{}", URL_SAFE_NO_PAD.encode(header), URL_SAFE_NO_PAD.encode(payload));
        let text = format!("{input}.{}", URL_SAFE_NO_PAD.encode(pair.sign(input.as_bytes())));
        (text, pair.public_key().as_ref().try_into().expect("32 bytes"))
    }

    const HEADER: &str = r#"{"alg":"EdDSA","kid":"ada"}"#;

    #[test]
    fn every_cut_and_every_flipped_bit_is_refused() {
        let (text, key) = made(HEADER, r#"{"id":"1","action":"reset"}"#);
        let whole = Signed::parse(text.as_bytes()).expect("whole");
        assert_eq!((whole.name.as_str(), whole.verify(&key)), ("ada", Ok(())));
        for end in 0..text.len() {
            let cut = Signed::parse(&text.as_bytes()[..end]);
            assert!(cut.and_then(|signed| signed.verify(&key)).is_err(), "{end}");
        }
        let mut bent = text.clone().into_bytes();
        for bit in 0..bent.len() * 8 {
            bent[bit / 8] ^= 1 << (bit % 8);
            let answer = Signed::parse(&bent).and_then(|signed| signed.verify(&key));
            assert!(answer.is_err(), "bit {bit}");
            bent[bit / 8] ^= 1 << (bit % 8);
        }
    }

    #[test]
    fn only_what_is_understood_is_taken() {
        let refused = |header: &str| Signed::parse(made(header, "{}").0.as_bytes()).expect_err("refused");
        assert_eq!(refused(r#"{"alg":"none","kid":"ada"}"#), NotSigned::Algorithm);
        assert_eq!(refused(r#"{"alg":"HS256","kid":"ada"}"#), NotSigned::Algorithm);
        assert_eq!(refused(r#"{"alg":"EdDSA","kid":"ada","crit":["exp"]}"#), NotSigned::Critical);
        assert_eq!(refused(r#"{"alg":"EdDSA","kid":"ada","b64":false}"#), NotSigned::Critical);
        assert_eq!(refused(r#"{"alg":"EdDSA","kid":7}"#), NotSigned::Header);
        assert_eq!(refused("[]"), NotSigned::Header);
        let (text, _) = made(HEADER, "{}");
        assert_eq!(Signed::parse(format!("{text}=").as_bytes()), Err(NotSigned::Base64));
        assert_eq!(Signed::parse(format!("{text}.").as_bytes()), Err(NotSigned::Parts));
        assert_eq!(Signed::parse(text.replace('.', "").as_bytes()), Err(NotSigned::Parts));
        let short = format!("{}AA", &text[..text.rfind('.').map_or(0, |at| at + 1)]);
        assert_eq!(Signed::parse(short.as_bytes()), Err(NotSigned::Length));
    }

    #[test]
    fn keys_of_files() {
        // RFC 8410 §10.1.
        let pem = "-----BEGIN PUBLIC KEY-----\nMCowBQYDK2VwAyEAGb9ECWmEzf6FQbrBZ9w7lshQhqowtrbLDFw4rXAxZuE=\n-----END PUBLIC KEY-----\n";
        let key = key_from_file(pem).expect("a key");
        assert_eq!(key[..4], [0x19, 0xbf, 0x44, 0x09]);
        let jwk = format!(r#"{{"kty":"OKP","crv":"Ed25519","x":"{X}"}}"#);
        assert_eq!(key_from_file(&jwk), key_from_text(X));
        for wrong in [
            "",
            "{}",
            "-----BEGIN PUBLIC KEY-----",
            r#"{"kty":"OKP","crv":"X25519","x":"11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}"#,
            "-----BEGIN PUBLIC KEY-----\nMFkwEwYHKoZIzj0CAQYIKoZIzj0DAQcDQgAE\n-----END PUBLIC KEY-----",
            &pem.replace("MCow", "MCox"),
        ] {
            assert_eq!(key_from_file(wrong), None, "{wrong}");
        }
    }
}
