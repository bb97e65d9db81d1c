//! Mixed models against closed forms, published data, an independent dense computation, and themselves from many starts.

#[path = "mixed/cases.rs"]
mod cases;
#[path = "mixed/published.rs"]
mod published;
