//! Each rule alone, both ways.
