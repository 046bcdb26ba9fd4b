//! The port on one end of a pair of sockets; the test is the kernel on the other.
