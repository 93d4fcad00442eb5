//! Passwords: from a file, from the environment, or from the configuration itself.
//!
//! Nothing here puts a secret into a message.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Debug;
use std::io;
use std::path::{Path, PathBuf};

use secrecy::{ExposeSecret as _, SecretString};

use super::notes::{At, Doc, Draft, Notes, Spot};
use super::raw::{Item, Table};
use crate::durable;

/// Longest secret file that is read, in bytes.
const MAX_SECRET: usize = 64 * 1024;

/// A file that holds a secret.
pub struct SecretFile {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Whether everybody on the machine can read it.
    pub world_readable: bool,
}

/// What a configuration takes from outside its two files.
pub trait Env: Debug {
    /// An environment variable.
    fn var(&self, name: &str) -> Option<String>;
    /// A secret's file.
    fn secret(&self, path: &Path) -> io::Result<SecretFile>;
}

/// The process' own environment and disk.
#[derive(Debug)]
pub struct RealEnv;

impl Env for RealEnv {
    fn var(&self, name: &str) -> Option<String> {
        std::env::var(name).ok()
    }

    fn secret(&self, path: &Path) -> io::Result<SecretFile> {
        let disk = durable::OsDisk::new();
        let bytes = durable::read_small(&disk, path, MAX_SECRET)?.ok_or(io::ErrorKind::NotFound)?;
        Ok(SecretFile { bytes, world_readable: durable::world_readable(path)? })
    }
}

/// Replaces each `${NAME}`; the error is the name that is not set, or `None` for a brace that
/// does not close.
pub(super) fn expand(text: &str, env: &dyn Env) -> Result<String, Option<String>> {
    let mut out = String::new();
    let mut rest = text;
    while let Some(open) = rest.find("${") {
        let (before, from) = rest.split_at(open);
        let close = from.find('}').ok_or(None)?;
        let name = &from[2..close];
        out.push_str(before);
        out.push_str(&env.var(name).filter(|v| !v.is_empty()).ok_or_else(|| Some(name.to_owned()))?);
        rest = &from[close + 1..];
    }
    out.push_str(rest);
    Ok(out)
}

/// Reads secrets, each file once, and remembers what is told once for all of them.
#[derive(Debug)]
pub(super) struct Secrets<'c> {
    notes: &'c Notes,
    env: &'c dyn Env,
    read: RefCell<BTreeMap<PathBuf, Option<SecretString>>>,
    /// Secret files that everybody can read, with the first place that names each.
    open: RefCell<BTreeMap<PathBuf, Spot>>,
    inline: RefCell<BTreeSet<Spot>>,
}

impl<'c> Secrets<'c> {
    pub fn new(notes: &'c Notes, env: &'c dyn Env) -> Self {
        Self { notes, env, read: RefCell::default(), open: RefCell::default(), inline: RefCell::default() }
    }

    /// The password of a kind or logger: `password_file`, `password_env` or `password`.
    pub fn password(&self, table: &mut Table<'_>, doc: &Doc<'_>) -> Option<At<SecretString>> {
        let file = table.item("password_file");
        let variable = table.item("password_env");
        let inline = table.item("password");
        let given: Vec<_> = [file, variable, inline].into_iter().flatten().collect();
        if let [first, second, ..] = given.as_slice() {
            let draft = Draft::error(second.key_spot, format!("{} has two passwords", table.name));
            self.notes.push(draft.help("keep one of them").also(first.key_spot, "the other one"));
            return None;
        }
        if let Some(item) = file {
            return self.in_file(&item, doc);
        }
        if let Some(item) = variable {
            let name = item.text()?;
            let Some(value) = self.env.var(name.value).filter(|v| !v.is_empty()) else {
                let message = format!("the environment variable `{}` is not set, or is empty", name.value);
                self.notes.push(Draft::error(name.spot, message).help("set it where the service is started"));
                return None;
            };
            return self.fitting(SecretString::from(value), name.spot);
        }
        let item = inline?;
        let text = item.text()?;
        if text.value.is_empty() {
            self.notes.push(Draft::error(text.spot, "`password` is empty").help("take the line out"));
            return None;
        }
        self.inline.borrow_mut().insert(item.key_spot);
        self.fitting(SecretString::from(text.value), text.spot)
    }

