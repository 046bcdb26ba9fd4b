//! See the README.
