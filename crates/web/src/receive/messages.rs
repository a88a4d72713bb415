//! News as messages over MQTT 5, for machines that mark, sort or signal.
//!
//! One topic for each kind of news and line: `PREFIX/LINE/alarm`, `/bar`, `/trouble`, and `/state`,
//! which the broker keeps; `PREFIX/service`, also kept, says whether this service is there.
//! `docs/receiving.md` describes them.
//!
//! The publisher hears the news like every listener and puts them into a queue of its own. A broker
//! that is slow or away fills the queue and nothing else: nobody who tells news ever waits for it.

mod courier;
mod link;
mod outbox;

use std::time::Duration;

use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use super::news::Newsroom;
use courier::Courier;

/// The ports of MQTT without and with TLS.
const PORTS: [u16; 2] = [1883, 8883];
/// How long the end waits for the broker to take what is left.
const PARTING: Duration = Duration::from_secs(2);

/// Where messages go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MessageOptions {
    host: String,
    port: u16,
    prefix: String,
    login: Option<(String, String)>,
    tls: bool,
    /// Certificates of the authorities that the broker is trusted by, PEM.
    authorities: Vec<u8>,
    /// Most messages that wait for a broker that is away; the oldest are given up beyond that.
    pub most_waiting: usize,
}

/// Why messages cannot be sent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MessageError {
    /// The broker's address cannot be.
    #[error("{found:?} is no broker's address: {reason}")]
    Address {
        /// What was given.
        found: String,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// The prefix cannot be part of a topic.
    #[error("{found:?} cannot begin a topic: {reason}")]
    Prefix {
        /// What was given.
        found: String,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// TLS and certificates do not go together.
    #[error("{reason}")]
    Trust {
        /// What is wrong.
        reason: &'static str,
    },
    /// The login is not one.
    #[error("the login is not a line of NAME:PASSWORD")]
    Login,
}

impl MessageError {
    /// The cure in words.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Address { .. } => "write it as mqtt://HOST:PORT, or mqtts:// for TLS".into(),
            Self::Trust { .. } => {
                "name the certificate (PEM) by which an mqtts:// broker is trusted".into()
            }
            Self::Prefix { .. } => "use letters and digits, with / between levels".into(),
            Self::Login => "write name and password into the file, with a colon between".into(),
        })
    }
}

impl MessageOptions {
    /// For a broker at `mqtt://HOST` or `mqtt://HOST:PORT`, or `mqtts://` for TLS, which needs
    /// [`MessageOptions::trusting`]; topics begin with `prefix`.
    ///
    /// # Errors
    /// [`MessageError::Address`], [`MessageError::Prefix`].
    pub fn new(broker: &str, prefix: &str) -> Result<Self, MessageError> {
        let wrong = |reason| MessageError::Address { found: broker.to_owned(), reason };
        let (tls, rest) = match (broker.strip_prefix("mqtt://"), broker.strip_prefix("mqtts://")) {
            (Some(rest), _) => (false, rest),
            (_, Some(rest)) => (true, rest),
            _ => return Err(wrong("it begins with mqtt:// or mqtts://")),
        };
        let rest = rest.strip_suffix('/').unwrap_or(rest);
        if rest.contains(['/', '@', '?', '#']) || rest.contains(char::is_whitespace) {
            return Err(wrong("only a host and a port may follow"));
        }
        // The colons of an IPv6 address stand in brackets.
        let (host, port) = match rest.rsplit_once(':') {
            Some((host, port)) if !port.ends_with(']') => {
                let port = port.parse().ok().filter(|&p| p != 0);
                (host, port.ok_or(wrong("the port is a number from 1 to 65535"))?)
            }
            _ => (rest, PORTS[usize::from(tls)]),
        };
        let host = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host);
        if host.is_empty() {
            return Err(wrong("there is no host"));
        }
        let wrong = |reason| Err(MessageError::Prefix { found: prefix.to_owned(), reason });
        if prefix.is_empty() || prefix.starts_with('/') || prefix.ends_with('/') {
            return wrong("it neither is empty nor begins or ends with a /");
        }
        if prefix.starts_with('$') {
            return wrong("topics that begin with $ are the broker's");
        }
        if prefix.contains(['+', '#', '\0']) || prefix.len() > 256 {
            return wrong("+ and # are for those who listen, and 256 bytes are the most");
        }
        Ok(Self {
            host: host.to_owned(),
            port,
            prefix: prefix.to_owned(),
            login: None,
            tls,
            authorities: Vec::new(),
            most_waiting: 1000,
        })
    }

    /// The same with a login, `NAME:PASSWORD`.
    ///
    /// # Errors
    /// [`MessageError::Login`].
    pub fn with_login(mut self, text: &str) -> Result<Self, MessageError> {
        let (name, password) = text.trim().split_once(':').ok_or(MessageError::Login)?;
        if name.is_empty() {
            return Err(MessageError::Login);
        }
        self.login = Some((name.to_owned(), password.to_owned()));
        Ok(self)
    }

    /// The same with the certificates of the authorities that the broker is trusted by, PEM. No
    /// others are, not even those of the system.
    ///
    /// # Errors
    /// [`MessageError::Trust`] without TLS, or for a text without a certificate.
    pub fn trusting(mut self, authorities: &str) -> Result<Self, MessageError> {
        if !self.tls {
            return Err(MessageError::Trust { reason: "a certificate is of no use without TLS" });
        }
        if !authorities.contains("-----BEGIN CERTIFICATE-----") {
            return Err(MessageError::Trust { reason: "the file holds no certificate in PEM" });
        }
        self.authorities = authorities.as_bytes().to_vec();
        Ok(self)
    }

    /// Demands that a broker with TLS can be trusted.
    ///
    /// # Errors
    /// [`MessageError::Trust`].
    pub fn whole(self) -> Result<Self, MessageError> {
        if self.tls && self.authorities.is_empty() {
            return Err(MessageError::Trust { reason: "TLS needs a certificate to trust" });
        }
        Ok(self)
    }

    /// The topic of a line's news.
    fn topic(&self, line: &str, what: &str) -> String {
        format!("{}/{}/{what}", self.prefix, level(line))
    }

    /// The topic that says whether the service is there.
    fn service_topic(&self) -> String {
        format!("{}/service", self.prefix)
    }
}

