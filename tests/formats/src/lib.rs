//! Whether `docs/formats.md` tells the truth: each example on the page is read
//! with the program's own code and compared with what the page says.

#[cfg(test)]
mod job_folder;
#[cfg(test)]
mod page;
#[cfg(test)]
mod texts;
