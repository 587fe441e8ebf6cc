//! The office command.

fn main() {}
