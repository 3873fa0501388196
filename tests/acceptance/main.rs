//! The finished program from outside: what it prints, what it leaves on disk and
//! how it ends, for good input and bad.

mod alignment;
mod analysis;
mod auditing;
mod bad_input;
mod demo;
mod display;
mod documents;
mod from_recordings;
#[cfg(target_os = "linux")]
mod full_disk;
#[cfg(unix)]
mod interrupting;
mod job_commands;
mod jobs;
#[cfg(target_os = "linux")]
mod little_memory;
mod material;
mod measuring;
mod papers;
mod preview;
mod program;
mod programme;
mod recorder;
mod responses;
mod sessions;
mod source;
mod tracks;
mod usage;
mod window;
