//! HTTP(S) directory indexes.
