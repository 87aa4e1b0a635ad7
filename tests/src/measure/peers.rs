//! The same checked facts made durable by three stores, one at a time and in groups of 64: our journal, SQLite (WAL,
//! synchronous=FULL) in process, PostgreSQL over its socket (synchronous_commit=on). Each gets the same records, checked and
//! chained alike before; ours writes and signs the group's checkpoint too, the others store it as a row.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use rinsebook_proto::entry::{Built, EntryChain};
use rinsebook_proto::fact::Signed;
use rinsebook_proto::journal::{self, Journal, Options, RealDisk};
use rinsebook_proto::key::{self, SigningKey};
use rinsebook_proto::note::Checkpoint;
use rinsebook_proto::tree::Edge;
use tokio_postgres::types::ToSql;

use super::figure::{Figure, Reach, Round};
use super::stations::{key_of, presigned};
use super::{Run, runtime};
use crate::fleet::{Fleet, ORIGIN_NAME};

/// Facts made durable one at a time.
const SINGLE: usize = 1500;
/// Facts made durable in groups.
const GROUPED: usize = 20_000;

/// Where groups are made durable: after `put` returns they survive a power cut.
trait Store {
    fn put(&mut self, first: u64, previous: [u8; 32], records: &[Vec<u8>], note: &str) -> Result<()>;
}

/// Facts a second: each checked, chained, and durable before the next group begins.
fn facts_a_second(store: &mut dyn Store, facts: &[Signed], group: usize) -> Result<f64> {
    let log_key: SigningKey = key::generate();
    let keys: Vec<_> = facts.iter().map(key_of).collect();
    let (mut chain, mut edge) = (EntryChain::default(), Edge::default());
    let begun = Instant::now();
    for (facts, keys) in facts.chunks(group).zip(keys.chunks(group)) {
        let (first, previous) = (chain.next_index(), chain.last_hash());
        let mut records = Vec::with_capacity(facts.len());
        for (fact, key) in facts.iter().zip(keys) {
            ensure!(fact.signed_by(key), "its signature holds");
            let Built { data, hash, .. } = chain.build(&fact.header().subjects, fact.bytes(), 1, false)?;
            edge.push(hash);
            records.push(data);
        }
        let origin = format!("{ORIGIN_NAME}/1");
        let note = Checkpoint { origin, size: edge.size(), root: edge.root() }.sign(&log_key);
        store.put(first, previous.0, &records, &note)?;
    }
    Ok(facts.len() as f64 / begun.elapsed().as_secs_f64())
}

struct Ours(Journal);

impl Ours {
    fn open(dir: &Path) -> Result<Ours> {
        let options = Options::new(journal::Kind::Log);
        let (journal, _) = Journal::create_or_open(Arc::new(RealDisk), dir, options, |_| Ok::<_, String>(()))?;
        Ok(Ours(journal))
    }
}

impl Store for Ours {
    fn put(&mut self, first: u64, previous: [u8; 32], records: &[Vec<u8>], note: &str) -> Result<()> {
        self.0.append(first, previous, records, note.as_bytes())?;
        Ok(())
    }
}

struct Sqlite(rusqlite::Connection);

impl Sqlite {
    fn open(dir: &Path) -> Result<Sqlite> {
        std::fs::create_dir_all(dir)?;
        let connection = rusqlite::Connection::open(dir.join("log.sqlite"))?;
        let mode: String = connection.query_row("PRAGMA journal_mode=WAL", [], |row| row.get(0))?;
        ensure!(mode == "wal", "SQLite keeps no write-ahead log here: {mode}");
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.execute_batch(
            "CREATE TABLE entry (at INTEGER PRIMARY KEY, data BLOB NOT NULL);
             CREATE TABLE checkpoint (size INTEGER PRIMARY KEY, note TEXT NOT NULL);",
        )?;
        Ok(Sqlite(connection))
    }
}

