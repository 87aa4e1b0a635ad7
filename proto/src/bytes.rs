//! Hashes and ids as types of their own, so that neither is taken for the other or for loose bytes.

use sha2::{Digest, Sha256};

macro_rules! fixed_bytes {
    ($(#[$doc:meta])* $name:ident, $len:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
        pub struct $name(pub [u8; $len]);

        impl $name {
            #[doc = concat!("Reads exactly ", $len, " bytes; nothing else is one.")]
            pub fn from_slice(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self)
            }

            /// Reads the lower-case or upper-case hex form.
            pub fn from_hex(text: &str) -> Option<Self> {
                hex::decode(text).ok().and_then(|bytes| Self::from_slice(&bytes))
            }

            /// The bytes, as a protobuf field holds them.
            pub fn to_vec(self) -> Vec<u8> {
                self.0.to_vec()
            }

            /// The first eight hex digits: enough to tell two apart on a screen, never enough to prove.
            pub fn short(&self) -> String {
                hex::encode(&self.0[..4])
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(&hex::encode(self.0))
            }
        }

        impl std::fmt::Debug for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), hex::encode(self.0))
            }
        }

        impl AsRef<[u8]> for $name {
            fn as_ref(&self) -> &[u8] {
                &self.0
            }
        }
    };
}

fixed_bytes!(
    /// A SHA-256 value, 32 bytes.
    Hash,
    32
);
fixed_bytes!(
    /// A random id, 16 bytes.
    Id,
    16
);

impl Hash {
    /// 32 zero bytes: "there is none before".
    pub const ZERO: Hash = Hash([0; 32]);

    /// SHA-256 (FIPS 180-4) of the bytes.
    pub fn of(bytes: &[u8]) -> Hash {
        Hash(Sha256::digest(bytes).into())
    }

    /// SHA-256 of the parts, one after another.
    pub fn of_parts(parts: &[&[u8]]) -> Hash {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update(part);
        }
        Hash(hasher.finalize().into())
    }
}

impl Id {
    /// A new random id from the system's generator.
    ///
    /// # Panics
    /// If the operating system has no random bytes to give: nothing safe can be done then.
    pub fn random() -> Id {
        let mut bytes = [0; 16];
        getrandom::fill(&mut bytes).expect("the operating system gives random bytes");
        Id(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sha_256_gives_the_published_examples() {
        // NIST, FIPS 180-4 example values ("SHA256.pdf"): one block, two blocks; and the empty message (RFC 6962 2.1).
        let examples = [
            ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            (
                "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
            ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        ];
        for (message, digest) in examples {
            assert_eq!(Hash::of(message.as_bytes()).to_string(), digest);
        }
    }

    #[test]
    fn an_id_of_another_length_is_none() {
        assert!(Id::from_slice(&[0; 15]).is_none());
        assert!(Hash::from_hex("00").is_none());
    }
}
