//! Statistics as pure functions on numbers. Knows nothing of protocols, files or text.

pub mod mixed;
