//! Signs what is posted: HTTP Message Signatures (RFC 9421) with HMAC-SHA256, and the body's digest (RFC 9530).
//!
//! Covered are method, target, content type and digest, with the time of signing, so that neither body nor address can be
//! changed and an old message can be refused. The key id is the recipient's name. `created` is seconds since the Unix
//! epoch. It sends nothing. Never panics.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ring::{digest, hmac};

/// Content type of every message.
pub(super) const CONTENT_TYPE: &str = "application/json";

/// Header fields that carry a signature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Signed {
    pub(super) content_digest: String,
    pub(super) signature_input: String,
    pub(super) signature: String,
}

/// Signs a POST.
pub(super) fn sign(secret: &[u8], target: &str, body: &[u8], key_id: &str, created: i64) -> Signed {
    let content_digest = format!("sha-256=:{}:", STANDARD.encode(digest::digest(&digest::SHA256, body)));
    let parameters = format!(
        "(\"@method\" \"@target-uri\" \"content-type\" \"content-digest\");created={created};keyid=\"{key_id}\";\
         alg=\"hmac-sha256\""
    );
    // RFC 9421 §2.5: one component a line, the parameters last, no line end behind them.
    let base = format!(
        "\"@method\": POST\n\"@target-uri\": {target}\n\"content-type\": {CONTENT_TYPE}\n\
         \"content-digest\": {content_digest}\n\"@signature-params\": {parameters}"
    );
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret);
    let signature = STANDARD.encode(hmac::sign(&key, base.as_bytes()));
    Signed { content_digest, signature_input: format!("sig1={parameters}"), signature: format!("sig1=:{signature}:") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_digest_is_that_of_the_standard() {
        // RFC 9530 appendix B.1 (from memory): `{"hello": "world"}` and a line end.
        let signed = sign(b"k", "https://a/", b"{\"hello\": \"world\"}\n", "shift", 1);
        assert_eq!(signed.content_digest, "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:");
    }

    #[test]
    fn everything_that_counts_changes_the_signature() {
        let of =
            |secret: &[u8], target: &str, body: &[u8], key: &str, at| sign(secret, target, body, key, at).signature;
        let whole = of(b"secret", "https://a/m1", b"{}", "shift", 1000);
        assert_eq!(whole, of(b"secret", "https://a/m1", b"{}", "shift", 1000));
        for other in [
            of(b"Secret", "https://a/m1", b"{}", "shift", 1000),
            of(b"secret", "https://a/m2", b"{}", "shift", 1000),
            of(b"secret", "https://a/m1", b"{ }", "shift", 1000),
            of(b"secret", "https://a/m1", b"{}", "lead", 1000),
            of(b"secret", "https://a/m1", b"{}", "shift", 1001),
        ] {
            assert_ne!(other, whole);
        }
    }
}
