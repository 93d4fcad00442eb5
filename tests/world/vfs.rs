//! SQLite's files on the disk in memory: a VFS whose syncs are that disk's flushes.
//!
//! A run lives on one thread, and the VFS uses the disk that was given to that thread. Locks and the
//! WAL's index are those of one process. The one file with `unsafe`: SQLite calls by pointers.
#![allow(unsafe_code, reason = "SQLite takes a VFS as a table of C functions")]

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ffi::{CStr, OsStr, c_char, c_int, c_void};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::ptr;
use std::rc::Rc;
use std::sync::Once;

use rusqlite::ffi;
use yarder::durable::{Disk as _, DiskFile as _, read_full};

use crate::disk::{Memory, MemoryFile};

/// The name under which connections ask for it.
pub const NAME: &str = "world";
const C_NAME: &CStr = c"world";
const PATH_MAX: c_int = 512;

/// The WAL's index of one database, shared by its connections: regions of memory that stay where they
/// are.
type Index = Rc<RefCell<Vec<Box<[u64]>>>>;

/// What the databases of this thread lie on.
struct Ground {
    disk: Memory,
    connections: u64,
    /// By inode, while any connection has it.
    indexes: BTreeMap<u64, Index>,
}

thread_local! {
    static GROUND: RefCell<Option<Ground>> = const { RefCell::new(None) };
}

/// From now on the databases of this thread lie on that disk.
pub fn lie_on(disk: &Memory) {
    static REGISTERED: Once = Once::new();
    REGISTERED.call_once(register);
    let ground = Ground { disk: disk.clone(), connections: 0, indexes: BTreeMap::new() };
    GROUND.with_borrow_mut(|now| *now = Some(ground));
}

fn on_ground<T>(with: impl FnOnce(&mut Ground) -> T) -> T {
    GROUND.with_borrow_mut(|ground| with(ground.as_mut().expect("a disk for this thread")))
}

/// An open file of SQLite's.
struct Open {
    file: MemoryFile,
    disk: Memory,
    path: PathBuf,
    /// The folder may have its name since this open, and is flushed with the first sync.
    fresh: bool,
    connection: u64,
    index: Option<Index>,
}

#[repr(C)]
struct Handle {
    base: ffi::sqlite3_file,
    open: *mut Open,
}

unsafe fn open_of<'a>(file: *mut ffi::sqlite3_file) -> &'a mut Open {
    unsafe { &mut *(*file.cast::<Handle>()).open }
}

unsafe fn path_of<'a>(name: *const c_char) -> &'a Path {
    Path::new(OsStr::from_bytes(unsafe { CStr::from_ptr(name) }.to_bytes()))
}

/// The code for what came of an operation.
fn code(done: io::Result<()>, failed: c_int) -> c_int {
    match done {
        Ok(()) => ffi::SQLITE_OK,
        Err(e) if e.kind() == io::ErrorKind::StorageFull => ffi::SQLITE_FULL,
        Err(_) => failed,
    }
}

