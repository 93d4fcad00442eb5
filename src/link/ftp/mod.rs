//! FTP.
