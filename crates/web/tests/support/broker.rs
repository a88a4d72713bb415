//! A Mosquitto broker of the test's own, on loopback, and its command-line listener.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::cell::RefCell;
use std::io::{BufRead, BufReader};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

/// Topic of a message that every listener hears first.
const READY: &str = "test/ready";

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

fn program(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .chain(["/usr/sbin".into(), "/usr/local/sbin".into()])
        .map(|folder| folder.join(name))
        .find(|p| p.is_file())
}

/// A broker; it ends with this.
pub struct Broker {
    pub port: u16,
    child: Child,
    folder: Option<tempfile::TempDir>,
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Broker {
    /// Whether there is no broker to be had here; said loudly, and a failure where it is demanded.
    pub fn absent() -> bool {
        let absent =
            ["mosquitto", "mosquitto_sub", "mosquitto_pub"].iter().any(|p| program(p).is_none());
        if absent {
            let demanded = std::env::var_os("BARWRIGHT_NEEDS_BROKER").is_some_and(|v| v == "1");
            assert!(!demanded, "mosquitto and mosquitto_sub are not installed");
            eprintln!("SKIPPED: no mosquitto and mosquitto_sub on this machine");
        }
        absent
    }

    pub fn start(port: u16) -> Option<Self> {
        Self::start_in(port, tempfile::tempdir().unwrap())
    }

    /// Starts one that keeps sessions in a folder.
    pub fn start_in(port: u16, folder: tempfile::TempDir) -> Option<Self> {
        Self::start_with(port, folder, "")
    }

    /// Starts one with further lines of configuration, which may begin another listener.
    pub fn start_with(port: u16, folder: tempfile::TempDir, more: &str) -> Option<Self> {
        if Self::absent() {
            return None;
        }
        // Mosquitto gives up the rights of root, so others must be able to write here.
        open_to_all(folder.path());
        let config = folder.path().join("mosquitto.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n\
             persistence_location {}/\n{more}",
            folder.path().display()
        );
        std::fs::write(&config, text).unwrap();
        let child = Command::new(program("mosquitto").unwrap())
            .arg("-c")
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let broker = Self { port, child, folder: Some(folder) };
        let until = Instant::now() + Duration::from_secs(10);
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(Instant::now() < until, "the broker does not answer");
            std::thread::sleep(Duration::from_millis(10));
        }
        // Kept, so that a listener that hears it knows that it has subscribed.
        let said = Command::new(program("mosquitto_pub").unwrap())
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-r", "-q", "1"])
            .args(["-t", READY, "-m", "{}"])
            .status()
            .unwrap();
        assert!(said.success());
        Some(broker)
    }

    /// Ends it in good order, so that it keeps its sessions.
    pub fn stop(mut self) -> tempfile::TempDir {
        let id = self.child.id().to_string();
        Command::new("kill").args(["-TERM", &id]).status().unwrap();
        self.child.wait().unwrap();
        self.folder.take().unwrap()
    }

    /// A listener that has subscribed when this returns.
    pub fn listen(&self, topic: &str, more: &[&str]) -> Listener {
        let mut child = Command::new(program("mosquitto_sub").unwrap())
            .args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-V", "mqttv5"])
            .args(["-t", topic, "-t", READY, "-F", "%r %t\t%p"])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (send, heard) = mpsc::channel();
        let (ready, subscribed) = mpsc::channel();
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let at = Instant::now();
                let (retained, rest) = line.split_once(' ').unwrap();
                let (topic, text) = rest.split_once('\t').unwrap();
                if topic == READY {
                    let _ = ready.send(());
                    continue;
                }
                let heard = Heard {
                    topic: topic.to_owned(),
                    retained: retained == "1",
                    json: serde_json::from_str(text).unwrap(),
                    at,
                };
                if send.send(heard).is_err() {
                    return;
                }
            }
        });
        subscribed.recv_timeout(Duration::from_secs(10)).expect("it subscribes");
        Listener { child, heard, passed_over: RefCell::default() }
    }
}

#[cfg(unix)]
pub fn open_to_all(folder: &Path) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(folder, std::fs::Permissions::from_mode(0o777)).unwrap();
}

#[cfg(not(unix))]
pub fn open_to_all(_: &Path) {}

/// A message as the foreign client heard it.
#[derive(Debug)]
pub struct Heard {
    pub topic: String,
    pub retained: bool,
    pub json: serde_json::Value,
    /// When its line was read.
    pub at: Instant,
}

/// The foreign client; it ends with this.
pub struct Listener {
    child: Child,
    heard: mpsc::Receiver<Heard>,
    /// What came while another message was waited for.
    passed_over: RefCell<Vec<Heard>>,
}

impl Drop for Listener {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Listener {
    /// The next message, if one comes within some time.
    pub fn next(&self, within: Duration) -> Option<Heard> {
        self.heard.recv_timeout(within).ok()
    }

    /// The first message of a topic for which something holds. Topics keep no order among each
    /// other: what comes meanwhile is left for later.
    pub fn wait_for(&self, topic: &str, holds: impl Fn(&Heard) -> bool) -> Heard {
        let fits = |heard: &Heard| heard.topic == topic && holds(heard);
        let mut passed_over = self.passed_over.borrow_mut();
        if let Some(at) = passed_over.iter().position(fits) {
            return passed_over.remove(at);
        }
        let until = Instant::now() + Duration::from_secs(10);
        while Instant::now() < until {
            match self.next(Duration::from_millis(200)) {
                Some(heard) if fits(&heard) => return heard,
                Some(heard) => passed_over.push(heard),
                None => {}
            }
        }
        panic!("nothing fitting came on {topic}, but {passed_over:?}");
    }
}
