//! How often somebody may try a password: after a few wrong ones each name and each address must
//! wait, longer each time. A name that nobody has waits like any other.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use barwright_job::Hash;

/// Wrong passwords of a name before it must wait.
const FREE_NAME: u32 = 3;
/// Of an address: several people may sit behind one.
const FREE_ADDRESS: u32 = 10;
/// The longest wait. Somebody who tries all day comes to 288 passwords a day for a name.
const LONGEST: Duration = Duration::from_secs(300);
/// After so long without an attempt, earlier ones are forgotten.
const FORGOTTEN: Duration = Duration::from_secs(3600);
/// Most names and addresses that are remembered.
const MOST: usize = 8192;

#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Who {
    /// Hash of the name: what strangers type is not kept.
    Name(Hash),
    Address(Option<IpAddr>),
}

impl Who {
    fn free(&self) -> u32 {
        match self {
            Self::Name(_) => FREE_NAME,
            Self::Address(_) => FREE_ADDRESS,
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Tried {
    count: u32,
    last: Instant,
}

impl Tried {
    /// How long after its last attempt this one may try again.
    fn wait(&self, free: u32) -> Duration {
        match self.count.checked_sub(free) {
            None => Duration::ZERO,
            Some(over) => Duration::from_secs(1 << over.min(16)).min(LONGEST),
        }
    }
}

/// What was tried lately.
#[derive(Debug, Default)]
pub struct Attempts(Mutex<HashMap<Who, Tried>>);

impl Attempts {
    fn all(&self) -> MutexGuard<'_, HashMap<Who, Tried>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn both(name: &str, address: Option<IpAddr>) -> [Who; 2] {
        [Who::Name(Hash::of(name.as_bytes())), Who::Address(address.map(network))]
    }

    /// Counts an attempt as a wrong one beforehand, so that many at once gain nothing.
    ///
    /// # Errors
    /// How long to wait first; the attempt does not count then.
    pub fn begin(&self, name: &str, address: Option<IpAddr>, now: Instant) -> Result<(), Duration> {
        let mut all = self.all();
        all.retain(|_, tried| now.saturating_duration_since(tried.last) < FORGOTTEN);
        let both = Self::both(name, address);
        let wait = both
            .iter()
            .filter_map(|who| {
                let tried = all.get(who)?;
                (tried.last + tried.wait(who.free())).checked_duration_since(now)
            })
            .max()
            .filter(|wait| !wait.is_zero());
        if let Some(wait) = wait {
            return Err(wait);
        }
        while all.len() + both.len() > MOST {
            let oldest = all.iter().min_by_key(|(_, tried)| tried.last).map(|(who, _)| who.clone());
            let Some(oldest) = oldest else { break };
            all.remove(&oldest);
        }
        for who in both {
            let tried = all.entry(who).or_insert(Tried { count: 0, last: now });
            *tried = Tried { count: tried.count.saturating_add(1), last: now };
        }
        Ok(())
    }

    /// The attempt was right: the name begins anew, the address loses only this one, or
    /// somebody with an account could try others for ever.
    pub fn right(&self, name: &str, address: Option<IpAddr>) {
        let [name, address] = Self::both(name, address);
        let mut all = self.all();
        all.remove(&name);
        if let Some(tried) = all.get_mut(&address) {
            tried.count = tried.count.saturating_sub(1);
        }
    }
}

/// The address, or the network that one house has of version 6 (RFC 6177).
fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from(u128::from(v6) >> 64 << 64)),
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: Duration = Duration::from_secs(1);

    fn address(text: &str) -> Option<IpAddr> {
        Some(text.parse().expect("an address"))
    }

    // Closed form: 3 free ones, then 1, 2, 4 ... 256 s and no longer than 300.
    #[test]
    fn waits_grow_and_end() {
        let (attempts, mut now) = (Attempts::default(), Instant::now());
        let mut waits = Vec::new();
        for _ in 0..14 {
            // Each from an address of its own: the name alone is slowed.
            let from = address(&format!("10.0.0.{}", waits.len()));
            let wait = attempts.begin("A", from, now).err().unwrap_or_default();
            waits.push(wait.as_secs());
            now += wait;
            if !wait.is_zero() {
                assert_eq!(attempts.begin("A", from, now), Ok(()));
            }
        }
        assert_eq!(waits, [0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300]);
        assert!(attempts.begin("B", None, now).is_ok(), "another name waits too");
        assert_eq!(attempts.begin("A", None, now + FORGOTTEN), Ok(()));
    }

    // Own rule: an address that tries many names is slowed, whoever else signs in from it.
    #[test]
    fn an_address_is_slowed_over_all_names() {
        let (attempts, now) = (Attempts::default(), Instant::now());
        for k in 0..FREE_ADDRESS {
            let from = address(&format!("2001:db8::{k}"));
            assert_eq!(attempts.begin(&format!("n{k}"), from, now), Ok(()));
            if k < 5 {
                // Right ones do not count.
                attempts.right(&format!("n{k}"), from);
            }
        }
        for k in 0..5 {
            assert_eq!(attempts.begin(&format!("m{k}"), address("2001:db8::ff"), now), Ok(()));
        }
        assert_eq!(attempts.begin("x", address("2001:db8::1"), now), Err(S));
        assert_eq!(attempts.begin("x", address("2001:db8:0:1::1"), now), Ok(()));
    }

    // Own rule: a right password lets the name begin anew.
    #[test]
    fn a_right_password_ends_the_wait_of_its_name() {
        let (attempts, now) = (Attempts::default(), Instant::now());
        for k in 0..FREE_NAME {
            assert_eq!(attempts.begin("A", address("10.0.0.1"), now), Ok(()), "{k}");
        }
        assert_eq!(attempts.begin("A", address("10.0.0.1"), now), Err(S));
        assert_eq!(attempts.begin("A", address("10.0.0.1"), now + S), Ok(()));
        attempts.right("A", address("10.0.0.1"));
        assert_eq!(attempts.begin("A", address("10.0.0.1"), now + S), Ok(()));
    }

    // Own rule: memory is bounded whatever strangers type.
    #[test]
    fn memory_is_bounded() {
        let (attempts, now) = (Attempts::default(), Instant::now());
        for k in 0..MOST as u32 / 2 + 100 {
            let from = IpAddr::V4((0x0a00_0000 + k).into());
            assert_eq!(attempts.begin(&k.to_string(), Some(from), now), Ok(()));
        }
        assert_eq!(attempts.all().len(), MOST);
    }
}