impl Store for Sqlite {
    fn put(&mut self, first: u64, _: [u8; 32], records: &[Vec<u8>], note: &str) -> Result<()> {
        let transaction = self.0.transaction()?;
        {
            let mut entry = transaction.prepare_cached("INSERT INTO entry VALUES (?1, ?2)")?;
            for (at, data) in (first as i64..).zip(records) {
                entry.execute((at, data))?;
            }
            let mut checkpoint = transaction.prepare_cached("INSERT INTO checkpoint VALUES (?1, ?2)")?;
            checkpoint.execute((first as i64 + records.len() as i64, note))?;
        }
        transaction.commit()?;
        Ok(())
    }
}

/// A server of our own, in a temporary folder, reached over its socket alone.
struct Server {
    child: Child,
    dir: tempfile::TempDir,
}

/// Where Debian and others keep the programs of PostgreSQL 15.
fn programs() -> Result<PathBuf> {
    let places = ["/usr/lib/postgresql/15/bin", "/usr/pgsql-15/bin", "/usr/local/pgsql/bin"];
    let place = places.iter().map(Path::new).find(|place| place.join("initdb").exists());
    place.map(Path::to_owned).context("PostgreSQL 15 is not installed: apt-get install postgresql-15")
}

/// A command as somebody who is not root, which PostgreSQL refuses to run as.
fn as_other(program: &Path) -> Command {
    if !rustix::process::geteuid().is_root() {
        return Command::new(program);
    }
    let mut command = Command::new("runuser");
    command.args(["-u", "postgres", "--"]).arg(program);
    command
}

