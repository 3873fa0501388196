//! What a plugin says of itself.

use alloc::string::String;

use crate::write::{comma, key, number, text};

/// A plugin's card of introduction.
#[derive(Debug, Clone, PartialEq)]
pub struct Manifest {
    head: String,
    parameters: String,
}

impl Manifest {
    /// A measurement of whatever sounds, on one channel or more. The id is a dotted name, such as
    /// `shop.whine`; the version goes up when a reading changes meaning; the
    /// summary says in one or two sentences what is measured and how to connect.
    #[must_use]
    pub fn new(id: &str, version: u32, title: &str, summary: &str) -> Self {
        let mut head = String::new();
        key(&mut head, "id");
        text(&mut head, id);
        key(&mut head, "version");
        number(&mut head, f64::from(version));
        key(&mut head, "title");
        text(&mut head, title);
        key(&mut head, "summary");
        text(&mut head, summary);
        Self { head, parameters: String::new() }
    }

    /// It needs so many channels at the least.
    #[must_use]
    pub fn channels(mut self, count: u32) -> Self {
        key(&mut self.head, "channels");
        number(&mut self.head, f64::from(count));
        self
    }

    /// It compares with a reference channel.
    #[must_use]
    pub fn needs_reference(mut self) -> Self {
        key(&mut self.head, "needs_reference");
        self.head.push_str("true");
        self
    }

    /// The device under test must be quiet.
    #[must_use]
    pub fn quiet(mut self) -> Self {
        key(&mut self.head, "stimulus");
        text(&mut self.head, "quiet");
        self
    }

    /// The standard track of this name is played unless a person chooses otherwise.
    #[must_use]
    pub fn suggests(mut self, track: &str) -> Self {
        self.stimulus("suggested", track);
        self
    }

    /// It must know what is played; by default that is the standard track of this name.
    #[must_use]
    pub fn knows(mut self, track: &str) -> Self {
        self.stimulus("known", track);
        self
    }

    fn stimulus(&mut self, how: &str, track: &str) {
        key(&mut self.head, "stimulus");
        self.head.push('{');
        key(&mut self.head, how);
        self.head.push('{');
        key(&mut self.head, "name");
        text(&mut self.head, track);
        self.head.push_str(",\"segments\":[]}}");
    }

    /// A number within a range can be set.
    #[must_use]
    pub fn number(mut self, name: &str, unit: &str, default: f64, range: (f64, f64), help: &str) -> Self {
        self.parameter("number", name, help);
        key(&mut self.parameters, "unit");
        text(&mut self.parameters, unit);
        for (name, value) in [("default", default), ("min", range.0), ("max", range.1)] {
            key(&mut self.parameters, name);
            number(&mut self.parameters, value);
        }
        self.parameters.push('}');
        self
    }

    /// One word of several can be set, the first being the default.
    #[must_use]
    pub fn choice(mut self, name: &str, options: &[&str], help: &str) -> Self {
        self.parameter("choice", name, help);
        key(&mut self.parameters, "default");
        text(&mut self.parameters, options.first().copied().unwrap_or_default());
        key(&mut self.parameters, "options");
        self.parameters.push('[');
        for option in options {
            comma(&mut self.parameters);
            text(&mut self.parameters, option);
        }
        self.parameters.push_str("]}");
        self
    }

    fn parameter(&mut self, kind: &str, name: &str, help: &str) {
        comma(&mut self.parameters);
        self.parameters.push('{');
        for (name, value) in [("kind", kind), ("name", name), ("help", help)] {
            key(&mut self.parameters, name);
            text(&mut self.parameters, value);
        }
    }

    /// Its text for the host.
    #[must_use]
    pub fn to_json(&self) -> String {
        alloc::format!("{{{},\"parameters\":[{}]}}", self.head, self.parameters)
    }
}