/// A line's name as one level of a topic: what parts levels or selects them is written as in a URL,
/// so that two lines never share a topic.
fn level(line: &str) -> String {
    let mut out = String::with_capacity(line.len());
    for c in line.chars() {
        match c {
            '/' => out.push_str("%2F"),
            '+' => out.push_str("%2B"),
            '#' => out.push_str("%23"),
            '%' => out.push_str("%25"),
            '\0' => out.push_str("%00"),
            c => out.push(c),
        }
    }
    out
}

/// Sends news to a broker until it is stopped.
#[derive(Debug)]
pub struct Publisher {
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

impl Publisher {
    /// Begins; all news from now on are sent. The broker need not be there yet.
    ///
    /// To be called within a runtime.
    #[must_use]
    pub fn start(options: MessageOptions, news: &Newsroom) -> Self {
        let (stop, stopped) = oneshot::channel();
        let courier = Courier::new(options, news.clone());
        Self { stop, task: tokio::spawn(courier.run(stopped)) }
    }

    /// Sends what is left, tells the broker that the service is gone, and what could not be
    /// delivered as trouble. Takes two seconds at most.
    pub async fn stop(self) {
        // An error says that the task has ended already.
        let _ = self.stop.send(());
        let _ = tokio::time::timeout(2 * PARTING, self.task).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_a_host_and_a_port() {
        for (text, host, port) in [
            ("mqtt://broker", "broker", 1883),
            ("mqtt://10.0.0.7:1884", "10.0.0.7", 1884),
            ("mqtt://[::1]:9", "::1", 9),
            ("mqtt://[::1]", "::1", 1883),
            ("mqtts://broker", "broker", 8883),
        ] {
            let o = MessageOptions::new(text, "plant/barwright").expect("an address");
            assert_eq!((o.host.as_str(), o.port), (host, port), "{text}");
        }
        for text in ["broker", "http://b", "mqtt://", "mqtt://b:0", "mqtt://u:p@b", "mqtt://b/x"] {
            assert!(MessageOptions::new(text, "p").is_err(), "{text}");
        }
        let plain = || MessageOptions::new("mqtt://b", "p").expect("an address");
        let tls = || MessageOptions::new("mqtts://b", "p").expect("an address");
        let pem = "-----BEGIN CERTIFICATE-----\n";
        assert!(plain().whole().is_ok() && tls().whole().is_err());
        assert!(plain().trusting(pem).is_err() && tls().trusting("").is_err());
        assert!(tls().trusting(pem).and_then(MessageOptions::whole).is_ok());
        for prefix in ["", "/a", "a/", "$SYS", "a/+/b", "#"] {
            assert!(MessageOptions::new("mqtt://b", prefix).is_err(), "{prefix}");
        }
    }

    // Truth: property. A level holds nothing that parts levels, and no two lines share one.
    #[test]
    fn lines_have_topics_of_their_own() {
        let lines = ["line 4", "a/b", "a%2Fb", "a+b", "a#b", "ab"];
        let levels: std::collections::BTreeSet<String> = lines.iter().map(|l| level(l)).collect();
        assert_eq!(levels.len(), lines.len());
        assert!(levels.iter().all(|l| !l.contains(['/', '+', '#'])));
        assert_eq!(level("line 4"), "line 4");
    }
}