impl Server {
    fn start(scratch: &Path) -> Result<Server> {
        let bin = programs()?;
        // On the disk that is measured, and open to whoever the server runs as; the path of a socket has to be short.
        let dir = tempfile::Builder::new().prefix("pg").tempdir()?;
        ensure!(same_disk(dir.path(), scratch)?, "the folder for temporary files lies on another disk: set TMPDIR");
        std::fs::set_permissions(dir.path(), std::os::unix::fs::PermissionsExt::from_mode(0o777))?;
        let data = dir.path().join("data");
        let mut initdb = as_other(&bin.join("initdb"));
        initdb.arg("-D").arg(&data).args(["-A", "trust", "-U", "rinsebook"]).current_dir(dir.path());
        ensure!(initdb.stdout(Stdio::null()).status()?.success(), "initdb failed");
        let child = as_other(&bin.join("postgres"))
            .arg("-D")
            .arg(&data)
            .arg("-k")
            .arg(dir.path())
            .args(["-c", "listen_addresses=", "-c", "synchronous_commit=on", "-c", "fsync=on"])
            .current_dir(dir.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()?;
        Ok(Server { child, dir })
    }

    async fn connect(&self) -> Result<tokio_postgres::Client> {
        let mut config = tokio_postgres::Config::new();
        config.host_path(self.dir.path()).user("rinsebook").dbname("postgres");
        for _ in 0..100 {
            if let Ok((client, connection)) = config.connect(tokio_postgres::NoTls).await {
                tokio::spawn(connection);
                return Ok(client);
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        anyhow::bail!("PostgreSQL did not start within 10 s")
    }

    /// The process that its own file names: the child may be what changed the user.
    fn pid(&self) -> Result<i32> {
        let text = std::fs::read_to_string(self.dir.path().join("data/postmaster.pid"))?;
        Ok(text.lines().next().context("an empty file")?.trim().parse()?)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // SIGINT: a fast stop (PostgreSQL manual, "Shutting Down the Server"). The folder goes after it.
        let pid = self.pid().ok().and_then(rustix::process::Pid::from_raw);
        if let Some(pid) = pid {
            let _ = rustix::process::kill_process(pid, rustix::process::Signal::INT);
        }
        let _ = self.child.wait();
    }
}

fn same_disk(a: &Path, b: &Path) -> Result<bool> {
    use std::os::unix::fs::MetadataExt;
    Ok(std::fs::metadata(a)?.dev() == std::fs::metadata(b)?.dev())
}

struct Postgres {
    runtime: tokio::runtime::Runtime,
    client: tokio_postgres::Client,
    entry: tokio_postgres::Statement,
    checkpoint: tokio_postgres::Statement,
    server: Server,
}

impl Postgres {
    fn open(scratch: &Path) -> Result<Postgres> {
        let server = Server::start(scratch)?;
        let runtime = runtime()?;
        let (client, entry, checkpoint) = runtime.block_on(async {
            let client = server.connect().await?;
            let on: String = client.query_one("SHOW synchronous_commit", &[]).await?.get(0);
            ensure!(on == "on", "synchronous_commit is {on}");
            let tables = "CREATE TABLE entry (at BIGINT PRIMARY KEY, data BYTEA NOT NULL);
                          CREATE TABLE checkpoint (size BIGINT PRIMARY KEY, note TEXT NOT NULL);";
            client.batch_execute(tables).await?;
            // One statement a group, the fairest that we know: the rows travel as two arrays.
            let entry = client.prepare("INSERT INTO entry SELECT * FROM unnest($1::bigint[], $2::bytea[])").await?;
            let checkpoint = client.prepare("INSERT INTO checkpoint VALUES ($1, $2)").await?;
            Ok::<_, anyhow::Error>((client, entry, checkpoint))
        })?;
        Ok(Postgres { runtime, client, entry, checkpoint, server })
    }

    fn clear(&self) -> Result<()> {
        ensure!(self.server.pid()? > 0, "it runs");
        Ok(self.runtime.block_on(self.client.batch_execute("TRUNCATE entry, checkpoint"))?)
    }
}

impl Store for Postgres {
    fn put(&mut self, first: u64, _: [u8; 32], records: &[Vec<u8>], note: &str) -> Result<()> {
        let places: Vec<i64> = (first as i64..).take(records.len()).collect();
        let end = first as i64 + records.len() as i64;
        self.runtime.block_on(async {
            let transaction = self.client.transaction().await?;
            // Both are sent before either is waited for.
            let (entries, closing): ([&(dyn ToSql + Sync); 2], [&(dyn ToSql + Sync); 2]) =
                ([&places, &records], [&end, &note]);
            let entries = transaction.execute(&self.entry, &entries);
            let closing = transaction.execute(&self.checkpoint, &closing);
            tokio::try_join!(entries, closing)?;
            transaction.commit().await?;
            Ok(())
        })
    }
}

/// Ours ÷ the other, in facts a second.
pub(super) fn peers(run: &Run) -> Result<Vec<Figure>> {
    let base = Fleet::of(run.small())?;
    let signed = presigned(&base, 1, GROUPED)?.remove(0).facts;
    let mut postgres = Postgres::open(&run.scratch)?;
    let mut figures = Vec::new();
    for (of, facts, group) in [("one at a time", &signed[..SINGLE], 1), ("groups of 64", &signed[..GROUPED], 64)] {
        let (mut against_sqlite, mut against_postgres) = (Vec::new(), Vec::new());
        for _ in 0..run.rounds {
            let ours = facts_a_second(&mut Ours::open(&run.folder("ours")?)?, facts, group)?;
            let sqlite = facts_a_second(&mut Sqlite::open(&run.folder("sqlite")?)?, facts, group)?;
            postgres.clear()?;
            let theirs = facts_a_second(&mut postgres, facts, group)?;
            against_sqlite.push(Round::new(ours, sqlite));
            against_postgres.push(Round::new(ours, theirs));
        }
        for (peer, rounds) in [("SQLite WAL FULL", against_sqlite), ("PostgreSQL 15", against_postgres)] {
            let of = format!("{of}, against {peer}");
            figures.push(Figure::of("peers", of, "facts/s", facts.len() as u64, Reach::AtLeast(1.0), rounds));
        }
    }
    Ok(figures)
}
