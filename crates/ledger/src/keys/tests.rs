//! Truth of each test beside it.
#![allow(clippy::unwrap_used)]

use super::file::{KeyFileError, says};
use super::*;
use barwright_job::DocumentError;
use proptest::prelude::*;

fn of_hex(text: &str) -> Vec<u8> {
    (0..text.len() / 2).map(|k| u8::from_str_radix(&text[2 * k..2 * k + 2], 16).unwrap()).collect()
}

/// Private key, public key, message, signature.
const RFC_8032: [[&str; 4]; 4] = [
    [
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ],
    [
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ],
    [
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ],
    [
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ],
];

// Published: RFC 8032 section 7.1, tests 1, 2, 3 and SHA(abc).
#[test]
fn signatures_are_those_of_the_standard() {
    for [private, public, message, signature] in RFC_8032 {
        let seed: [u8; 32] = of_hex(private).try_into().unwrap();
        let key = SigningKey::from_seed("a", &seed);
        let message = of_hex(message);
        assert_eq!(key.public(), public);
        assert_eq!(key.sign(&message), signature);
        PublicKey::from_hex(public).unwrap().verify(&message, signature).unwrap();
    }
}

// Independent code: openssl reads the public key and takes the signature. The wrapping of the key
// is that of RFC 8410 section 4, whose bytes before the key are the same for every key.
#[test]
fn openssl_takes_what_was_signed() {
    use std::process::Command;
    if Command::new("openssl").arg("version").output().is_err() {
        eprintln!("SKIPPED: openssl cannot be run");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let key = SigningKey::make("a").unwrap();
    let message = b"entry 7 of line 2";
    let mut wrapped = of_hex("302a300506032b6570032100");
    wrapped.extend(of_hex(&key.public()));
    std::fs::write(path("public.der"), wrapped).unwrap();
    std::fs::write(path("signature"), of_hex(&key.sign(message))).unwrap();
    for (said, good) in [(&message[..], true), (b"entry 8 of line 2", false)] {
        std::fs::write(path("message"), said).unwrap();
        let answer = Command::new("openssl")
            .args(["pkeyutl", "-verify", "-pubin", "-keyform", "DER", "-rawin", "-inkey"])
            .arg(path("public.der"))
            .arg("-sigfile")
            .arg(path("signature"))
            .arg("-in")
            .arg(path("message"))
            .output()
            .unwrap();
        assert_eq!(answer.status.success(), good, "{}", String::from_utf8_lossy(&answer.stderr));
    }
}

// Own rule, against the hash crate.
#[test]
fn the_name_is_the_hash_of_the_public_key() {
    let key = SigningKey::make("a").unwrap();
    let whole = blake3::hash(&of_hex(&key.public())).to_hex();
    assert_eq!(key.id(), whole[..16]);
    assert_eq!(PublicKey::from_hex(&key.public()).unwrap().id(), key.id());
    assert!(!format!("{key:?}").contains(&hex(&*key.seed())));
}

proptest! {
    // Property: any one bit of message, signature or key that changes is refused.
    #[test]
    fn a_changed_bit_is_refused(message in prop::collection::vec(any::<u8>(), 1..80), at: prop::sample::Index, bit in 0u8..8) {
        let key = SigningKey::from_seed("a", &[7; 32]);
        let (public, signature) = (key.public_key(), key.sign(&message));
        prop_assert_eq!(public.verify(&message, &signature), Ok(()));
        let flip = |bytes: &[u8]| {
            let mut changed = bytes.to_vec();
            changed[at.index(bytes.len())] ^= 1 << bit;
            changed
        };
        prop_assert!(public.verify(&flip(&message), &signature).is_err());
        prop_assert!(public.verify(&message, &hex(&flip(&of_hex(&signature)))).is_err());
        let other = PublicKey::from_hex(&hex(&flip(&of_hex(&key.public()))));
        prop_assert!(other.is_err() || other.unwrap().verify(&message, &signature).is_err());
    }

    // Property: no text is read as a key or a signature that is not its one writing.
    #[test]
    fn other_writings_are_refused(text in "\\PC{0,130}") {
        let key = SigningKey::from_seed("a", &[7; 32]).public_key();
        prop_assert!(key.verify(b"m", &text).is_err());
        if let Ok(read) = PublicKey::from_hex(&text) {
            prop_assert_eq!(read.to_hex(), text);
        }
    }
}

// Closed form: the point of order one (y = 1) would take a signature of any message; and a key has
// one writing.
#[test]
fn weak_keys_and_capitals_are_refused() {
    let one = format!("01{}", "00".repeat(31));
    assert!(matches!(PublicKey::from_hex(&one), Err(KeyError::NoPublicKey { .. })));
    let capitals = RFC_8032[0][1].to_uppercase();
    assert!(PublicKey::from_hex(&capitals).is_err());
}

const PASSPHRASE: &str = "warm water, cold steel";

fn document(text: &str) -> Result<SigningKey, KeyFileError> {
    SigningKey::from_file_text("k.json", text, PASSPHRASE)
}

// Property: a file gives back the key, and no two are alike.
#[test]
fn a_file_gives_back_the_key() {
    let key = SigningKey::make("Prüferin").unwrap();
    let text = key.to_file_text(PASSPHRASE).unwrap();
    assert!(!text.contains(&hex(&*key.seed())));
    let back = document(&text).unwrap();
    assert_eq!((back.person(), back.public()), ("Prüferin", key.public()));
    assert_eq!(back.sign(b"m"), key.sign(b"m"));
    assert_ne!(text, key.to_file_text(PASSPHRASE).unwrap());
    let (person, public) = says("k.json", &text).unwrap();
    assert_eq!((person.as_str(), public), ("Prüferin", key.public_key()));
}

// Own rules: what is wrong with a file is told apart.
#[test]
fn what_is_wrong_with_a_file_is_told_apart() {
    let key = SigningKey::make("a").unwrap();
    let text = key.to_file_text(PASSPHRASE).unwrap();
    let wrong = SigningKey::from_file_text("k.json", &text, "warm water, cold steeL").unwrap_err();
    assert!(matches!(wrong, KeyFileError::WrongPassphrase { .. }), "{wrong}");

    let damaged = document(&text.replacen("\"sealed\": \"", "\"sealed\": \"0", 1)).unwrap_err();
    assert!(matches!(damaged, KeyFileError::Document(DocumentError::Corrupt { .. })), "{damaged}");
    let half = document(&text[..text.len() / 2]).unwrap_err();
    assert!(matches!(half, KeyFileError::Document(DocumentError::Corrupt { .. })), "{half}");
    let newer = document(&text.replacen("\"format\": 1", "\"format\": 2", 1)).unwrap_err();
    assert!(
        matches!(newer, KeyFileError::Document(DocumentError::TooNew { found: 2, .. })),
        "{newer}"
    );
    let weak = key.to_file_text("too short").unwrap_err();
    assert!(matches!(weak, KeyFileError::Weak(_)), "{weak}");
    for e in [wrong, damaged, newer, weak] {
        assert!(e.hint().is_some(), "{e} has no hint");
    }
}

/// The file changed by somebody who also computes its hash anew.
fn changed(text: &str, key: &[&str], value: serde_json::Value) -> String {
    let mut file: serde_json::Value = serde_json::from_str(text).unwrap();
    let mut at = &mut file["body"];
    for k in key {
        at = &mut at[*k];
    }
    *at = value;
    file.as_object_mut().unwrap().remove("hash");
    file.sort_all_objects();
    file["hash"] = blake3::hash(file.to_string().as_bytes()).to_hex().to_string().into();
    file.to_string()
}

// Own rules: an attacker who can write the file exchanges nothing in it, and no cost that would eat up the
// memory is ever paid.
#[test]
fn nothing_in_a_file_can_be_exchanged() {
    let key = SigningKey::make("a").unwrap();
    let other = SigningKey::make("b").unwrap();
    let text = key.to_file_text(PASSPHRASE).unwrap();
    let as_it_is = changed(&text, &["person"], "a".into());
    assert_eq!(document(&as_it_is).unwrap().public(), key.public());
    for (field, value) in
        [("person", "b".to_owned()), ("public", other.public()), ("salt", "00".repeat(16))]
    {
        let e = document(&changed(&text, &[field], value.into())).unwrap_err();
        assert!(matches!(e, KeyFileError::WrongPassphrase { .. }), "{field}: {e}");
    }
    for (field, value) in
        [("memory_kib", 4_000_000u32), ("memory_kib", 8), ("passes", 17), ("lanes", 0)]
    {
        let e = document(&changed(&text, &["cost", field], value.into())).unwrap_err();
        assert!(
            matches!(e, KeyFileError::Document(DocumentError::Impossible { .. })),
            "{field} {value}: {e}"
        );
    }
    let e = document(&changed(&text, &["function"], "none".into())).unwrap_err();
    assert!(matches!(e, KeyFileError::Document(DocumentError::Impossible { .. })), "{e}");
}