    fn in_file(&self, item: &Item<'_>, doc: &Doc<'_>) -> Option<At<SecretString>> {
        let text = item.text()?;
        let refuse = |message: String, help: &str| {
            self.notes.push(Draft::error(text.spot, message).help(help));
        };
        let name = match expand(text.value, self.env) {
            Ok(name) => name,
            Err(Some(variable)) => {
                let message = format!("the environment variable `{variable}` is not set, or is empty");
                refuse(message, "set it where the service is started");
                return None;
            }
            Err(None) => {
                refuse("`${` has no `}`".to_owned(), "write ${NAME}");
                return None;
            }
        };
        let path = doc.source.folder().join(name);
        if let Some(known) = self.read.borrow().get(&path) {
            return known.clone().map(|value| At { value, spot: text.spot });
        }
        let shown = path.display();
        let secret = match self.env.secret(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                refuse(
                    format!("there is no secret file {shown}"),
                    "create it, with the password as its only line",
                );
                None
            }
            Err(e) if e.kind() == io::ErrorKind::PermissionDenied => {
                let help = "make it readable for the user that runs Yarder";
                refuse(format!("the secret file {shown} cannot be read: permission denied"), help);
                None
            }
            Err(e) => {
                refuse(format!("the secret file {shown} cannot be read: {e}"), "look at the file");
                None
            }
            Ok(file) => {
                if file.world_readable {
                    self.open.borrow_mut().entry(path.clone()).or_insert(text.spot);
                }
                match String::from_utf8(file.bytes) {
                    Ok(line) => match line.trim_end_matches(['\r', '\n']) {
                        "" => {
                            let help = "write the password into it, as its only line";
                            refuse(format!("the secret file {shown} is empty"), help);
                            None
                        }
                        password => self.fitting(SecretString::from(password), text.spot).map(|at| at.value),
                    },
                    Err(_) => {
                        refuse(format!("the secret file {shown} is no UTF-8 text"), "save it as plain text");
                        None
                    }
                }
            }
        };
        self.read.borrow_mut().insert(path, secret.clone());
        secret.map(|value| At { value, spot: text.spot })
    }

    /// A line break in a password would begin a second command on an FTP control connection.
    fn fitting(&self, secret: SecretString, spot: Spot) -> Option<At<SecretString>> {
        if secret.expose_secret().chars().any(char::is_control) {
            let message = "the password holds a line break or another control character";
            self.notes.push(Draft::error(spot, message).help("keep the password alone, on one line"));
            return None;
        }
        Some(At { value: secret, spot })
    }

    /// Notes what is told once for all secrets.
    pub fn finish(self) {
        let open = self.open.into_inner();
        if let Some((path, spot)) = open.iter().min_by_key(|(_, spot)| **spot) {
            let more = match open.len() {
                1 => String::new(),
                2 => ", and so can another secret file".to_owned(),
                n => format!(", and so can {} more secret files", n - 1),
            };
            let message = format!("{} can be read by everybody on this machine{more}", path.display());
            let help = "take that right away: chmod 0600, or 0640 with the service's group";
            self.notes.push(Draft::warning(*spot, message).help(help));
        }
        let inline = self.inline.into_inner();
        if let Some(first) = inline.first() {
            let message = match inline.len() {
                1 => "a password stands in the file itself".to_owned(),
                n => format!("{n} passwords stand in the file itself, this one first"),
            };
            let help = "put it into a file of its own and name that with password_file";
            self.notes.push(Draft::warning(*first, message).help(help));
        }
    }
}
