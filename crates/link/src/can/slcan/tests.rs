//! The port on a pseudo-terminal; the test is the adapter.
