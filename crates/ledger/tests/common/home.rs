//! The two homes of a ledger: a file of its own in a folder, a database of its own on a PostgreSQL
//! server that the tests start and that ends with them.

use std::{
    io::{Read as _, Write as _},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    sync::{
        OnceLock,
        atomic::{AtomicU32, Ordering},
    },
};

use barwright_ledger::{Ledger, Result, store};
use sqlx::{Connection as _, PgConnection, SqliteConnection, sqlite::SqliteConnectOptions};
use tempfile::TempDir;

use super::START_US;

/// Where a test's ledger is.
pub enum Home {
    File(TempDir),
    Server(String),
}

/// Every home there is on this machine, empty.
pub fn homes() -> Vec<Home> {
    let mut homes = vec![Home::file()];
    homes.extend(Home::server());
    homes
}

impl Home {
    pub fn file() -> Self {
        Self::File(tempfile::tempdir().unwrap())
    }

    /// None where there is no PostgreSQL.
    pub fn server() -> Option<Self> {
        static COUNT: AtomicU32 = AtomicU32::new(1);
        let server = SERVER.get_or_init(Server::start).as_ref()?;
        let name = format!("ledger{}", COUNT.fetch_add(1, Ordering::Relaxed));
        wait(async {
            let mut c = PgConnection::connect(&server.address("postgres")).await.unwrap();
            let create = sqlx::AssertSqlSafe(format!("CREATE DATABASE {name}"));
            sqlx::query(create).execute(&mut c).await.unwrap();
            c.close().await.unwrap();
        });
        Some(Self::Server(server.address(&name)))
    }

    pub fn path(&self) -> PathBuf {
        match self {
            Self::File(folder) => folder.path().join("ledger.db"),
            Self::Server(_) => panic!("not a file"),
        }
    }

    pub fn at(&self) -> store::Home {
        match self {
            Self::File(_) => store::Home::File(self.path()),
            Self::Server(address) => store::Home::of(address),
        }
    }

    pub fn create(&self, name: &str) -> Ledger {
        Ledger::create_at(&self.at(), name, START_US).unwrap()
    }

    pub fn open(&self) -> Result<Ledger> {
        Ledger::open_at(&self.at())
    }

    /// Runs more statements behind the ledger's back, its triggers gone.
    pub fn tamper_more(&self, statements: &str) {
        let statements = sqlx::AssertSqlSafe(statements.to_owned());
        match self {
            Self::File(_) => wait(async {
                let options = SqliteConnectOptions::new().filename(self.path());
                let mut c = SqliteConnection::connect_with(&options).await.unwrap();
                sqlx::raw_sql(statements).execute(&mut c).await.unwrap();
                c.close().await.unwrap();
            }),
            Self::Server(address) => wait(async {
                let mut c = PgConnection::connect(address).await.unwrap();
                sqlx::raw_sql(statements).execute(&mut c).await.unwrap();
                c.close().await.unwrap();
            }),
        }
    }

    /// Runs statements behind the ledger's back, its triggers removed first.
    pub fn tamper(&self, statements: &str) {
        match self {
            Self::File(_) => {
                let path = self.path();
                wait(async {
                    let options = SqliteConnectOptions::new().filename(&path);
                    let mut c = SqliteConnection::connect_with(&options).await.unwrap();
                    let triggers: Vec<String> =
                        sqlx::query_scalar("SELECT name FROM sqlite_master WHERE type = 'trigger'")
                            .fetch_all(&mut c)
                            .await
                            .unwrap();
                    assert_eq!(triggers.len(), 8);
                    for name in triggers {
                        let drop = sqlx::AssertSqlSafe(format!("DROP TRIGGER {name}"));
                        sqlx::query(drop).execute(&mut c).await.unwrap();
                    }
                    c.close().await.unwrap();
                });
            }
            Self::Server(address) => wait(async {
                let mut c = PgConnection::connect(address).await.unwrap();
                for table in ["entry", "mention", "meta", "signature"] {
                    let off = format!("ALTER TABLE {table} DISABLE TRIGGER USER");
                    sqlx::query(sqlx::AssertSqlSafe(off)).execute(&mut c).await.unwrap();
                }
                c.close().await.unwrap();
            }),
        }
        self.tamper_more(statements);
    }
}

