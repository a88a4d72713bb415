//! Frames of a journal: their head, and the chain of hashes that holds them together.

/// The first bytes of every journal; the number is its format.
pub(super) const MAGIC: &[u8; 8] = b"BWJRNL01";

/// What a frame holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Announcement = 1,
    Run = 2,
    Samples = 3,
    End = 4,
}

impl Kind {
    fn of(number: u32) -> Option<Self> {
        [Self::Announcement, Self::Run, Self::Samples, Self::End]
            .into_iter()
            .find(|&k| k as u32 == number)
    }
}

/// Ahead of a frame's payload: length, kind, hash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Head {
    pub length: u32,
    pub kind: Kind,
    hash: [u8; 32],
}

impl Head {
    pub const BYTES: usize = 40;

    pub fn bytes(&self) -> [u8; Self::BYTES] {
        let mut out = [0; Self::BYTES];
        out[..4].copy_from_slice(&self.length.to_le_bytes());
        out[4..8].copy_from_slice(&(self.kind as u32).to_le_bytes());
        out[8..].copy_from_slice(&self.hash);
        out
    }

    /// Absent for a kind that does not exist.
    pub fn read(bytes: &[u8; Self::BYTES]) -> Option<Self> {
        let number = |at: usize| {
            let mut four = [0; 4];
            four.copy_from_slice(&bytes[at..at + 4]);
            u32::from_le_bytes(four)
        };
        let mut hash = [0; 32];
        hash.copy_from_slice(&bytes[8..]);
        Some(Self { length: number(0), kind: Kind::of(number(4))?, hash })
    }
}

/// The hash of all frames so far.
#[derive(Debug, Clone)]
pub(super) struct Chain([u8; 32]);

impl Chain {
    pub fn new() -> Self {
        Self(*blake3::hash(MAGIC).as_bytes())
    }

    pub fn hash(&self) -> barwright_job::Hash {
        barwright_job::Hash(blake3::Hash::from_bytes(self.0).to_hex().to_string())
    }

    pub fn after(head: &Head) -> Self {
        Self(head.hash)
    }

    /// The head of the frame that would follow.
    pub fn seal(&self, kind: Kind, payload: &[u8]) -> Head {
        // A run is bounded by the messages it came in, far below 4 GiB.
        let length = payload.len() as u32;
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.0);
        hasher.update(&length.to_le_bytes());
        hasher.update(&(kind as u32).to_le_bytes());
        hasher.update(payload);
        Head { length, kind, hash: *hasher.finalize().as_bytes() }
    }
}
