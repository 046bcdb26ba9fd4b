//! What can be known of a conversion before any byte has come.
