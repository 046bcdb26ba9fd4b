//! Both ends against scripts, against each other and against the standards.

mod babble;
mod echo;
mod exchange;
mod limits;
mod properties;
mod scripts;
mod services;
mod speed;
mod vectors;
mod world;
