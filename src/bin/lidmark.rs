//! The touch app.

fn main() {}
