//! headrest
fn main() {}
