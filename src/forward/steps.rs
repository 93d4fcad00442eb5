//! Steps.