pub fn wait<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(work)
}

static SERVER: OnceLock<Option<Server>> = OnceLock::new();

/// A PostgreSQL server in a folder of its own, reached by a socket in it.
struct Server {
    folder: PathBuf,
    /// Its end closes the pipe that keeps the server alive.
    _keeper: Child,
}

impl Server {
    fn address(&self, database: &str) -> String {
        let socket = self.folder.to_str().unwrap().replace('/', "%2F");
        format!("postgres://postgres@{socket}/{database}")
    }

    fn start() -> Option<Self> {
        let Some(programs) = programs() else {
            assert!(
                std::env::var_os("BARWRIGHT_NEEDS_POSTGRES").is_none(),
                "PostgreSQL is needed and not there"
            );
            eprintln!("SKIPPED: PostgreSQL is not there, only files are tested");
            return None;
        };
        let folder = tempfile::tempdir().unwrap().keep();
        // The server refuses to run as root: it runs as nobody then, in a folder of nobody's.
        let root = Command::new("id").arg("-u").output().unwrap().stdout.starts_with(b"0\n");
        if root {
            let done = Command::new("chown").arg("nobody").arg(&folder).status().unwrap();
            assert!(done.success());
        }
        let shell = |script: &str| {
            let mut command = if root {
                let mut command = Command::new("runuser");
                command.args(["-u", "nobody", "--", "sh", "-c", script]);
                command
            } else {
                let mut command = Command::new("sh");
                command.args(["-c", script]);
                command
            };
            command.env("BIN", &programs).env("DIR", &folder).current_dir(&folder);
            command
        };
        let made =
            shell("\"$BIN/initdb\" -D \"$DIR/data\" -U postgres -A trust -E UTF8 --no-locale")
                .output()
                .unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        // The server ends when the pipe closes, however the tests end.
        let mut keeper = shell(
            "\"$BIN/postgres\" -D \"$DIR/data\" -k \"$DIR\" -c listen_addresses= -c fsync=off \
             -c max_connections=200 2>\"$DIR/log\" & p=$!; \
             until [ -S \"$DIR/.s.PGSQL.5432\" ]; do kill -0 $p || exit 1; sleep 0.05; done; \
             echo ready; read -r end; kill -INT $p; wait $p; rm -rf \"$DIR\"",
        )
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
        let mut ready = [0; 6];
        let said = keeper.stdout.as_mut().unwrap().read_exact(&mut ready);
        let log = || std::fs::read_to_string(folder.join("log")).unwrap_or_default();
        assert!(said.is_ok() && ready == *b"ready\n", "{}", log());
        keeper.stdin.as_mut().unwrap().flush().unwrap();
        let server = Self { folder, _keeper: keeper };
        wait(async {
            for _ in 0..100 {
                if PgConnection::connect(&server.address("postgres")).await.is_ok() {
                    return;
                }
                tokio::time::sleep(std::time::Duration::from_millis(50)).await;
            }
            panic!("the server does not answer");
        });
        Some(server)
    }
}

/// Folder of the server's programs.
fn programs() -> Option<PathBuf> {
    let known = ["/usr/local/bin", "/usr/bin"].map(PathBuf::from);
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten();
    versions
        .filter_map(|version| Some(version.ok()?.path().join("bin")))
        .chain(known)
        .find(|bin: &PathBuf| is_there(bin))
}

fn is_there(bin: &Path) -> bool {
    bin.join("initdb").exists() && bin.join("postgres").exists()
}
