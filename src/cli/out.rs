//! Where commands write, and what a command's end means to whoever called it.

use std::io::{self, IsTerminal as _, Write};
use std::process::ExitCode;

use serde::Serialize;

use crate::ledger::LedgerError;
use crate::report::words::{self, Glyphs};

/// How a command ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done, and nothing that needs a person.
    Done,
    /// Done, but with findings that need a person.
    NeedsPerson,
}

impl Outcome {
    /// The second when something needs a person.
    pub fn needs(person: bool) -> Self {
        if person { Self::NeedsPerson } else { Self::Done }
    }
}

/// How a command ended otherwise.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// Bad usage or configuration; what is wrong and how to mend it.
    #[error("{0}")]
    Usage(String),
    /// It failed; why, and what to do.
    #[error("{0}")]
    Failed(String),
    /// Whoever read the output has gone (`| head`).
    #[error("nobody reads the output any more")]
    Closed,
}

impl From<io::Error> for Failure {
    fn from(e: io::Error) -> Self {
        match e.kind() {
            io::ErrorKind::BrokenPipe => Failure::Closed,
            _ => Failure::Failed(format!("the output cannot be written: {e}")),
        }
    }
}

impl From<LedgerError> for Failure {
    fn from(e: LedgerError) -> Self {
        Failure::Failed(e.to_string())
    }
}

/// The exit code of a command: 0 done, 1 failed, 2 bad usage or configuration, 3 done but with
/// findings that need a person.
pub fn code(end: &Result<Outcome, Failure>) -> ExitCode {
    ExitCode::from(match end {
        Ok(Outcome::Done) | Err(Failure::Closed) => 0,
        Err(Failure::Failed(_)) => 1,
        Err(Failure::Usage(_)) => 2,
        Ok(Outcome::NeedsPerson) => 3,
    })
}

/// Says on stderr why a command failed; a closed stderr is no further trouble.
pub fn complain(failure: &Failure) {
    if !matches!(failure, Failure::Closed) {
        let _ = writeln!(io::stderr(), "yarder: {failure}");
    }
}

/// The output of a command.
pub struct Out {
    sink: Box<dyn Write + Send>,
    /// Whether facts are printed as JSON.
    pub json: bool,
    /// What the reader's end can show.
    pub glyphs: Glyphs,
}

impl Out {
    /// Standard output. `ascii` where only ASCII is wanted; a locale that is not UTF-8 wants it too.
    pub fn stdout(json: bool, ascii: bool) -> Self {
        let stdout = io::stdout();
        let colours = stdout.is_terminal() && colours_wanted();
        let sink = Box::new(io::BufWriter::with_capacity(64 * 1024, stdout));
        Self { sink, json, glyphs: Glyphs { ascii: ascii || !utf8_locale(), colours } }
    }

    /// Any other place, without colours.
    pub fn to(sink: Box<dyn Write + Send>, json: bool) -> Self {
        Self { sink, json, glyphs: Glyphs::PLAIN }
    }

    /// Text as it stands.
    pub fn text(&mut self, text: &str) -> Result<(), Failure> {
        Ok(self.sink.write_all(text.as_bytes())?)
    }

    /// A line.
    pub fn line(&mut self, text: impl AsRef<str>) -> Result<(), Failure> {
        self.text(text.as_ref().trim_end())?;
        self.text("\n")
    }

    /// A value as one line of JSON.
    pub fn value(&mut self, value: &impl Serialize) -> Result<(), Failure> {
        self.line(words::json(value))
    }

    /// Sends what is written on its way.
    pub fn flush(&mut self) -> Result<(), Failure> {
        Ok(self.sink.flush()?)
    }
}

/// Whether the environment allows colours (<https://no-color.org>: any value that is not empty
/// forbids them).
pub fn colours_wanted() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
        && std::env::var_os("TERM").is_none_or(|v| v != "dumb")
}

/// Whether the locale's encoding is UTF-8: the first of these that is set decides (POSIX.1-2024,
/// XBD 8.2).
pub fn utf8_locale() -> bool {
    let set = |name| std::env::var(name).ok().filter(|v: &String| !v.is_empty());
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set);
    locale.is_some_and(|l| l.to_ascii_lowercase().replace('-', "").contains("utf8"))
}

#[cfg(test)]
pub(crate) mod capture {
    use super::*;
    use std::sync::{Arc, Mutex};

    /// What a command wrote.
    #[derive(Clone, Default)]
    pub struct Captured(Arc<Mutex<Vec<u8>>>);

    impl Write for Captured {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().expect("lock").extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl Captured {
        pub fn out(&self, json: bool) -> Out {
            Out::to(Box::new(self.clone()), json)
        }
        pub fn text(&self) -> String {
            String::from_utf8(self.0.lock().expect("lock").clone()).expect("text")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Gone;

    impl Write for Gone {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(io::ErrorKind::BrokenPipe.into())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_reader_that_leaves_is_no_failure() {
        let end = Out::to(Box::new(Gone), false).line("text").map(|()| Outcome::Done);
        assert!(matches!(end, Err(Failure::Closed)));
        assert_eq!(format!("{:?}", code(&end)), format!("{:?}", ExitCode::SUCCESS));
    }
}
