//! The phone's own key: Ed25519 (RFC 8032), over the bytes of the manifest as they stand in the file.

use super::manifest::{from_hex, to_hex};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A phone's secret key. It never leaves the phone.
pub struct SecretKey(SigningKey);

impl fmt::Debug for SecretKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("SecretKey").field(&self.public()).finish()
    }
}

/// The start of the text form, so that nobody takes the secret for the public key.
const SECRET_PREFIX: &str = "lidmark-phone-secret:";

impl SecretKey {
    /// Makes a key from the system's source of randomness.
    ///
    /// # Errors
    /// When the system gives no randomness.
    pub fn generate() -> Result<Self, std::io::Error> {
        let mut seed = [0; 32];
        getrandom::fill(&mut seed).map_err(std::io::Error::other)?;
        Ok(Self::from_seed(seed))
    }

    /// Makes the key of this seed, the private key of RFC 8032.
    #[must_use]
    pub fn from_seed(seed: [u8; 32]) -> Self {
        Self(SigningKey::from_bytes(&seed))
    }

    /// Reads what [`SecretKey::to_text`] wrote.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        from_hex(text.trim().strip_prefix(SECRET_PREFIX)?).map(Self::from_seed)
    }

    /// Writes the key for the phone's private folder.
    #[must_use]
    pub fn to_text(&self) -> String {
        format!("{SECRET_PREFIX}{}\n", to_hex(self.0.as_bytes()))
    }

    /// Returns the key that verifies what this one signs.
    #[must_use]
    pub fn public(&self) -> PhoneKey {
        PhoneKey(self.0.verifying_key().to_bytes())
    }

    /// Signs the bytes of a manifest.
    #[must_use]
    pub fn sign(&self, manifest: &[u8]) -> PhoneSignature {
        PhoneSignature(self.0.sign(manifest))
    }
}

/// A phone's public key, written as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct PhoneKey([u8; 32]);

impl PhoneKey {
    /// Reads a key as a person pastes it: spaces and capitals do not matter.
    ///
    /// # Errors
    /// A sentence that says what is wrong.
    pub fn parse(text: &str) -> Result<Self, BadPhoneKey> {
        let text: String = text
            .chars()
            .filter(|c| !c.is_whitespace())
            .map(|c| c.to_ascii_lowercase())
            .collect();
        if text.starts_with(SECRET_PREFIX) {
            return Err(BadPhoneKey::Secret);
        }
        let bytes = from_hex::<32>(&text).ok_or(BadPhoneKey::Form)?;
        VerifyingKey::from_bytes(&bytes)
            .ok()
            .filter(|key| !key.is_weak())
            .map(|key| Self(key.to_bytes()))
            .ok_or(BadPhoneKey::NoKey)
    }

    /// Verifies a signature over the bytes of a manifest.
    #[must_use]
    pub fn verify(&self, manifest: &[u8], signature: &PhoneSignature) -> bool {
        VerifyingKey::from_bytes(&self.0).is_ok_and(|key| key.verify_strict(manifest, &signature.0).is_ok())
    }

    /// Returns the key in groups of four, for two people to compare.
    #[must_use]
    pub fn grouped(&self) -> String {
        let text = self.to_string();
        let mut out = String::with_capacity(80);
        for (index, c) in text.chars().enumerate() {
            if index > 0 && index % 4 == 0 {
                out.push(' ');
            }
            out.push(c);
        }
        out
    }
}

/// Why a text is no phone key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadPhoneKey {
    /// Not 64 hexadecimal digits.
    #[error("a phone key is 64 digits 0 to 9 and a to f, as the phone shows it")]
    Form,
    /// The secret key of a phone.
    #[error("this is the phone's secret key: keep it to yourself, and use the key the phone shows")]
    Secret,
    /// 64 digits that no phone has for a key.
    #[error("these digits are no phone key: compare them with the phone's screen")]
    NoKey,
}

impl fmt::Display for PhoneKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&to_hex(&self.0))
    }
}

impl fmt::Debug for PhoneKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for PhoneKey {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for PhoneKey {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).map_err(serde::de::Error::custom)
    }
}

/// A signature, written as 128 lower-case hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhoneSignature(Signature);

impl PhoneSignature {
    /// Reads 128 lower-case hexadecimal digits, with or without the end of the line.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        from_hex(text.trim_end()).map(|bytes| Self(Signature::from_bytes(&bytes)))
    }
}

impl fmt::Display for PhoneSignature {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&to_hex(&self.0.to_bytes()))
    }
}

/// A phone the office trusts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TrustedPhone {
    /// The phone.
    pub phone: uuid::Uuid,
    /// Its key.
    pub key: PhoneKey,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn signatures_are_those_of_the_standard() {
        // RFC 8032, section 7.1, TEST 3: secret key, public key, message and signature.
        let seed = from_hex("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7").unwrap();
        let key = SecretKey::from_seed(seed);
        let public = "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025";
        assert_eq!(key.public().to_string(), public);
        let signature = key.sign(&[0xaf, 0x82]);
        assert_eq!(
            signature.to_string(),
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac\
             18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
        );
        assert!(PhoneKey::parse(public).unwrap().verify(&[0xaf, 0x82], &signature));
        assert!(!PhoneKey::parse(public).unwrap().verify(&[0xaf, 0x83], &signature));
    }

    #[test]
    fn keys_survive_their_text_and_say_what_is_wrong() {
        let key = SecretKey::from_seed([7; 32]);
        assert_eq!(SecretKey::parse(&key.to_text()).unwrap().public(), key.public());
        assert_eq!(
            PhoneKey::parse(&key.public().grouped().to_uppercase()),
            Ok(key.public())
        );
        assert_eq!(PhoneKey::parse(&key.to_text()), Err(BadPhoneKey::Secret));
        assert_eq!(PhoneKey::parse("12ab"), Err(BadPhoneKey::Form));
        // The neutral point verifies anything: RFC 8032 keys of small order are refused.
        let neutral = format!("01{}", "00".repeat(31));
        assert_eq!(PhoneKey::parse(&neutral), Err(BadPhoneKey::NoKey));
        assert!(
            !format!("{key:?}").contains(&to_hex(&[7; 32])),
            "the secret is not printed"
        );
    }

    #[test]
    fn two_new_keys_differ() {
        assert_ne!(
            SecretKey::generate().unwrap().public(),
            SecretKey::generate().unwrap().public()
        );
    }
}
