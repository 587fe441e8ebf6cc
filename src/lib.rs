//! Lidmark records a septic tank pump-out by touch, computes what is in the
//! tank, when to come back and whether risers make sense, and shows the
//! customer why.
//!
//! Layers, each naming only what stands to its left:
//! `domain <- store <- exchange <- app / office <- platform <- bin`.

pub mod app;
pub mod domain;
pub mod exchange;
pub mod office;
