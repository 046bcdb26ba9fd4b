//! Both ends against scripts, against each other and against the standards.

mod scripts;