unsafe extern "C" fn open(
    _: *mut ffi::sqlite3_vfs,
    name: ffi::sqlite3_filename,
    file: *mut ffi::sqlite3_file,
    flags: c_int,
    out: *mut c_int,
) -> c_int {
    let handle = file.cast::<Handle>();
    unsafe { (*handle).base.pMethods = ptr::null() };
    if name.is_null() {
        // A temporary file; all of them are in memory (`temp_store`).
        return ffi::SQLITE_CANTOPEN;
    }
    let path = unsafe { path_of(name) }.to_owned();
    let (disk, connection) = on_ground(|ground| {
        ground.connections += 1;
        (ground.disk.clone(), ground.connections)
    });
    let opened = disk.open_database(&path, flags & ffi::SQLITE_OPEN_CREATE != 0);
    let Ok((file, made)) = opened else { return ffi::SQLITE_CANTOPEN };
    // SQLite's own VFS for Unix flushes the folder for every log that may be new, whoever made it.
    let log = flags & (ffi::SQLITE_OPEN_WAL | ffi::SQLITE_OPEN_MAIN_JOURNAL) != 0;
    let fresh = made || (log && flags & ffi::SQLITE_OPEN_CREATE != 0);
    let open = Box::new(Open { file, disk, path, fresh, connection, index: None });
    unsafe {
        (*handle).open = Box::into_raw(open);
        (*handle).base.pMethods = &raw const METHODS;
        if !out.is_null() {
            *out = flags;
        }
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn close(file: *mut ffi::sqlite3_file) -> c_int {
    unsafe {
        unlock(file, ffi::SQLITE_LOCK_NONE);
        drop(Box::from_raw((*file.cast::<Handle>()).open));
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn read(file: *mut ffi::sqlite3_file, to: *mut c_void, len: c_int, at: i64) -> c_int {
    let open = unsafe { open_of(file) };
    let buffer = unsafe { std::slice::from_raw_parts_mut(to.cast::<u8>(), len as usize) };
    match read_full(&open.file, buffer, at as u64) {
        Ok(read) if read == buffer.len() => ffi::SQLITE_OK,
        Ok(read) => {
            buffer[read..].fill(0);
            ffi::SQLITE_IOERR_SHORT_READ
        }
        Err(_) => ffi::SQLITE_IOERR_READ,
    }
}

unsafe extern "C" fn write(file: *mut ffi::sqlite3_file, from: *const c_void, len: c_int, at: i64) -> c_int {
    let bytes = unsafe { std::slice::from_raw_parts(from.cast::<u8>(), len as usize) };
    code(unsafe { open_of(file) }.file.write_at(bytes, at as u64), ffi::SQLITE_IOERR_WRITE)
}

unsafe extern "C" fn truncate(file: *mut ffi::sqlite3_file, len: i64) -> c_int {
    code(unsafe { open_of(file) }.file.set_len(len as u64), ffi::SQLITE_IOERR_TRUNCATE)
}

unsafe extern "C" fn sync(file: *mut ffi::sqlite3_file, _: c_int) -> c_int {
    let open = unsafe { open_of(file) };
    if let Err(e) = open.file.flush() {
        return code(Err(e), ffi::SQLITE_IOERR_FSYNC);
    }
    // As SQLite's own VFS for Unix does.
    if std::mem::take(&mut open.fresh) {
        let folder = open.path.parent().unwrap_or(Path::new("/"));
        return code(open.disk.flush_dir(folder), ffi::SQLITE_IOERR_DIR_FSYNC);
    }
    ffi::SQLITE_OK
}

unsafe extern "C" fn file_size(file: *mut ffi::sqlite3_file, to: *mut i64) -> c_int {
    match unsafe { open_of(file) }.file.len() {
        Ok(len) => {
            unsafe { *to = len as i64 };
            ffi::SQLITE_OK
        }
        Err(_) => ffi::SQLITE_IOERR_FSTAT,
    }
}

unsafe extern "C" fn lock(file: *mut ffi::sqlite3_file, level: c_int) -> c_int {
    let open = unsafe { open_of(file) };
    let own = open.connection;
    open.disk.with_locks(open.file.inode(), |locks| {
        let others = || locks.levels.iter().filter(|(who, _)| **who != own).map(|(_, level)| *level);
        let highest = others().max().unwrap_or(ffi::SQLITE_LOCK_NONE);
        let free = match level {
            ffi::SQLITE_LOCK_SHARED => highest < ffi::SQLITE_LOCK_PENDING,
            ffi::SQLITE_LOCK_RESERVED | ffi::SQLITE_LOCK_PENDING => highest < ffi::SQLITE_LOCK_RESERVED,
            _ => highest == ffi::SQLITE_LOCK_NONE,
        };
        if !free {
            return ffi::SQLITE_BUSY;
        }
        let now = locks.levels.entry(own).or_default();
        *now = level.max(*now);
        ffi::SQLITE_OK
    })
}

unsafe extern "C" fn unlock(file: *mut ffi::sqlite3_file, level: c_int) -> c_int {
    let open = unsafe { open_of(file) };
    open.disk.with_locks(open.file.inode(), |locks| match level {
        ffi::SQLITE_LOCK_NONE => drop(locks.levels.remove(&open.connection)),
        _ => drop(locks.levels.insert(open.connection, level)),
    });
    ffi::SQLITE_OK
}

unsafe extern "C" fn check_reserved(file: *mut ffi::sqlite3_file, to: *mut c_int) -> c_int {
    let open = unsafe { open_of(file) };
    let reserved = open.disk.with_locks(open.file.inode(), |locks| {
        locks.levels.values().any(|level| *level >= ffi::SQLITE_LOCK_RESERVED)
    });
    unsafe { *to = c_int::from(reserved) };
    ffi::SQLITE_OK
}

unsafe extern "C" fn file_control(_: *mut ffi::sqlite3_file, _: c_int, _: *mut c_void) -> c_int {
    ffi::SQLITE_NOTFOUND
}

unsafe extern "C" fn sector_size(_: *mut ffi::sqlite3_file) -> c_int {
    4096
}

/// What SQLite's own VFS for Unix says of a file system that it does not know.
unsafe extern "C" fn characteristics(_: *mut ffi::sqlite3_file) -> c_int {
    ffi::SQLITE_IOCAP_POWERSAFE_OVERWRITE
}

unsafe extern "C" fn index_map(
    file: *mut ffi::sqlite3_file,
    region: c_int,
    size: c_int,
    extend: c_int,
    to: *mut *mut c_void,
) -> c_int {
    let open = unsafe { open_of(file) };
    let inode = open.file.inode();
    let index = open.index.get_or_insert_with(|| on_ground(|g| g.indexes.entry(inode).or_default().clone()));
    let mut regions = index.borrow_mut();
    let region = region as usize;
    while extend != 0 && regions.len() <= region {
        regions.push(vec![0; (size as usize).div_ceil(8)].into_boxed_slice());
    }
    let at = regions.get_mut(region).map_or(ptr::null_mut(), |words| words.as_mut_ptr().cast());
    unsafe { *to = at };
    ffi::SQLITE_OK
}

unsafe extern "C" fn index_lock(file: *mut ffi::sqlite3_file, from: c_int, n: c_int, flags: c_int) -> c_int {
    let open = unsafe { open_of(file) };
    let own = open.connection;
    let (shared, unlock) = (flags & ffi::SQLITE_SHM_SHARED != 0, flags & ffi::SQLITE_SHM_UNLOCK != 0);
    open.disk.with_locks(open.file.inode(), |locks| {
        let slots = &mut locks.index[from as usize..(from + n) as usize];
        if unlock {
            for (sharers, alone) in slots {
                sharers.remove(&own);
                *alone = alone.filter(|who| *who != own);
            }
            return ffi::SQLITE_OK;
        }
        let free = slots.iter().all(|(sharers, alone)| {
            alone.is_none_or(|who| who == own) && (shared || sharers.iter().all(|who| *who == own))
        });
        if !free {
            return ffi::SQLITE_BUSY;
        }
        for (sharers, alone) in slots {
            if shared {
                sharers.insert(own);
            } else {
                *alone = Some(own);
            }
        }
        ffi::SQLITE_OK
    })
}

unsafe extern "C" fn index_barrier(_: *mut ffi::sqlite3_file) {}

unsafe extern "C" fn index_unmap(file: *mut ffi::sqlite3_file, _: c_int) -> c_int {
    let open = unsafe { open_of(file) };
    open.index = None;
    let inode = open.file.inode();
    on_ground(|ground| {
        if ground.indexes.get(&inode).is_some_and(|index| Rc::strong_count(index) == 1) {
            ground.indexes.remove(&inode);
        }
    });
    ffi::SQLITE_OK
}

static METHODS: ffi::sqlite3_io_methods = ffi::sqlite3_io_methods {
    iVersion: 2,
    xClose: Some(close),
    xRead: Some(read),
    xWrite: Some(write),
    xTruncate: Some(truncate),
    xSync: Some(sync),
    xFileSize: Some(file_size),
    xLock: Some(lock),
    xUnlock: Some(unlock),
    xCheckReservedLock: Some(check_reserved),
    xFileControl: Some(file_control),
    xSectorSize: Some(sector_size),
    xDeviceCharacteristics: Some(characteristics),
    xShmMap: Some(index_map),
    xShmLock: Some(index_lock),
    xShmBarrier: Some(index_barrier),
    xShmUnmap: Some(index_unmap),
    xFetch: None,
    xUnfetch: None,
};

unsafe extern "C" fn delete(_: *mut ffi::sqlite3_vfs, name: *const c_char, sync: c_int) -> c_int {
    let path = unsafe { path_of(name) };
    let disk = on_ground(|ground| ground.disk.clone());
    match disk.remove(path) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return ffi::SQLITE_IOERR_DELETE_NOENT,
        Err(_) => return ffi::SQLITE_IOERR_DELETE,
        Ok(()) => {}
    }
    let flushed = if sync == 0 { Ok(()) } else { disk.flush_dir(path.parent().unwrap_or(Path::new("/"))) };
    code(flushed, ffi::SQLITE_IOERR_DIR_FSYNC)
}

unsafe extern "C" fn access(
    _: *mut ffi::sqlite3_vfs,
    name: *const c_char,
    _: c_int,
    to: *mut c_int,
) -> c_int {
    let disk = on_ground(|ground| ground.disk.clone());
    let there = disk.stat(unsafe { path_of(name) });
    unsafe { *to = c_int::from(matches!(there, Ok(Some(_)))) };
    if there.is_ok() { ffi::SQLITE_OK } else { ffi::SQLITE_IOERR_ACCESS }
}

unsafe extern "C" fn full_path(
    _: *mut ffi::sqlite3_vfs,
    name: *const c_char,
    room: c_int,
    to: *mut c_char,
) -> c_int {
    let name = unsafe { CStr::from_ptr(name) }.to_bytes_with_nul();
    if name.len() > room as usize {
        return ffi::SQLITE_CANTOPEN;
    }
    unsafe { ptr::copy_nonoverlapping(name.as_ptr().cast(), to, name.len()) };
    ffi::SQLITE_OK
}

unsafe extern "C" fn randomness(_: *mut ffi::sqlite3_vfs, len: c_int, to: *mut c_char) -> c_int {
    unsafe { ptr::write_bytes(to, 42, len as usize) };
    len
}

unsafe extern "C" fn sleep(_: *mut ffi::sqlite3_vfs, microseconds: c_int) -> c_int {
    microseconds
}

unsafe extern "C" fn now(_: *mut ffi::sqlite3_vfs, to: *mut f64) -> c_int {
    unsafe { *to = 2_461_000.5 };
    ffi::SQLITE_OK
}

unsafe extern "C" fn last_error(_: *mut ffi::sqlite3_vfs, _: c_int, _: *mut c_char) -> c_int {
    0
}

fn register() {
    let vfs = ffi::sqlite3_vfs {
        iVersion: 1,
        szOsFile: size_of::<Handle>() as c_int,
        mxPathname: PATH_MAX,
        pNext: ptr::null_mut(),
        zName: C_NAME.as_ptr(),
        pAppData: ptr::null_mut(),
        xOpen: Some(open),
        xDelete: Some(delete),
        xAccess: Some(access),
        xFullPathname: Some(full_path),
        xDlOpen: None,
        xDlError: None,
        xDlSym: None,
        xDlClose: None,
        xRandomness: Some(randomness),
        xSleep: Some(sleep),
        xCurrentTime: Some(now),
        xGetLastError: Some(last_error),
        xCurrentTimeInt64: None,
        xSetSystemCall: None,
        xGetSystemCall: None,
        xNextSystemCall: None,
    };
    // SQLite keeps it for as long as the process lives.
    let done = unsafe { ffi::sqlite3_vfs_register(Box::leak(Box::new(vfs)), 0) };
    assert_eq!(done, ffi::SQLITE_OK);
}
