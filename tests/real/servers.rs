//! Starting a server, and what each of them is known not to tell.

use std::io::Read as _;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// The servers, each with its listing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Program {
    NginxHtml,
    NginxLocal,
    NginxJson,
    /// It lets its clients delete files.
    NginxDav,
    Lighttpd,
    PythonHttp,
    Vsftpd,
    Pyftpdlib,
}

impl Program {
    pub const ALL: [Self; 8] = [
        Self::NginxHtml,
        Self::NginxLocal,
        Self::NginxJson,
        Self::NginxDav,
        Self::Lighttpd,
        Self::PythonHttp,
        Self::Vsftpd,
        Self::Pyftpdlib,
    ];

    /// Its starter, and the starter's fourth argument.
    pub fn starter(self) -> (&'static str, &'static [&'static str]) {
        match self {
            Self::NginxHtml => ("nginx.sh", &["html"]),
            Self::NginxLocal => ("nginx.sh", &["local"]),
            Self::NginxJson => ("nginx.sh", &["json"]),
            Self::NginxDav => ("nginx.sh", &["dav"]),
            Self::Lighttpd => ("lighttpd.sh", &[]),
            Self::PythonHttp => ("python.sh", &[]),
            Self::Vsftpd => ("vsftpd.sh", &[]),
            Self::Pyftpdlib => ("pyftpdlib.sh", &[]),
        }
    }

    pub fn scheme(self) -> &'static str {
        if matches!(self, Self::Vsftpd | Self::Pyftpdlib) { "ftp" } else { "http" }
    }

    /// User and password, where it asks for them.
    pub fn login(self) -> Option<(&'static str, &'static str)> {
        match self {
            Self::Vsftpd => Some(("anonymous", "yard")),
            Self::Pyftpdlib => Some(("depot", "yard")),
            _ => None,
        }
    }

    /// Whether its listing leaves the file out, so that nobody can know of it.
    pub fn hides(self, path: &[u8]) -> bool {
        let dot = path.split(|b| *b == b'/').any(|part| part.starts_with(b"."));
        // nginx's autoindex knows no other way, lighttpd has `dir-listing.hide-dotfiles` on by default,
        // vsftpd lists them for `LIST -a` alone, an option that other servers take for a name.
        dot && !matches!(self, Self::PythonHttp | Self::Pyftpdlib)
    }

    /// The path as its listing tells it.
    pub fn tells(self, path: &[u8]) -> Vec<u8> {
        let text = String::from_utf8_lossy(path);
        match self {
            // It has a byte that is no UTF-8 as a surrogate, shows that, and takes it back.
            Self::PythonHttp if text.contains('\u{fffd}') => {
                let surrogate = |b: &u8| vec![0xed, 0xb0 | (b >> 6), 0x80 | (b & 0x3f)];
                path.iter().flat_map(|b| if b.is_ascii() { vec![*b] } else { surrogate(b) }).collect()
            }
            Self::Pyftpdlib => text.replace('\u{fffd}', "?").into_bytes(),
            _ => path.to_vec(),
        }
    }

    /// Whether it lists a file and does not serve it under the name that it tells.
    pub fn refuses(self, path: &[u8]) -> bool {
        let is_text = std::str::from_utf8(path).is_ok();
        match self {
            // `server.http-parseopts` is strict by default: 400 for `%09` and for escapes that give no UTF-8.
            Self::Lighttpd => path.contains(&b'\t') || !is_text,
            // The name that it tells is not the file's.
            Self::Pyftpdlib => !is_text,
            // A byte 255 is sent twice, as in Telnet (RFC 959, 5.3.1; RFC 854), which vsftpd 3.0.3 does
            // in its replies and does not undo in commands.
            Self::Vsftpd => path.contains(&0xff),
            _ => false,
        }
    }

    /// Whether it lets its clients delete files.
    pub fn deletes(self) -> bool {
        matches!(self, Self::NginxDav | Self::Pyftpdlib)
    }

    /// Whether a read can begin behind the first byte.
    pub fn resumes(self) -> bool {
        self != Self::PythonHttp
    }
}

/// A server that runs, over one folder, until it is dropped.
pub struct Running {
    pub addr: SocketAddr,
    child: Child,
    _dir: TempDir,
}

impl Running {
    pub fn start(program: Program, tree: &Path) -> Self {
        let (script, arguments) = program.starter();
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/servers").join(script);
        let dir = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("folder");
        // A port that is free now may be taken a moment later; then there is another one.
        for _ in 0..5 {
            let addr = free_port();
            let mut child = Command::new("bash")
                .arg(&script)
                .arg(tree)
                .arg(addr.port().to_string())
                .arg(dir.path())
                .args(arguments)
                // Listings of local times are read with the kind's zone, UTC.
                .env("TZ", "UTC")
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .expect("bash");
            if listens(&mut child, addr) {
                return Self { addr, child, _dir: dir };
            }
            let _ = child.kill();
            let _ = child.wait();
            let mut said = String::new();
            if let Some(mut stderr) = child.stderr.take() {
                let _ = stderr.read_to_string(&mut said);
            }
            assert!(!said.contains("tests/run installs it"), "{said}");
            eprintln!("{program:?} did not start: {said}");
        }
        panic!("{program:?} does not start");
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn free_port() -> SocketAddr {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("loopback");
    listener.local_addr().expect("address")
}

fn listens(child: &mut Child, addr: SocketAddr) -> bool {
    let until = Instant::now() + Duration::from_secs(20);
    while Instant::now() < until && child.try_wait().is_ok_and(|ended| ended.is_none()) {
        if TcpStream::connect(addr).is_ok() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    false
}

#[test]
fn every_starter_is_used() {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/servers");
    for entry in std::fs::read_dir(dir).expect("folder") {
        let name = entry.expect("entry").file_name().into_string().expect("name");
        let used = Program::ALL.iter().any(|program| program.starter().0 == name);
        assert!(used || name == "common.sh" || !name.ends_with(".sh"), "{name} is not in Program");
    }
}
