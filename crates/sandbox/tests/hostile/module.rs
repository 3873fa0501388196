//! A small plugin written by hand, each part of which can be replaced.

/// A plugin in the text form of WebAssembly. As it stands it is well-behaved.
#[derive(Debug, Clone)]
pub(crate) struct Module {
    /// Imports, tables, globals and functions beside those that are wanted.
    pub(crate) extra: String,
    /// The memory.
    pub(crate) memory: &'static str,
    /// The bodies of the functions that are wanted.
    pub(crate) abi_version: String,
    pub(crate) alloc: String,
    pub(crate) describe: String,
    pub(crate) begin: String,
    pub(crate) feed: String,
    pub(crate) reading: String,
    pub(crate) finish: String,
    /// The text of the manifest, at 16.
    pub(crate) manifest: Vec<u8>,
    /// The text of the reading, at 8192.
    pub(crate) told: Vec<u8>,
}

/// What the well-behaved plugin says of itself.
pub(crate) const MANIFEST: &str = r#"{"id":"test.plugin","title":"Test","version":1,"summary":"For tests.",
"parameters":[{"name":"limit","help":"h","kind":"number","unit":"dB","default":1,"min":0,"max":2}]}"#;

impl Default for Module {
    fn default() -> Self {
        Self {
            extra: String::new(),
            memory: r#"(memory (export "memory") 8)"#,
            abi_version: "(i32.const 1)".to_owned(),
            alloc: "(global.get $next) (global.set $next (i32.and (i32.add (i32.add (global.get $next) \
                    (local.get 0)) (i32.const 7)) (i32.const -8)))"
                .to_owned(),
            describe: String::new(),
            begin: "(i32.const 0)".to_owned(),
            feed: "(i32.const 0)".to_owned(),
            reading: String::new(),
            finish: String::new(),
            manifest: MANIFEST.as_bytes().to_vec(),
            told: br#"{"values":{"level_db":-3.5}}"#.to_vec(),
        }
    }
}

impl Module {
    /// The file.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        wat::parse_str(self.text()).unwrap()
    }

    fn text(&self) -> String {
        let Self { extra, memory, abi_version, alloc, begin, feed, manifest, told, .. } = self;
        let points_to = |body: &String, at: usize, length: usize| {
            if body.is_empty() { format!("(i64.const {})", (at << 32) | length) } else { body.clone() }
        };
        let describe = points_to(&self.describe, 16, manifest.len());
        let reading = points_to(&self.reading, 8192, told.len());
        let finish = points_to(&self.finish, 8192, told.len());
        let quoted = |bytes: &[u8]| bytes.iter().map(|byte| format!("\\{byte:02x}")).collect::<String>();
        let (manifest, told) = (quoted(manifest), quoted(told));
        format!(
            r#"(module {extra}
            {memory}
            (data (i32.const 16) "{manifest}")
            (data (i32.const 8192) "{told}")
            (global $next (mut i32) (i32.const 262144))
            (func (export "abi_version") (result i32) {abi_version})
            (func (export "alloc") (param i32) (result i32) {alloc})
            (func (export "describe") (result i64) {describe})
            (func (export "begin") (param i32 i32) (result i32) {begin})
            (func $feed (export "feed") (param i32 i32 i32 i64 i32) (result i32) {feed})
            (func (export "reading") (result i64) {reading})
            (func (export "finish") (result i64) {finish}))"#
        )
    }
}
